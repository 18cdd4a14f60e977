"""Commands to the watch: written by whoever gives them, taken by the watch."""

import time
from collections.abc import Mapping, Sequence
from typing import Any

from potvigil.model.events import LAST_BATCH, Action, AlarmId, Answer, Command, Detail, Outcome
from potvigil.record.errors import START_THE_WATCH
from potvigil.record.rows import AskedRow
from potvigil.record.tables.ledger import POT, Ledger
from potvigil.record.validation import refuse

# Commands taken in one tick; the rest wait for the next.
COMMANDS_A_TICK = 100
# A command not taken within so long is refused, and never carried out later.
COMMAND_LASTS_S = 60.0
NOBODY = f"the watch is not running; {START_THE_WATCH}, and try again"
LATE = (
    "the watch did not answer in time; check whether it has hung (`systemctl status potvigil`), and try again"
)


class Commands(Ledger):
    """Commands to the watch."""

    def take_commands(self, t_s: float) -> list[tuple[str, Command]]:
        """Return the commands not taken yet, as (pot, command), in order; each is taken once.

        One given to an earlier watch, or too long ago, is refused: whoever gave it has stopped waiting.
        """
        version = self._db.rows("PRAGMA data_version")[0][0]
        if version == self._commands_read_at and not self._asked_here:
            return []  # no other connection has written since: this check is all a tick costs
        most = COMMANDS_A_TICK + len(self._taken_unwritten)
        rows = self._db.rows(
            f"SELECT c.run, c.asked_boot_s, {_COMMAND} WHERE c.t_s IS NULL AND c.outcome IS NULL "
            f"ORDER BY c.id LIMIT {most}"
        )
        self._commands_read_at, self._asked_here = version, len(rows) == most
        taken: list[tuple[str, Command]] = []
        for run_id, asked_boot_s, pot_id, *row in rows:
            command, number = _command(row, t_s), row[-1]
            if number in self._taken_unwritten:
                continue
            self._taken_unwritten.add(number)
            why: str | None = None
            if run_id != self._run_id:
                why = NOBODY
            elif asked_boot_s is None or not 0.0 <= _boot_s() - asked_boot_s <= COMMAND_LASTS_S:
                why = LATE
            # a command the watch gave itself belongs to the batch it opened, and survives with that
            if why is not None and command.by != LAST_BATCH:
                self._queue_answer(number, Answer(Outcome.REFUSED, why))
                continue
            # taken: giving up on it now comes too late
            sql = "UPDATE command SET t_s = ?, outcome = NULL, answer = NULL WHERE id = ?"
            self._urgent.append((sql, (t_s, number)))
            taken.append((pot_id, command))
        if rows:
            self._try_now()
        return taken

    def answer(self, command: Command, answer: Answer) -> None:
        """Keep the answer to a command that was taken."""
        if command.row is not None:
            self._queue_answer(command.row, answer)
            self._try_now()

    def add_command(
        self,
        pot_id: str,
        action: Action,
        utc_s: float | None,
        *,
        alarm: AlarmId | None = None,
        text: str = "",
        duration_s: float | None = None,
        by: str = "",
        field: Detail | None = None,
    ) -> range:
        """Give a command to the watch of a pot; fields as of Command. Otherwise as `add_commands`."""
        return self.add_commands([(pot_id, Command(action, 0.0, alarm, text, duration_s, by, field))], utc_s)

    def add_commands(self, asked: Sequence[tuple[str, Command]], utc_s: float | None) -> range:
        """Give several commands, as (pot, command), at once; return the numbers of their rows.

        `asked` returns their results. Raises RefusedError, or when they could not be written.
        """
        for _, c in asked:
            row = {"action": c.action, "alarm": c.alarm, "text": c.text, "by": c.by, "field": c.field}
            refuse("command", row | {"duration_s": c.duration_s})
        self._asked_here = True
        with self._db.transaction(durable=True):
            self._db.execute_many(
                "INSERT OR IGNORE INTO pot (name) VALUES (?)", [(pot_id,) for pot_id, _ in asked]
            )
            self._db.execute_many(
                "INSERT INTO command (pot, action, alarm, text, duration_s, by, field, written_utc_s, "
                f"asked_boot_s, run) VALUES ({POT}, ?, ?, ?, ?, ?, ?, ?, ?, "
                "coalesce(?, (SELECT max(id) FROM run)))",
                [
                    (
                        pot_id,
                        c.action,
                        c.alarm,
                        c.text,
                        c.duration_s,
                        c.by,
                        c.field,
                        utc_s,
                        _boot_s(),
                        self._run_id,
                    )
                    for pot_id, c in asked
                ],
            )
            last: int = self._db.rows("SELECT coalesce(max(id), 0) FROM command")[0][0]
        return range(last - len(asked) + 1, last + 1)

    def asked(self, commands: range) -> list[AskedRow]:
        """Return the results of commands so far, in order."""
        return self._db.read(
            _asked,
            "SELECT p.name, c.t_s, c.outcome, c.answer FROM command c JOIN pot p ON p.id = c.pot "
            "WHERE c.id >= ? AND c.id < ? ORDER BY c.id",
            (commands.start, commands.stop),
        )

    def give_up(self, commands: range, why: str) -> None:
        """Refuse those of the commands not taken by a watch. Raises when that could not be written."""
        with self._db.transaction(durable=True):
            self._db.execute(
                "UPDATE command SET outcome = ?, answer = ? "
                "WHERE id >= ? AND id < ? AND t_s IS NULL AND outcome IS NULL",
                (Outcome.REFUSED, why, commands.start, commands.stop),
            )

    def add_edits(
        self,
        pot_id: str,
        details: Mapping[Detail, str],
        by: str,
        utc_s: float | None,
        *,
        opening: bool = False,
    ) -> range:
        """Ask the watch of a pot to change details of its open batch, or to open one with them, at once.

        Otherwise as `add_commands`.
        """
        asked = [Command(Action.OPEN, 0.0, by=by)] if opening else []
        asked += [Command(Action.EDIT, 0.0, text=text, by=by, field=field) for field, text in details.items()]
        return self.add_commands([(pot_id, command) for command in asked], utc_s)

    def commands(self, pot_id: str, from_t_s: float, to_t_s: float | None = None) -> list[Command]:
        """Return the commands a pot's watch took from `from_t_s` to `to_t_s` (both included), in order."""
        return self._db.read(
            lambda row: _command(row[2:], row[0]),
            f"SELECT c.t_s, {_COMMAND} WHERE p.name = ? AND c.t_s >= ? AND c.t_s <= ? ORDER BY c.t_s, c.id",
            (pot_id, from_t_s, float("inf") if to_t_s is None else to_t_s),
        )

    def _queue_answer(self, row: int, answer: Answer) -> None:
        sql = "UPDATE command SET outcome = ?, answer = ? WHERE id = ?"
        self._urgent.append((sql, (answer.outcome, answer.text, row)))


_COMMAND = (
    "p.name, c.action, c.alarm, c.text, c.duration_s, c.by, c.field, c.id "
    "FROM command c JOIN pot p ON p.id = c.pot"
)


def _boot_s() -> float:
    """Return the monotonic clock, s; commands of other processes are dated by it, even in a rehearsal."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def _command(row: Any, t_s: float) -> Command:
    action, alarm, text, duration_s, by, field, number = row
    return Command(
        Action(action),
        t_s,
        None if alarm is None else AlarmId(alarm),
        text,
        duration_s,
        by,
        None if field is None else Detail(field),
        number,
    )


def _asked(row: Any) -> AskedRow:
    pot_id, t_s, outcome, answer = row
    return AskedRow(
        pot_id, t_s is not None, None if outcome is None else Answer(Outcome(outcome), answer or "")
    )
