"""Reading a request for a pour: the start, the night, every fault at once, a cure that never ends."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from potvigil.model.pot import Pot, Resin
from potvigil.planning.pot_history import SoFar
from potvigil.planning.read_request import Rig, SaidError, planned
from potvigil.planning.request import Ask
from potvigil.planning.sheet import Sheet
from potvigil.units import PA_PER_PSI

NOW = datetime(2026, 3, 4, 21, 10)
POT = Pot(
    pot_id="lantern",
    internal_volume_m3=0.020,
    maximum_pa=80.0 * PA_PER_PSI,
    working_pa=60.0 * PA_PER_PSI,
    floor_pa=45.0 * PA_PER_PSI,
    hold_s=36_000.0,
    cure_at_k=296.15,
    resins={"epoxy-casting": Resin(86_400.0, 14_400.0, 2400.0, 296.15)},
)
LAST_NIGHT = ((0.0, 43_200.0), (291.15, 285.15))


def told(said: dict[Ask, str], known: SoFar | None = None, pot: Pot = POT) -> Sheet:
    return planned(said, Rig(pot), NOW, lambda _: SoFar() if known is None else known)


def faults_of(said: dict[Ask, str], **kept: object) -> dict[Ask, str]:
    with pytest.raises(SaidError) as caught:
        told(said, **kept)
    return caught.value.faults


@pytest.mark.parametrize(
    ("start", "until", "asked_for", "due"),
    [
        (None, "07:30", NOW, "07:30 on Thursday"),
        ("21:10", "07:30", NOW, "07:30 on Thursday"),
        ("22:00", "21:30", NOW + timedelta(minutes=50), "21:30 on Thursday"),
        ("20:30", "23:00", NOW - timedelta(minutes=40), "23:00"),  # one who is at it already
        ("20:00", "23:00", NOW + timedelta(hours=22, minutes=50), "23:00"),
    ],
)
def test_a_time_of_day_means_the_next_one_and_a_start_may_be_just_past(start, until, asked_for, due) -> None:
    starts = []

    def so_far(at):
        starts.append(at)
        return SoFar()

    said = {Ask.UNTIL: until} | ({} if start is None else {Ask.START: start})
    last = planned(said, Rig(POT), NOW, so_far).short[-1][1]
    assert starts == [asked_for]
    assert f"ured by {due}" in last


def test_the_night_is_the_last_one_unless_given() -> None:
    known = SoFar(room_k=291.15, night=LAST_NIGHT)
    assert "night like the last one, down to 12 °C" in told({}, known).under
    assert "night assumed as warm as now" in told({Ask.NIGHT: "steady"}, known).under
    assert "tonight down to 9 °C" in told({Ask.NIGHT_LOW: "9 C"}, known).under
    assert "tonight down to 9 °C" in told({Ask.NIGHT_LOW: "9 C", Ask.NIGHT: "down"}, known).under
    assert "night assumed as warm as now" in told({}, replace(known, night=None)).under
    assert "night" not in told({}).under


def test_the_plan_uses_the_workshops_temperature_unit_whatever_was_typed() -> None:
    epoxy = Resin(24 * 3600.0, None, 3600.0, 296.15)
    american = replace(POT, temperature_unit="F", resins={"epoxy": epoxy})
    asked = {Ask.ROOM: "18 C", Ask.NIGHT_LOW: "48 F", Ask.RESIN: "epoxy"}
    sheet = told(asked, pot=american)
    said = str(sheet)
    assert "room 64 °F" in sheet.under and "tonight down to 48 °F" in sheet.under
    assert "at 73 °F; it doubles with each 18 °F colder" in said
    assert "°C" not in said and "°F" not in str(told(asked, pot=replace(american, temperature_unit="C")))


def test_every_fault_is_reported_at_once_with_its_field() -> None:
    said = {
        Ask.START: "late", Ask.RESIN: "epoxi", Ask.ROOM: "18", Ask.NIGHT_LOW: "cold", Ask.MOULD: "12 cm",
        Ask.STAND: "3", Ask.INSIDE: "28 x 30 x 2 cm", Ask.MASS: "0 g", Ask.TANK: "110 psi", Ask.MIXING: "2 d",
        Ask.POURING: "-1 min", Ask.LOADING: "", Ask.UNTIL: "24:00", Ask.NIGHT: "dark",
    }  # fmt: skip
    assert faults_of(said).keys() == set(Ask) - {Ask.NIGHT_LOW}  # an invalid night has no coldest
    assert "needs the room" not in faults_of({Ask.ROOM: "18", Ask.NIGHT_LOW: "12 C"}).get(Ask.NIGHT_LOW, "")


def test_a_cure_of_years_in_the_cold_is_reported_and_not_computed() -> None:
    """The shop's rule, twice as long with each 10 C less: 14 days at 60 C are 128 times as long at -10 C."""
    baked = replace(POT, resins={"baked": Resin(14 * 86_400.0, None, 600.0, 333.15)}, pot_id="lantern")
    cold = {Ask.RESIN: "baked", Ask.ROOM: "-10 C"}
    assert "does not cure within 400 days" in faults_of(cold, pot=baked)[Ask.RESIN]
    # nor is it named as a slower resin that would help
    quick = replace(baked, hold_s=3600.0, working_time_s=60.0)
    assert "baked (" not in str(told({Ask.ROOM: "-10 C"}, pot=quick).sections)
