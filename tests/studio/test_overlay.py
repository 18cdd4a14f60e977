"""A watch's live state laid over its shipped record: which of the two counts, and in whose units."""

from dataclasses import replace

import pytest

from demo_pot import HOLDING, LANTERN, PSI, T_S, UTC_S, alarm
from potvigil.live_reader import LivePot
from potvigil.model.events import AlarmId, AlarmState, Stage
from potvigil.model.reading import Quality, Sample
from potvigil.page.many.broker.trees import PotHeard
from potvigil.page.many.known import KnownPot
from potvigil.page.many.overlay import AHEAD_S, is_gone, with_live

SEEN = KnownPot(
    "lantern", LANTERN, LivePot(7, HOLDING, ()), Sample(T_S, UTC_S, transducer_count=14_000.0), ""
)
HEARD = PotHeard(
    gone=None,
    alive_s=10.0,
    axis_s=T_S + 40.0,
    at_utc_s=UTC_S + 100.0,  # by our clock, a minute ahead of the watch's
    clock_offset_s=60.0,
    stage=Stage.HOLDING,
    quality=Quality.GOOD,
    gauge=54.0,
    corrected=54.1,
    working=60.0,
    established=True,
    rate_per_h=(18.0, 17.5, 18.5),
    alarms=(alarm(AlarmId.LEAK),),
    warned=None,
)


def test_the_watchs_value_is_shown_at_our_time():
    snapshot = with_live(HEARD, SEEN).snapshot
    assert (snapshot.t_s, snapshot.utc_s) == (T_S + 40.0, UTC_S + 100.0)
    assert snapshot.reading.gauge_pa == pytest.approx(54.0 * PSI)
    assert snapshot.corrected_gauge_pa == pytest.approx(54.1 * PSI)
    assert snapshot.leak.rate_pa_per_s.value == pytest.approx(18.0 * PSI / 3600.0)
    assert snapshot.alarms == HEARD.alarms and snapshot.cure == HOLDING.cure
    assert with_live(HEARD, SEEN).batch == 7


@pytest.mark.parametrize(
    "other",
    [
        {"axis_s": T_S - 1.0},  # the record has come further
        {"axis_s": None},
        {"at_utc_s": None},
        {"stage": None},
        {"alarms": None},  # a watch of an earlier version
        {"working": None},
        {"working": 4.137},  # its unit is now bar, and the record's settings are the last ones
    ],
)
def test_the_record_counts_where_the_live_state_does_not_fit(other):
    assert with_live(replace(HEARD, **other), SEEN) is None


def test_a_pot_without_samples_yet_is_known_from_its_watch():
    assert with_live(replace(HEARD, axis_s=1.0), replace(SEEN, last=None)) is not None


@pytest.mark.parametrize("other", [{"quality": Quality.BAD}, {"quality": None}, {"gauge": None}])
def test_a_bad_reading_shows_no_pressure_despite_a_retained_value(other):
    assert with_live(replace(HEARD, **other), SEEN).snapshot.reading.gauge_pa is None


def test_nothing_is_shown_of_a_hold_that_is_over():
    """What was cleared while a bridge was cut is still retained beyond it."""
    snapshot = with_live(replace(HEARD, stage=Stage.VENTING), SEEN).snapshot
    assert (snapshot.leak, snapshot.forecast, snapshot.corrected_gauge_pa) == (None, None, None)
    assert with_live(replace(HEARD, rate_per_h=None), SEEN).snapshot.leak is None
    assert with_live(replace(HEARD, established=None), SEEN).snapshot.leak is None


def test_the_end_of_shelving_is_given_by_our_clock():
    shelved = alarm(state=AlarmState.SHELVED, until_utc_s=UTC_S + 600.0)
    (standing,) = with_live(replace(HEARD, alarms=(shelved,)), SEEN).snapshot.alarms
    assert standing.until_utc_s == UTC_S + 660.0
    (standing,) = with_live(replace(HEARD, alarms=(shelved,), clock_offset_s=None), SEEN).snapshot.alarms
    assert standing.until_utc_s == UTC_S + 600.0


def test_a_watch_is_missing_unless_its_record_goes_on():
    gone = replace(HEARD, gone="lost", axis_s=T_S - AHEAD_S)
    assert is_gone(gone, SEEN) and is_gone(gone, replace(SEEN, last=None))
    assert not is_gone(replace(gone, axis_s=T_S - AHEAD_S - 1.0), SEEN)
    assert not is_gone(replace(gone, axis_s=None), SEEN)
    assert not is_gone(replace(gone, gone=None), SEEN)
