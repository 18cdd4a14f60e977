"""Reads back samples, and traces of what the watch knew."""

from collections.abc import Iterator
from typing import Any

from potvigil.model.events import Interval, Stage
from potvigil.model.reading import Sample
from potvigil.record import curve as curves
from potvigil.record.codec import SAMPLE_COLUMNS, faults_from_text
from potvigil.record.rows import TraceRow
from potvigil.record.tables.faults import FAULTS_TEXT
from potvigil.record.tables.ledger import POT, TRACE, Ledger

_CHUNK_ROWS = 4096
_SAMPLE = f"{', '.join(SAMPLE_COLUMNS)}, {FAULTS_TEXT}"


class Samples(Ledger):
    """Samples, and traces of what the watch knew."""

    def samples(self, pot_id: str, from_t_s: float, to_t_s: float | None = None) -> Iterator[Sample]:
        """Yield the samples of a pot from `from_t_s` to `to_t_s` (both included), as they were appended.

        Read in chunks, so that a slow reader never holds the write-ahead log.
        """
        after = ">="
        while True:
            samples = self._db.read(
                _sample,
                f"SELECT {_SAMPLE} FROM sample WHERE pot = {POT} AND t_s {after} ? AND t_s <= ? "
                f"ORDER BY t_s LIMIT {_CHUNK_ROWS}",
                (pot_id, from_t_s, float("inf") if to_t_s is None else to_t_s),
            )
            yield from samples
            if len(samples) < _CHUNK_ROWS:
                return
            from_t_s, after = samples[-1].t_s, ">"

    def traces(
        self, pot_id: str, from_t_s: float, to_t_s: float | None = None, about: int | None = None
    ) -> list[TraceRow]:
        """Return what the watch knew of a pot from `from_t_s` to `to_t_s` (both included), in order.

        about: of more than so many, only every second, third and so on, enough for a drawing.
        """
        rows = self._db.rows(
            f"SELECT {TRACE} FROM trace WHERE pot = {POT} AND t_s >= ? AND t_s <= ? ORDER BY t_s",
            (pot_id, from_t_s, float("inf") if to_t_s is None else to_t_s),
        )
        return self._db.made(_trace, rows if about is None else rows[:: len(rows) // about + 1])

    def curve(
        self,
        pot_id: str,
        from_s: float,
        to_s: float,
        count: int,
        *,
        usual_supply: float | None,
        ambient: bool,
        thinned: bool,
    ) -> list[curves.Bucket]:
        """Return the samples in equal stretches of time; see record/curve.py, also for the next three."""
        return list(
            curves.buckets(
                self._db,
                pot_id,
                from_s,
                to_s,
                count,
                usual_supply=usual_supply,
                ambient=ambient,
                thinned=thinned,
            )
        )

    def extent(self, pot_id: str, from_s: float, to_s: float, most: int) -> curves.Extent:
        return curves.extent(self._db, pot_id, from_s, to_s, most)

    def utc_less_t_s(self, pot_id: str, to_s: float) -> float | None:
        return curves.utc_less_t_s(self._db, pot_id, to_s)

    def last_sample(self, pot_id: str) -> Sample | None:
        """Return the last written sample of a pot, None when there is none."""
        samples = self._db.read(
            _sample,
            f"SELECT {_SAMPLE} FROM sample WHERE pot = {POT} ORDER BY t_s DESC LIMIT 1",
            (pot_id,),
        )
        return samples[0] if samples else None


def _sample(row: Any) -> Sample:
    *read, faults = row
    return Sample(*(*read, faults_from_text(faults)))


def _trace(row: Any) -> TraceRow:
    t_s, stage, *known, value, low, high, established = row[:12]
    leak = None if value is None else Interval(value, low, high)
    return TraceRow(*(t_s, Stage(stage), *known, leak, bool(established), *row[12:]))
