"""The verbs of the alarms."""

from potvigil.commands.arguments.adding import Verbs, add_verb
from potvigil.commands.arguments.types import minutes
from potvigil.model.events import AlarmId, Priority


def add_alarm_verbs(verbs: Verbs) -> None:
    ids = [alarm.value for alarm in AlarmId]
    add_verb(
        verbs,
        "list",
        "listing:alarms",
        "list active alarms; exit status 1 if there are any",
        "potvigil alarm list",
        record=True,
    )
    seen = add_verb(
        verbs,
        "acknowledge",
        "alarm:command",
        "acknowledge an alarm",
        "potvigil alarm acknowledge floor-ahead",
        record=True,
    )
    seen.add_argument("alarm", nargs="?", default="all", choices=["all", *ids], metavar="ALARM")
    seen.add_argument("--pot", metavar="ID")
    shelve = add_verb(
        verbs,
        "shelve",
        "alarm:command",
        "silence an alarm for a while",
        "potvigil alarm shelve thermometer --minutes 120",
        record=True,
    )
    shelve.add_argument("alarm", choices=ids, metavar="ALARM")
    shelve.add_argument("--minutes", type=minutes, metavar="N", help="default 60; a high alarm: at most 15")
    shelve.add_argument("--pot", metavar="ID")
    back = add_verb(
        verbs,
        "unshelve",
        "alarm:command",
        "end a shelving early",
        "potvigil alarm unshelve thermometer",
        record=True,
    )
    back.add_argument("alarm", nargs="?", default="all", choices=["all", *ids], metavar="ALARM")
    back.add_argument("--pot", metavar="ID")
    test = add_verb(
        verbs,
        "test",
        "alarm:command",
        "send one alarm end to end, marked as a test",
        "potvigil alarm test --pot lantern",
        record=True,
    )
    test.add_argument("--pot", metavar="ID")
    priorities = [Priority.HIGH.value, Priority.LOW.value]
    test.add_argument("--priority", choices=priorities, default=Priority.LOW.value, help="default: low")
