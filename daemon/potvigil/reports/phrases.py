"""Figures and times of one batch, as its report shows them."""

from potvigil.model.batch_details import mixed_utc_s
from potvigil.model.events import Detail
from potvigil.reports.model import BatchReport
from potvigil.wording.quantities import pressure, rate, shown


class Phrases:
    """Base of a report's sections: formats figures and times in the batch's units and clock."""

    def __init__(self, report: BatchReport) -> None:
        self.report, self.summary, self.pot = report, report.summary, report.pot
        self.unit = report.pot.pressure_unit

    def _p(self, pa: float) -> str:
        return pressure(pa, self.unit)

    def _n(self, pa: float) -> str:
        return pressure(pa, self.unit).split()[0]

    def _rate(self, pa_per_s: float) -> str:
        return rate(pa_per_s, self.unit).replace("-", "−")

    def _between(self, low: float, high: float) -> str:
        return f"{self._rate(low).split()[0]} to {self._rate(high)}"

    def _clock(self, t_s: float) -> str:
        return self.report.clock(t_s)

    def _moment(self, t_s: float) -> str:
        local = self.report.local(t_s)
        return self._clock(t_s) if local is None else f"{local:%H:%M:%S}"

    def _detail(self, field: Detail, text: str) -> str:
        if field is Detail.MIXED_AT and text:
            return f"{self.report.local_of_utc(mixed_utc_s(text)):%d %b %H:%M}"
        return shown(text)
