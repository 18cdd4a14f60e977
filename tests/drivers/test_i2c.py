"""Opening a bus, and a bus over a long night."""

import sys
from types import ModuleType

import pytest

from potvigil.drivers.buses.i2c import BusError, BusLine, BusTimeoutError, open_bus, transfer_error
from scripted_bus import TableBus


class Opener:
    """Opens a new bus each time, or fails as scripted."""

    def __init__(self) -> None:
        self.buses: list[TableBus] = []
        self.attempts = 0
        self.fails = False

    def __call__(self, number: int) -> TableBus:
        self.attempts += 1
        if self.fails:
            raise BusError(f"I2C bus {number}: gone")
        self.buses.append(TableBus({}))
        return self.buses[-1]


def test_a_bus_is_opened_once() -> None:
    opener = Opener()
    line = BusLine(1, opener)
    assert line.acquire(0.0) is line.acquire(100.0)
    assert opener.attempts == 1


def test_a_bus_that_cannot_be_opened_is_retried_every_10_s_forever() -> None:
    opener = Opener()
    opener.fails = True
    line = BusLine(1, opener)
    for now_s in range(3600):
        with pytest.raises(BusError, match="I2C bus 1: gone"):
            line.acquire(float(now_s))
    assert opener.attempts == 360
    opener.fails = False
    assert line.acquire(3600.0) is opener.buses[0]


def test_a_failing_transfer_reopens_at_once_but_not_at_every_tick() -> None:
    opener = Opener()
    line = BusLine(1, opener)
    line.acquire(0.0)
    for now_s in range(100, 120):
        line.acquire(float(now_s))
        line.failed(float(now_s), BusError("no answer"))
    assert opener.attempts == 3  # at the start, at 101 and 111
    assert opener.buses[0].closed
    assert opener.buses[1].closed


def test_a_hung_bus_is_left_alone_for_ten_seconds() -> None:
    opener = Opener()
    line = BusLine(1, opener)
    line.acquire(0.0)
    line.failed(100.0, BusTimeoutError("held low"))
    for now_s in (100.0, 105.0, 109.9):
        with pytest.raises(BusError, match="held low"):
            line.acquire(now_s)
    assert line.acquire(110.0) is opener.buses[1]


def smbus2_raising(error: Exception) -> ModuleType:
    module = ModuleType("smbus2")

    def smbus(number: int) -> None:
        raise error

    module.SMBus = smbus  # type: ignore[attr-defined]
    return module


@pytest.mark.parametrize(
    ("error", "advice"),
    [
        (FileNotFoundError(2, "No such file or directory"), "enable I2C"),
        (PermissionError(13, "Permission denied"), "group i2c"),
        (OSError(5, "Input/output error"), "Input/output error"),
    ],
)
def test_a_bus_that_cannot_be_opened_says_which_and_what_to_do(
    monkeypatch: pytest.MonkeyPatch, error: OSError, advice: str
) -> None:
    monkeypatch.setitem(sys.modules, "smbus2", smbus2_raising(error))
    with pytest.raises(OSError, match="I2C bus 7: ") as caught:
        open_bus(7)
    assert advice in str(caught.value)


def test_a_missing_library_is_an_error_of_the_bus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "smbus2", None)
    with pytest.raises(BusError, match="smbus2 is missing"):
        open_bus(1)


def test_only_a_timeout_is_called_one() -> None:
    # The kernel's errno as Python maps it: ETIMEDOUT is 110
    assert isinstance(transfer_error(1, 0x48, 0, OSError(110, "Connection timed out")), BusTimeoutError)
    assert not isinstance(transfer_error(1, 0x48, 0, OSError(121, "Remote I/O error")), TimeoutError)
