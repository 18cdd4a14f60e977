"""Figures and times of one batch, as its report shows them."""

from potvigil.model.batch_details import mixed_utc_s
from potvigil.model.events import Detail
from potvigil.reports.model import BatchReport
from potvigil.wording.quantities import pressure, rate, shown


class Phrases:
    """What every section of a report speaks with: the batch's own units and clock."""

    def __init__(self, told: BatchReport) -> None:
        self.told, self.summary, self.pot = told, told.summary, told.pot
        self.unit = told.pot.pressure_unit

    def _p(self, pa: float) -> str:
        return pressure(pa, self.unit)

    def _n(self, pa: float) -> str:
        return pressure(pa, self.unit).split()[0]

    def _between(self, low: float, high: float) -> str:
        return f"{rate(low, self.unit).split()[0]} to {rate(high, self.unit)}".replace("-", "−")

    def _clock(self, t_s: float) -> str:
        return self.told.clock(t_s)

    def _moment(self, t_s: float) -> str:
        local = self.told.local(t_s)
        return self._clock(t_s) if local is None else f"{local:%H:%M:%S}"

    def _detail(self, field: Detail, text: str) -> str:
        if field is Detail.MIXED_AT and text:
            return f"{self.told.local_of_utc(mixed_utc_s(text)):%d %b %H:%M}"
        return shown(text)
