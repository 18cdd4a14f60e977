"""The verbs of this machine: check, setup, service, status."""

from pathlib import Path

from potvigil.commands.arguments.adding import Verbs, add_config, add_live, add_verb


def add_check(verbs: Verbs) -> None:
    check = add_verb(
        verbs,
        "check",
        "machine.check:check",
        "check settings, record, clock, broker, page, notification and, if asked, each wire",
        "potvigil check --config workshop.yaml --hardware",
    )
    add_config(check)
    check.add_argument("--hardware", action="store_true", help="read every device once")


def add_setup(verbs: Verbs) -> None:
    made = add_verb(
        verbs,
        "setup",
        "machine.setup:setup",
        "set this machine up: asks, shows what it would write, and checks it",
        "potvigil setup --simulated",
    )
    made.add_argument("--out", type=Path, metavar="FILE", help="the settings file, existing or new")
    made.add_argument("--simulated", action="store_true", help="try it on simulated buses")


def add_service(verbs: Verbs) -> None:
    kept = add_verb(
        verbs,
        "service",
        "machine.service:service",
        "the service of this machine: install, update, remove it",
        "potvigil service install --root trial",
    )
    kept.add_argument("what", choices=("install", "update", "remove"))
    kept.add_argument(
        "--config", type=Path, metavar="FILE", help="settings to install, if not those of `setup`"
    )
    kept.add_argument("--replace", action="store_true", help="replace existing settings")
    kept.add_argument(
        "--extra",
        action="append",
        metavar="EXTRA",
        help="also install extras the settings do not need: report",
    )
    kept.add_argument(
        "--root", type=Path, metavar="DIR", help="trial: install into this folder, start nothing"
    )


def add_status(verbs: Verbs) -> None:
    stands = add_verb(
        verbs,
        "status",
        "machine.status:status",
        "show each pot and whether it is being monitored; exit status 1 if not, or if an alarm is active",
        "potvigil status --json",
    )
    add_config(stands)
    add_live(stands)
    stands.add_argument("--json", action="store_true", help="a JSON line for each pot")
