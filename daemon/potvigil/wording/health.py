"""How a pot ages, in words."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from potvigil.model.ageing import LEAST_BATCHES, BatchLeak, Health, Point, Side
from potvigil.model.events import Interval, Verdict
from potvigil.model.maintenance import Care, Part
from potvigil.units import span
from potvigil.wording.maintenance import reminders
from potvigil.wording.quantities import rate, shown, two_digits, whole_date
from potvigil.wording.verdict import cast

LISTED_BATCHES, LISTED_CARES, NAMED_FAR = 20, 40, 5
_LONGEST_LABEL = 60
_CHANGED = {
    Part.SEAL: "the seal was changed",
    Part.VALVE: "a valve was serviced",
    Part.RELIEF_VALVE: "the relief valve was serviced",
}
_VERDICTS = {
    Verdict.HELD: "held",
    Verdict.LEAKED: "leaked, but held long enough",
    Verdict.FELL_BELOW_FLOOR: "fell below the floor",
    Verdict.VENTED_EARLY: "vented early",
    Verdict.INCOMPLETE: "too little data to judge",
}
_TIMES = {2: "doubled", 3: "trebled", 4: "quadrupled"}
_LOOK_AT = "After venting, check the seal, the lid's rim and clamps, and the valves."


@dataclass(frozen=True, slots=True)
class BatchLine:
    """A line of the table of batches; sign: the shape it has on the chart."""

    number: int
    date: str
    label: str
    verdict: str
    leak: str
    sign: str


def health_lines(
    health: Health,
    unit: str,
    tz: tzinfo | None,
    hold_s: float | None = None,
    now_utc_s: float | None = None,
) -> list[str]:
    """Return the state of a pot's ageing, most urgent first; one or two sentences a line.

    unit: psi, bar or kPa. tz: None for the machine's own zone. hold_s: of the cure that
    `health.bearable_pa_per_s` was computed for. now_utc_s: without it, care that is due is left out.
    """
    words = HealthWords(health, unit, tz, hold_s)
    overdue, soon = words.reminders(now_utc_s)
    return [*overdue, *words.lines(), *words.tests(), *soon]


class HealthWords:
    """Words for a pot, in its unit and by the workshop's calendar."""

    def __init__(self, health: Health, unit: str, tz: tzinfo | None, hold_s: float | None) -> None:
        self.health, self.regime, self.unit, self.tz = health, health.regime, unit, tz
        self.cure = "a batch" if hold_s is None else f"a {span(hold_s)} cure"
        known = [batch.utc_s for batch in health.batches if batch.utc_s is not None]
        self.this_year = self._day(max(known)).year if known else None

    def lines(self) -> Iterator[str]:
        """Yield the lines; at least one."""
        yield from self._state()
        yield from self._far()
        yield from self._bearable()
        yield from self._seal_change()

    def mood(self) -> tuple[str, str]:
        """Return sign and class of the page's headline; shape and word mean the same as the colour."""
        bearable, now = self.health.bearable_pa_per_s, self.health.now_pa_per_s
        newest = self.regime.points[-1] if self.regime.points else None
        one_night = newest is not None and newest.far is not None and newest.outside is None
        if bearable is not None and now is not None and now.low >= bearable and not one_night:
            return "■", "failed"
        if newest is None or self.regime.baseline_pa_per_s is None:
            return "○", "unknown"
        return ("▲", "warned") if newest.outside or newest.far else ("●", "held")

    def reminders(self, now_utc_s: float | None) -> tuple[list[str], list[str]]:
        """Return what is overdue, and what will be due within a month."""
        return ([], []) if now_utc_s is None else reminders(self.health.cares, now_utc_s, self.tz)

    def tests(self) -> Iterator[str]:
        """Yield the result of the newest tightness test, compared with the one before."""
        tests = [care for care in self.health.cares if care.leak_pa_per_s is not None]
        if not tests:
            return
        now = tests[-1].leak_pa_per_s
        assert now is not None
        yield f"Tightness test{self._on(tests[-1].utc_s)}: {self._rate(now)}."
        if len(tests) < 2:
            return
        before = tests[-2].leak_pa_per_s
        assert before is not None
        rise = now.value - before.value
        reach = 0.5 * math.hypot(now.high - now.low, before.high - before.low)
        if rise > reach:
            yield f"It leaked less in the test{self._on(tests[-2].utc_s)}: {self._rate(before)}. {_LOOK_AT}"
        elif rise < -reach:
            yield f"It leaked more in the test{self._on(tests[-2].utc_s)}: {self._rate(before)}."
        else:
            yield f"No significant change since the test{self._on(tests[-2].utc_s)}: {self._rate(before)}."

    # -- in sentences -------------------------------------------------------------------------------

    def _state(self) -> Iterator[str]:
        newest = self.regime.points[-1] if self.regime.points else None
        if not self.health.batches:
            yield "This pot has no finished batch yet."
        elif self.regime.baseline_pa_per_s is None:
            since = self._since_care() or "with a leak estimate"
            yield f"Too few batches {since} ({self.regime.batches} of {LEAST_BATCHES}) to say."
        elif self.regime.state is Side.ABOVE:
            yield from self._above()
        elif self.regime.state is Side.BELOW:
            yield (
                f"The leak has become smaller{self._after_since()}: {self._from_to()}. A pot does not "
                "repair itself: check what else changed, such as the thermometer's place."
            )
        elif newest is not None and newest.far is Side.ABOVE:
            yield (
                f"The last batch, {self._batch(newest.batch)}, leaked {rate(newest.rate, self.unit)}, far "
                f"more than the others ({self._usual_rate()}). One such night is not a trend."
            )
            yield _LOOK_AT
        else:
            yield f"Nothing out of the ordinary{self._after_since()}: {self._usual()}."

    def _above(self) -> Iterator[str]:
        growth, since = self.health.growth, self.regime.since
        stands = "" if since is None else f" It has stood out since batch {self._batch(since.batch)}."
        if growth is None:
            yield f"The leak has grown{self._after_since()}; by how much is not yet certain.{stands}"
        elif growth.ratio is None:
            yield f"The leak has grown{self._after_since()}: {self._from_to()}.{stands}"
        else:
            ratio = growth.ratio
            yield (
                f"The leak {_grown(ratio)}{self._after_since()}: {self._from_to()} "
                f"({two_digits(ratio.low)} to {two_digits(ratio.high)} times).{stands}"
            )
        yield _LOOK_AT
        pace = self.health.pace
        if pace is None:
            return
        per = (10.0 * pace.per_batch_pa_per_s.value, "ten batches")
        if pace.per_month_pa_per_s is not None:
            per = (pace.per_month_pa_per_s, "month")
        yield f"It grows steadily, by about {rate(per[0], self.unit)} every {per[1]}."
        left = pace.bearable_in_batches
        if left is not None:
            value, low, high = (two_digits(max(round(each), 0)) for each in (left.value, left.low, left.high))
            yield f"At this pace {self.cure} will reach the floor in about {value} batches ({low} to {high})."

    def _far(self) -> Iterator[str]:
        alone = [point for point in self.regime.alone if point is not self.regime.points[-1]]
        if alone:
            names = ", ".join(str(point.batch.batch_id) for point in alone[-NAMED_FAR:])
            earlier = f" and {len(alone) - NAMED_FAR} earlier" if len(alone) > NAMED_FAR else ""
            which = "One outlier: batch" if len(alone) == 1 else "Single outliers: batches"
            yield f"{which} {names}{earlier}."

    def _bearable(self) -> Iterator[str]:
        bearable, now = self.health.bearable_pa_per_s, self.health.now_pa_per_s
        if bearable is None or now is None or now.high < bearable:
            return
        cure, most = self.cure[0].upper() + self.cure[1:], rate(bearable, self.unit)
        if now.low >= bearable:
            yield f"{cure} tolerates at most {most}, and the leak is now {self._rate(now)}."
        elif now.value >= bearable:
            yield f"{cure} tolerates at most {most}, and the leak is now about that: {self._rate(now)}."

    def _seal_change(self) -> Iterator[str]:
        change = self.health.seal_change
        if change is None or change.rise_pa_per_s is None:
            return
        before, after, rise = change.before_pa_per_s, change.after_pa_per_s, change.rise_pa_per_s
        assert before is not None
        assert after is not None
        on = self._on(change.care.utc_s)
        sizes = f"from {self._number(before.value)} to {_no_minus(rate(after.value, self.unit))}"
        if rise.high < 0.0:
            yield f"After the seal was changed{on} the leak fell {sizes}."
        elif rise.low > 0.0:
            yield f"After the seal was changed{on} the leak rose {sizes}: check how the new seal sits."
        else:
            yield (
                f"Changing the seal{on} made no visible difference: {self._rate(before)} before, "
                f"{self._rate(after)} after."
            )

    def _from_to(self) -> str:
        base, now = self.regime.baseline_pa_per_s, self.health.now_pa_per_s
        assert base is not None
        assert now is not None
        if base.low <= 0.0:
            start = f"none detected (at most {rate(max(base.high, 0.0), self.unit)})"
            return f"from {start} to {rate(now.value, self.unit)}"
        return _no_minus(f"from {self._number(base.value)} to {rate(now.value, self.unit)}")

    def _usual_rate(self) -> str:
        base = self.regime.baseline_pa_per_s
        assert base is not None
        return _no_minus(rate(max(base.value, 0.0), self.unit))

    def _usual(self) -> str:
        now = self.health.now_pa_per_s
        assert now is not None
        if now.low <= 0.0:
            return f"no leak detected, at most {rate(max(now.high, 0.0), self.unit)}"
        return f"the leak is {self._rate(now)}"

    # -- on the page only ---------------------------------------------------------------------------

    def facts(self) -> Iterator[tuple[str, str, str]]:
        """Yield what matters most as (name, value, remark)."""
        base, now, bearable = (
            self.regime.baseline_pa_per_s,
            self.health.now_pa_per_s,
            self.health.bearable_pa_per_s,
        )
        yield "Leak now", *self._fact(now)
        yield ("Leak at first" if not self.regime.cares else "Leak after maintenance"), *self._fact(base)
        if bearable is None:
            yield "Tolerable leak", "not known", ""
        else:
            yield "Tolerable leak", rate(bearable, self.unit), f"{self.cure} then just stays above the floor"
        count = self.regime.batches
        yield (
            "Batches",
            str(len(self.health.batches)),
            f"{count} with an estimate {self._since_care() or 'so far'}",
        )

    def _fact(self, leak: Interval | None) -> tuple[str, str]:
        if leak is None:
            return "not known", "too few batches"
        return _no_minus(rate(leak.value, self.unit)), f"95 %: {self._between(leak)}"

    def when(self) -> str:
        batches = self.health.batches
        if not batches:
            return "no batches yet"
        first, last = batches[0].utc_s, batches[-1].utc_s
        if first is None or last is None:
            return f"{len(batches)} batches; the clock was not always set"
        return f"{whole_date(first, self.tz)} to {whole_date(last, self.tz)}"

    def cares(self) -> Iterator[tuple[str, str, str, str]]:
        """Yield the newest cares as (date, part, text, by), newest first."""
        for care in self.health.cares[: -LISTED_CARES - 1 : -1]:
            yield self._table_date(care), care.part.value.replace("-", " "), shown(care.text), shown(care.by)

    def batches(self, labels: Mapping[int, str], outcomes: Mapping[int, str]) -> Iterator[BatchLine]:
        """Yield the newest batches, newest first. labels, outcomes: of batches, by number."""
        points = {point.batch.batch_id: point for regime in self.health.regimes for point in regime.points}
        for batch in self.health.batches[: -LISTED_BATCHES - 1 : -1]:
            label = " ".join(shown(labels.get(batch.batch_id, "")).split())
            if len(label) > _LONGEST_LABEL:
                label = f"{label[:_LONGEST_LABEL].rstrip()}…"
            leak = batch.rate_pa_per_s
            verdict = "" if batch.verdict is None else _VERDICTS[batch.verdict]
            yield BatchLine(
                number=batch.batch_id,
                date=self._table_date(batch),
                label=label,
                verdict="; ".join(filter(None, (verdict, cast(outcomes.get(batch.batch_id, ""))))),
                leak="no estimate" if leak is None else f"{self._number(leak.value)} ({self._between(leak)})",
                sign=_sign(points.get(batch.batch_id)),
            )

    # -- small words --------------------------------------------------------------------------------

    def _since_care(self) -> str:
        if not self.regime.cares:
            return ""
        seals = [care for care in self.regime.cares if care.part is Part.SEAL]
        care = (seals or self.regime.cares)[-1]
        return f"since {_CHANGED[care.part]}{self._on(care.utc_s)}"

    def _after_since(self) -> str:
        since = self._since_care()
        return f" {since}" if since else " since the first batches" if self.regime.state else ""

    def _batch(self, batch: BatchLeak) -> str:
        return f"{batch.batch_id}" + ("" if batch.utc_s is None else f" ({self._date(batch.utc_s)})")

    def _on(self, utc_s: float | None) -> str:
        return "" if utc_s is None else f" on {self._date(utc_s)}"

    def _date(self, utc_s: float) -> str:
        day = self._day(utc_s)
        return f"{day.day} {day:%B}" + ("" if day.year == self.this_year else f" {day.year}")

    def _table_date(self, what: BatchLeak | Care) -> str:
        return "unknown" if what.utc_s is None else f"{self._day(what.utc_s):%F}"

    def _day(self, utc_s: float) -> datetime:
        return datetime.fromtimestamp(utc_s, UTC).astimezone(self.tz)

    def _rate(self, leak: Interval) -> str:
        return f"{_no_minus(rate(leak.value, self.unit))} ({self._between(leak)})"

    def _between(self, leak: Interval) -> str:
        return f"{self._number(leak.low)} to {self._number(leak.high)}"

    def _number(self, pa_per_s: float) -> str:
        return _no_minus(rate(pa_per_s, self.unit).split()[0])


def _no_minus(text: str) -> str:
    """Return a figure with a true minus sign, and without one where it rounds to zero."""
    number, _, rest = text.partition(" ")
    if number.startswith("-"):
        text = f"{number.lstrip('-') if not float(number) else number.replace('-', '−')} {rest}".rstrip()
    return text


def _grown(ratio: Interval) -> str:
    whole = round(ratio.value)
    if whole in _TIMES and abs(ratio.value - whole) <= 0.1 * whole:
        return f"has {_TIMES[whole]}"
    if ratio.value < 1.95:
        return f"has grown by {100.0 * (ratio.value - 1.0):.0f} %"
    return f"has grown {two_digits(ratio.value)}-fold"


def _sign(point: Point | None) -> str:
    if point is None:
        return ""
    if point.outside is not None:
        return "■"
    return "" if point.far is None else "▲" if point.far is Side.ABOVE else "▼"
