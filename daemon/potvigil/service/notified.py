"""The notifier as the watch sees it, through its status file in memory; reading it never blocks."""

from pathlib import Path

from potvigil.notifying.status import Status, StatusReader
from potvigil.watch.alarm_states import ConditionWords

_ABSENT = ConditionWords(
    "Start the notifier; `systemctl status potvigil-notify` shows its state",
    "It is configured but not running: no phone is notified of alarms.",
)


class Notified:
    """path: of the notifier's status. names: of the people it notifies."""

    def __init__(self, path: Path, names: tuple[str, ...]) -> None:
        self._reader, self._names = StatusReader(path), names

    def fault_words(self) -> ConditionWords | None:
        """Return the words for a failing notifier, None where it works."""
        status = self._reader.read()
        if status is None:
            return _ABSENT
        faults = [
            f"{name} cannot be reached ({fault}): an alarm may not get through."
            for name, fault in status.targets.items()
            if fault is not None
        ]
        if status.heartbeat is not None:
            faults.append(f"The heartbeat does not get through ({status.heartbeat}).")
        if not faults:
            return None
        return ConditionWords("Check phone and network, then try `potvigil alarm test`", " ".join(faults))

    def of_test(self, pot_id: str, since_s: float | None, *, is_last: bool) -> tuple[bool, str] | None:
        """Return whether a test alarm reached everybody, and that in words; None while unknown.

        since_s: when the test alarm was raised, on the record's axis. is_last: time is up.
        """
        status = self._reader.read()
        if status is None:
            return False, "the notifier is not running"
        results = _results(status, pot_id, since_s)
        if not is_last and any(name not in results for name in self._names):
            return None
        sent = [name for name in self._names if results.get(name, "") is None]
        failed = [
            f"{name}: {results.get(name) or 'no answer yet'}" for name in self._names if name not in sent
        ]
        parts = ([f"sent to {', '.join(sent)}"] if sent else []) + failed
        return not failed, ", ".join(parts) or "nobody to notify; only the heartbeat is on"


def _results(status: Status, pot_id: str, since_s: float | None) -> dict[str, str | None]:
    trial = status.tests.get(pot_id)
    return trial.told if trial is not None and trial.since_s == since_s else {}
