"""Which thermometer is meant where the settings name none."""

import pytest

from potvigil.clock import Instant
from potvigil.drivers.thermometers.ds18b20 import InlineExecutor
from potvigil.service.wiring import WiringError, open_inputs
from potvigil.settings.loading import load_text
from potvigil.sim.chips import OneWireFolder

SETTINGS = """\
workshop: harbour-models
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: gas}
    supply: shut
    cure: {hold: 10 h}
"""
PROBES = ("28-0316a2794aff", "28-0517c1a3e2ff")


def open_with(folder, *probes):
    for probe in probes:
        (folder / probe).mkdir()
    settings = load_text(SETTINGS, "test")
    return open_inputs(settings, one_wire_root=folder, executor=InlineExecutor(), sleep=lambda seconds: None)


def test_the_only_probe_is_taken(tmp_path):
    wires = [what for what, _, _ in open_with(tmp_path, PROBES[0]).probe_each_wire()]
    assert any(PROBES[0] in what for what in wires)


def test_no_probe_is_said_and_the_watch_goes_on(tmp_path, caplog):
    open_with(tmp_path).close()
    assert "pots.lantern.thermometer: no probe under" in caplog.text


def test_a_probe_that_comes_later_is_taken_without_a_restart(tmp_path):
    station = open_with(tmp_path)

    def gas_c(boot_s):
        ((_, sample),) = station.read(boot_s, Instant(boot_s, None))
        return sample.gas_c

    assert gas_c(0.0) is None
    OneWireFolder(tmp_path).set_celsius(PROBES[0], 21.5, 0.0)
    assert gas_c(20.0) == 21.5
    OneWireFolder(tmp_path).set_celsius(PROBES[1], 4.0, 0.0)  # which of the two is meant?
    gas_c(40.0)
    assert gas_c(110.0) is None


def test_two_probes_need_a_name(tmp_path):
    with pytest.raises(WiringError, match=r"pots\.lantern\.thermometer: no id, and 2 probes are plugged in"):
        open_with(tmp_path, *PROBES)
