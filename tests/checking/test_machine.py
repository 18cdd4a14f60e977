"""What `check` finds on the machine: record, room, devices, clock, a watch that runs. No hardware needed."""

import os
from pathlib import Path

import pytest

from potvigil import paths
from potvigil.checking import machine
from potvigil.checking.finding import Grade
from potvigil.clock import Instant
from potvigil.model.broker import BrokerState
from potvigil.outputs.live import LiveFile
from potvigil.record.lock import WatchLock
from potvigil.settings.loading import load_text

POT = """\
workshop: harbour-models
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {thermometer}
    supply: shut
    cure: {{hold: 10 h}}
{more}"""
ONE_WIRE = Path("/sys/bus/w1/devices")


def settings(thermometer: str = "{place: gas}", more: str = ""):
    return load_text(POT.format(thermometer=thermometer, more=more), "workshop.yaml")


def with_record(path: Path):
    return settings(more=f"record: {{file: {path}}}\n")


@pytest.fixture(autouse=True)
def empty_machine(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(paths, "SERVICE_STATE", tmp_path / "var")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)


def only(found):
    (finding,) = found
    return finding


def test_a_missing_record_is_fine_where_it_can_be_created(tmp_path) -> None:
    finding = only(machine.on_record(with_record(tmp_path / "new.db"), of_service=False))
    assert (
        finding.mark is Grade.GOOD
        and "the watch can make it" in finding.says
        and " free, about " in finding.says
    )


def test_a_missing_default_folder_is_no_fault(tmp_path) -> None:
    assert only(machine.on_record(settings(), of_service=False)).mark is Grade.GOOD


def test_a_missing_medium_is_a_fault(tmp_path) -> None:
    finding = only(machine.on_record(with_record(tmp_path / "stick/potvigil.db"), of_service=False))
    assert finding.mark is Grade.FAULT and str(tmp_path / "stick") in finding.says


def test_a_foreign_file_is_a_fault_and_left_alone(tmp_path) -> None:
    file = tmp_path / "letter.txt"
    file.write_text("dear lamp maker", encoding="utf-8")
    assert only(machine.on_record(with_record(file), of_service=False)).mark is Grade.FAULT
    assert file.read_text(encoding="utf-8") == "dear lamp maker"


def test_an_unwritable_folder_is_a_fault(tmp_path, monkeypatch) -> None:
    allowed = os.access
    monkeypatch.setattr(
        machine.os, "access", lambda path, mode: mode != os.W_OK and allowed(path, mode)
    )  # root may write everywhere
    finding = only(machine.on_record(with_record(tmp_path / "new.db"), of_service=False))
    assert finding.mark is Grade.FAULT and "may not write" in finding.says
    finding = only(machine.on_record(settings(), of_service=False))
    assert finding.mark is Grade.FAULT


def test_a_record_outside_the_folder_of_the_service_is_reported_by_check(tmp_path) -> None:
    elsewhere = with_record(tmp_path / "elsewhere.db")
    (before,) = machine.on_record(elsewhere, of_service=True)
    assert before.mark is Grade.UNKNOWN and "service install" in before.says
    paths.SERVICE_STATE.mkdir()
    found = list(machine.on_record(elsewhere, of_service=True))
    assert found[0].mark is Grade.FAULT and str(paths.SERVICE_STATE) in found[0].says
    inside = with_record(paths.SERVICE_STATE / "potvigil.db")
    assert only(machine.on_record(inside, of_service=True)).mark is Grade.GOOD


@pytest.mark.parametrize(
    ("free_bytes", "mark"), [(19_000_000 * 30, Grade.FAULT), (21_000_000 * 30, Grade.GOOD)]
)
def test_room_for_less_than_a_month_is_a_fault(free_bytes, mark, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda _: type("Usage", (), {"free": free_bytes}))
    assert only(machine.on_record(with_record(tmp_path / "new.db"), of_service=False)).mark is mark


