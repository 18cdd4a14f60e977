"""A pot's curve as the record computes it, against the same computed sample by sample."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from potvigil.model.reading import Sample
from potvigil.record.curve import Bucket, Extent
from potvigil.record.store import Store
from record_night import POT, UTC_S

USUAL = 26_000.0
# for a sample that is the mean of several
SPREAD = '{"n":9,"transducer_count":[100.0,30000.0],"gauge_pa":[5.0,9.0],"absolute_pa":[6.0,8.0]}'


def made() -> list[Sample]:
    """A hundred samples, a second apart, each column missing here and there; none from 40 s to 49 s."""
    random = Random(5)

    def maybe(value: float) -> float | None:
        return None if random.random() < 0.2 else value

    return [
        Sample(
            float(t_s),
            None,
            transducer_count=maybe(14_000.0 + random.random()),
            supply_count=maybe(USUAL + 100.0 * random.random()),
            gauge_pa=maybe(400_000.0 + random.random()),
            absolute_pa=maybe(500_000.0 + random.random()),
            ambient_pa=maybe(101_000.0 + random.random()),
        )
        for t_s in range(100)
        if not 40 <= t_s < 50
    ]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "record.db") as store:
        for each in made():
            store.append(POT, each)
            store.append("buoy", replace(each, transducer_count=1.0, gauge_pa=1.0, ambient_pa=1.0))
        store.flush()
        yield store


def ends(values: list[float | None]) -> tuple[float | None, float | None]:
    known = [value for value in values if value is not None]
    return min(known, default=None), max(known, default=None)


def reckoned(
    begin_s: float, end_s: float, of: Callable[[Sample], float | None], ambient: bool
) -> Bucket | None:
    inside = [each for each in made() if begin_s <= each.t_s < end_s]
    if not inside:
        return None
    outside = [each.ambient_pa for each in inside if each.ambient_pa is not None]
    return Bucket(
        *(begin_s, end_s, sum(each.transducer_count is not None for each in inside)),
        *ends([of(each) for each in inside]),
        *ends([each.supply_count for each in inside]),
        *ends([each.gauge_pa for each in inside]),
        *ends([each.absolute_pa for each in inside]),
        pytest.approx(sum(outside) / len(outside)) if ambient and outside else None,
    )


def share_of_supply(each: Sample) -> float | None:
    count, supply = each.transducer_count, each.supply_count
    return None if count is None else count / (USUAL if supply is None else supply)


@pytest.mark.parametrize("ambient", [False, True])
@pytest.mark.parametrize("thinned", [False, True])
@pytest.mark.parametrize(
    ("usual_supply", "of"), [(None, lambda each: each.transducer_count), (USUAL, share_of_supply)]
)
def test_each_stretch_has_its_lowest_and_highest_reading(
    store: Store,
    usual_supply: float | None,
    of: Callable[[Sample], float | None],
    thinned: bool,
    ambient: bool,
) -> None:
    found = store.curve(POT, 5.0, 105.0, 20, usual_supply=usual_supply, ambient=ambient, thinned=thinned)
    stretches = [(5.0 + 5.0 * i, 10.0 + 5.0 * i) for i in range(20)]
    assert found == [one for each in stretches if (one := reckoned(*each, of, ambient)) is not None]
    assert len(found) == 17  # the two of the gap, and the last


def test_a_thinned_mean_keeps_the_range_of_its_samples(store: Store) -> None:
    with store._db.transaction(durable=False):
        store._db.execute("UPDATE sample SET spread = ? WHERE t_s = 12.0", (SPREAD,))
        store._db.execute(
            "UPDATE sample SET transducer_count = 14000.0, gauge_pa = 7.0, absolute_pa = 7.0, "
            "supply_count = ? WHERE t_s = 12.0",
            (2 * USUAL,),
        )

    def at_12_s(*, thinned: bool, usual_supply: float | None = None) -> Bucket:
        (found,) = store.curve(POT, 12.0, 13.0, 1, usual_supply=usual_supply, ambient=False, thinned=thinned)
        return found

    mean = Bucket(12.0, 13.0, 1, 14_000.0, 14_000.0, 52_000.0, 52_000.0, 7.0, 7.0, 7.0, 7.0, None)
    assert at_12_s(thinned=False) == mean
    reaches = replace(
        mean,
        low_count=100.0,
        high_count=30_000.0,
        low_gauge_pa=5.0,
        high_gauge_pa=9.0,
        low_absolute_pa=6.0,
        high_absolute_pa=8.0,
    )
    assert at_12_s(thinned=True) == reaches
    by_supply = at_12_s(thinned=True, usual_supply=USUAL)
    assert (by_supply.low_count, by_supply.high_count) == (100.0 / 52_000.0, 30_000.0 / 52_000.0)


def test_an_unknown_pot_has_no_curve(store: Store) -> None:
    assert store.curve("mast", 0.0, 100.0, 5, usual_supply=None, ambient=True, thinned=True) == []


@pytest.mark.parametrize(
    ("from_s", "to_s", "most", "found"),
    [
        (0.0, 100.0, 1000, Extent(99.0, 90)),
        (0.0, 99.0, 1000, Extent(98.0, 89)),
        (1.0, 100.0, 1000, Extent(99.0, 89)),
        (0.0, 100.0, 7, Extent(99.0, 7)),
        (40.0, 50.0, 1000, Extent(None, 0)),
    ],
)
def test_the_extent_of_a_pot_is_its_last_time_and_sample_count(
    store: Store, from_s: float, to_s: float, most: int, found: Extent
) -> None:
    assert store.extent(POT, from_s, to_s, most) == found


def test_the_settings_in_force_are_those_of_the_previous_run_and_of_each_change(
    store: Store,
) -> None:
    for boot_s, text in ((100.0, "a"), (200.0, "b"), (300.0, "b"), (400.0, "a"), (500.0, "c")):
        store.begin_run(text, "boot-a", boot_s, None, None)
    assert store.settings_within(0.0, 50.0) == []
    assert store.settings_within(0.0, 100.0) == [(100.0, "a")]
    assert store.settings_within(99.0, 1e9) == [(100.0, "a"), (200.0, "b"), (400.0, "a"), (500.0, "c")]
    assert store.settings_within(199.0, 400.0) == [(100.0, "a"), (200.0, "b"), (400.0, "a")]
    assert store.settings_within(300.0, 399.0) == [(300.0, "b")]


def test_the_wall_time_of_a_curve_comes_from_its_newest_dated_sample(store: Store) -> None:
    assert store.utc_less_t_s(POT, 1e9) is None
    for t_s, utc_s in ((200.0, UTC_S + 200.0), (210.0, UTC_S + 215.0), (220.0, None)):
        store.append(POT, Sample(t_s, utc_s))
    store.flush()
    assert store.utc_less_t_s(POT, 1e9) == UTC_S + 5.0
    assert store.utc_less_t_s(POT, 210.0) == UTC_S + 5.0
    assert store.utc_less_t_s(POT, 209.9) == UTC_S
    assert store.utc_less_t_s("buoy", 1e9) is None
