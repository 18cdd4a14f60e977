"""A night that was rehearsed once for all tests of the report."""

from pathlib import Path

import pytest

from potvigil.record.store import Store
from potvigil.reports.batch import report_html
from potvigil.reports.collect import retell
from potvigil.reports.model import BatchReport
from potvigil.sim.nights import NIGHTS
from rehearsal import rehearse


@pytest.fixture(scope="session")
def night_record(tmp_path_factory) -> Path:
    """A leak that passes the floor before gel, at 5 s; batch 1 of its record."""
    return rehearse(NIGHTS["lost-before-gel"], tmp_path_factory.mktemp("report")).record


@pytest.fixture(scope="session")
def told(night_record) -> BatchReport:
    with Store.open_read_only(night_record) as store:
        return retell(store, 1)


@pytest.fixture(scope="session")
def report(told) -> str:
    return report_html(told)