def test_more_pots_need_more_room(tmp_path, monkeypatch) -> None:
    pot = POT.split("pots:\n")[1].format(thermometer="{place: none}", more="")
    second = pot.replace("lantern", "jetty") + "    transducer: {channel: 2}\n"
    text = f"{POT.format(thermometer='{place: none}', more='')}{second}record: {{file: {tmp_path}/new.db}}\n"
    free_bytes = 30 * machine.NIGHT_BYTES
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda _: type("Usage", (), {"free": free_bytes}))
    assert only(machine.on_record(load_text(text, "two"), of_service=False)).mark is Grade.FAULT


MCP = "    transducer: {device: mcp3208, divider: 0.6, spi_device: 1}\n"
LAMP = "signals: {lamp: 17}\n"


@pytest.mark.parametrize(
    ("thermometer", "more", "needed"),
    [
        ("{place: gas}", "", {"/dev/i2c-1"}),
        (
            "{place: gas}",
            "    transducer: {bus: 3}\nbarometer: {device: bmp280}\n",
            {"/dev/i2c-1", "/dev/i2c-3"},
        ),
        ("{place: gas}", MCP, {"/dev/spidev0.1"}),
        ("{place: gas, device: pt100, wires: 3}", "", {"/dev/i2c-1", "/dev/spidev0.0"}),
        ("{place: gas}", LAMP, {"/dev/i2c-1", "/dev/gpiochip0"}),
    ],
)
def test_check_covers_the_devices_of_the_settings(thermometer, more, needed) -> None:
    found = machine.devices_of(settings(thermometer, more))
    assert {str(path) for paths_ in found.values() for path in paths_} == needed


@pytest.mark.parametrize("on_pi", [True, False])
def test_a_disabled_bus_is_a_fault_only_on_a_pi(on_pi) -> None:
    there = {Path("/proc/device-tree/model")} if on_pi else set()
    found = list(machine.on_devices(settings(), ONE_WIRE, exists=there.__contains__))
    assert {each.what for each in found} == {"i2c", "1-wire"}
    assert {each.mark for each in found} == {Grade.FAULT if on_pi else Grade.UNKNOWN}
    assert all("raspi-config" in each.says for each in found)


def test_a_bus_of_another_group_names_the_group() -> None:
    found = list(
        machine.on_devices(
            settings(), ONE_WIRE, exists=lambda _: True, usable=lambda path: "i2c" not in str(path)
        )
    )
    assert found[0].mark is Grade.FAULT and "usermod -aG i2c" in found[0].says
    assert found[1].mark is Grade.GOOD


def test_a_pot_without_a_probe_needs_no_one_wire_bus() -> None:
    found = machine.on_devices(settings("{place: none}"), ONE_WIRE, exists=lambda _: False)
    assert [each.what for each in found] == ["i2c"]


def test_a_clock_that_nothing_sets_is_reported() -> None:
    assert machine.on_clock(Instant(5.0, None)).mark is Grade.UNKNOWN
    assert machine.on_clock(Instant(5.0, 1.8e9)).mark is Grade.GOOD


def test_a_running_watchs_broker_state_is_reported(tmp_path) -> None:
    live = LiveFile(tmp_path / "live.json", "harbour-models", None, 1.0)
    live.begin(0.0, 0.0)
    for state, told in ((None, 0), (BrokerState(True, None), 0), (BrokerState(True, "two of us"), 1)):
        live.write({}, {}, state)
        found = list(machine.on_watched_broker(live.path))
        assert [each.mark for each in found] == [Grade.FAULT] * told
        assert all("two of us" in each.says for each in found)


def test_a_silent_watch_that_holds_the_record_is_a_fault(tmp_path) -> None:
    shop = with_record(tmp_path / "held.db")
    assert machine.on_watch(shop, tmp_path / "live.json").mark is Grade.UNKNOWN
    lock = WatchLock.take(shop.record_file, "a test")
    try:
        finding = machine.on_watch(shop, tmp_path / "live.json")
    finally:
        lock.release()
    assert finding.mark is Grade.FAULT and "has hung" in finding.says
