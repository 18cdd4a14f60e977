"""What all tests share: a night rehearsed once, and the choice of the quick tests."""

from pathlib import Path

import pytest

from potvigil.record.store import Store
from potvigil.reports.batch import report_html
from potvigil.reports.collect import collect_report
from potvigil.reports.model import BatchReport
from potvigil.sim.nights import NIGHTS
from rehearsal import rehearse
from slow_tests import slow


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--quick", action="store_true", help="leave out what slow_tests.txt lists")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("quick"):
        return
    left_out = slow()

    def is_slow(item: pytest.Item) -> bool:
        file, _, name = item.nodeid.partition("[")[0].partition("::")
        return file in left_out or f"{file}::{name}" in left_out

    config.hook.pytest_deselected(items=[item for item in items if is_slow(item)])
    items[:] = [item for item in items if not is_slow(item)]


@pytest.fixture(scope="session")
def night_record(tmp_path_factory) -> Path:
    """A leak that passes the floor before gel, at 5 s; batch 1 of its record."""
    return rehearse(NIGHTS["lost-before-gel"], tmp_path_factory.mktemp("report")).record


@pytest.fixture(scope="session")
def data(night_record) -> BatchReport:
    with Store.open_read_only(night_record) as store:
        return collect_report(store, 1)


@pytest.fixture(scope="session")
def report(data) -> str:
    return report_html(data)
