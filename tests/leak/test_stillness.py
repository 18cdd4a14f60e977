"""When a constant pressure means a blocked port or a stuck sensor: every constant, every boundary."""

from types import SimpleNamespace
from typing import Any

import pytest

from potvigil.leak import blocked_port, pressure_checks
from potvigil.leak.blocked_port import LEAK_K_PER_S, Stillness
from potvigil.leak.pot_model import T0_K
from potvigil.leak.pressure_checks import Doubt
from potvigil.model.pot import Pot, Supply, Transducer
from potvigil.model.reading import Place, Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from shut_pot import ATMOSPHERE_PA, PSI, pot

GAS = {Place.GAS: 293.15}


class Scene:
    """A blocked-port check with a scripted model and bins: K of T0 ln p, from a pressure of 0 K."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.should_k, self.sigma_k = 0.0, 0.0
        self.said: list[str] = []
        self.bins: list[Any] = []
        bank = SimpleNamespace(
            carry=lambda s: self.said.append(f"carry {s:g}"),
            see_probe=lambda place, kelvin, steps_k2: self.said.append(f"see {place} {kelvin:g}"),
            pin_air=lambda kelvin: self.said.append(f"pin {kelvin:g}"),
            reopen=lambda share: self.said.append(f"reopen {share:g}"),
            air_ahead=lambda: (self.should_k, self.sigma_k),
        )
        monkeypatch.setattr(blocked_port, "bank_for", lambda of: bank)
        monkeypatch.setattr(
            blocked_port,
            "BinSum",
            lambda span_s, steps: SimpleNamespace(take=lambda *_: self.bins.pop(0), drop=lambda: None),
        )
        self.of = Stillness(pot(), BeforeFill())
        self.see(0.0)

    def see(
        self, t_s: float, air_k: float = 0.0, gauge_k: float | None = None, noise_k: float = 0.0, **more: Any
    ) -> float | None:
        """Complete a bin; gauge_k: how far the gauge moved, None for as far as the air."""
        went_k = air_k if gauge_k is None else gauge_k
        known = {
            "t_s": t_s,
            "absolute_pa": 2.0 * T0_K,  # so that two Pa gauge are a kelvin
            "gauge_pa": 2.0 * went_k,
            "air_k": air_k,
            "noise_variance": (noise_k / T0_K) ** 2,
            "kelvin": GAS,
            "warmed_k": lambda before: {Place.GAS: 1.5},
            "steps_k2": {},
        }
        self.bins.append(SimpleNamespace(**(known | more)))
        self.of.update(SimpleNamespace(), T0_K, 0.0)  # type: ignore[arg-type]
        return self.of.should_have_k


@pytest.fixture
def scene(monkeypatch: pytest.MonkeyPatch) -> Scene:
    return Scene(monkeypatch)


def test_the_constants_of_blocked_port_are_pinned() -> None:
    assert (blocked_port.BIN_S, blocked_port.FROM_S, blocked_port.STOOD_S) == (180.0, 900.0, 900.0)
    assert (blocked_port.SIGMAS, blocked_port.NOISE_SIGMAS) == (4.5, 6.0)
    assert (blocked_port.STILL_SHARE, blocked_port.LEAST_K) == (0.2, 0.06)
    # 0.5 psi of 75 psi absolute an hour
    assert pytest.approx(0.5 / 75.0 * T0_K) == LEAK_K_PER_S * 3600.0


def test_each_bin_advances_the_model_and_shows_it_the_thermometers(scene: Scene) -> None:
    assert scene.said == ["carry 0", "see gas 1.5", "pin 0"]
    scene.said.clear()
    scene.see(180.0, air_k=-0.5)
    assert scene.said == [
        "carry 180",
        "see gas 1.5",
        "pin -0.5",
    ]  # too early to judge: it follows the pressure
    scene.of.top_up(0.1)
    assert scene.said[3:] == ["reopen 0.1"]


@pytest.mark.parametrize(("t_s", "told"), [(900.0, None), (901.0, -3.0)])
def test_a_blocked_port_is_reported_no_sooner_than_15_minutes_after_the_fill(
    scene: Scene, t_s: float, told: float | None
) -> None:
    scene.should_k = -3.0
    assert scene.see(t_s) == told


def test_a_thermometer_change_within_15_minutes_is_not_trusted(scene: Scene) -> None:
    scene.see(1000.0, air_k=-0.5)  # it moves
    scene.should_k = -3.5
    assert scene.see(1900.0, air_k=-0.5) is None
    assert scene.see(1901.0, air_k=-0.5) == -3.0
    assert scene.see(1902.0, air_k=-0.5, kelvin={}) is None  # unknown without a thermometer


def test_a_top_up_restarts_the_age(scene: Scene) -> None:
    scene.should_k = -3.0
    assert scene.see(2000.0) == -3.0
    scene.of.top_up(0.1)
    assert scene.see(2180.0) is None
    assert scene.see(2901.0) is None  # constant for 721 s
    assert scene.see(3081.0) == -3.0


@pytest.mark.parametrize(
    ("sigma_k", "noise_k", "told"),
    [(0.66, 0.0, True), (0.67, 0.0, False), (0.0, 0.66, True), (0.0, 0.67, False), (0.5, 0.5, False)],
)
def test_a_blocked_port_is_reported_beyond_four_and_a_half_sigmas(
    scene: Scene, sigma_k: float, noise_k: float, told: bool
) -> None:
    scene.should_k, scene.sigma_k = -3.0, sigma_k
    assert (scene.see(2000.0, noise_k=noise_k) is not None) is told


@pytest.mark.parametrize(
    ("should_k", "told"),
    [(-0.5, True), (4.49 * LEAK_K_PER_S * 2000.0, False), (4.51 * LEAK_K_PER_S * 2000.0, True)],
)
def test_a_leak_may_cancel_a_warming_but_not_a_cooling(scene: Scene, should_k: float, told: bool) -> None:
    """Beyond 4.5 times what half a psi an hour takes in 2000 s."""
    scene.should_k = should_k
    assert (scene.see(2000.0) is not None) is told


@pytest.mark.parametrize(
    ("moved_k", "should_k", "noise_k", "told"),
    [
        (0.59, -3.0, 0.0, True),  # below a fifth of it
        (0.601, -3.0, 0.0, False),
        (-0.59, -3.0, 0.0, True),
        (0.059, -0.4, 0.0, True),
        (0.7, -3.0, 0.12, False),  # within the noise, and still further than a fifth
    ],
)
def test_less_than_a_fifth_of_the_expected_movement_is_no_movement(
    scene: Scene, moved_k: float, should_k: float, noise_k: float, told: bool
) -> None:
    scene.should_k = should_k
    assert (scene.see(2000.0, air_k=moved_k, noise_k=noise_k) is not None) is told


@pytest.mark.parametrize(
    ("moved_k", "noise_k", "stands"),
    [(0.059, 0.0, True), (0.06, 0.0, False), (0.59, 0.1, True), (0.601, 0.1, False)],
)
def test_movement_within_0_01_psi_or_six_sigmas_of_noise_is_no_movement(
    scene: Scene, moved_k: float, noise_k: float, stands: bool
) -> None:
    scene.see(1000.0)
    scene.said.clear()
    scene.see(2000.0, air_k=moved_k, noise_k=noise_k)
    assert (f"pin {moved_k:g}" not in scene.said) is stands


def test_a_constant_gauge_under_a_moving_barometer_is_no_movement(scene: Scene) -> None:
    scene.should_k = -3.0
    assert scene.see(2000.0, air_k=1.0, gauge_k=0.0) == -3.0
    assert scene.see(2180.0, air_k=0.0, gauge_k=1.0) == -3.0
    assert scene.see(2200.0, air_k=1.0, gauge_k=0.5) == -3.0
    assert scene.see(2360.0, air_k=1.0, gauge_k=1.0) is None


def test_a_pressure_that_moved_and_returned_has_moved(scene: Scene) -> None:
    scene.should_k, scene.sigma_k = -1.0, 1.0  # not reported yet
    for t_s, air_k in ((1000.0, 0.19), (1180.0, 0.19), (1360.0, -0.15), (1540.0, -0.15)):
        assert scene.see(t_s, air_k=air_k) is None
    scene.sigma_k = 0.0
    assert scene.see(2000.0) is None  # from 0.19 to -0.15: a third of what it should have done
    scene.should_k = -3.0
    assert scene.see(2180.0) == -3.0
    scene.should_k = -1.0
    assert scene.see(2360.0) == -1.0  # once reported, that does not clear it


# --- an unchanging reading


FINE = Transducer(volts_per_count=1e-4, span_pa=7e5)


def reading(t_s: float, pa: float, gas_k: float | None = 293.15) -> Reading:
    return Reading(t_s, None, pa - ATMOSPHERE_PA, pa, ATMOSPHERE_PA, gas_k, None, None, Quality.GOOD)


def stuck(of: Pot, until_s: float, gas_k: float | None, step_s: float = 60.0) -> str | None:
    """Repeat one reading for so long; the gas goes from 293.15 K to gas_k with the second reading."""
    doubt = Doubt(of, BeforeFill())
    doubt._stillness = None
    t_s = 0.0
    doubt.update(reading(t_s, 75 * PSI, None if gas_k is None else 293.15), 200.0)
    while t_s < until_s:
        t_s += step_s
        doubt.update(reading(t_s, 75 * PSI, gas_k), 200.0)
    return doubt.reason


@pytest.mark.parametrize(
    ("of", "until_s", "gas_k", "minutes"),
    [
        (pot(transducer=FINE), 1140.0, 294.0, None),
        (pot(transducer=FINE), 1200.0, 294.0, 20),
        (pot(transducer=FINE), 1500.0, 294.0, 25),
        (pot(transducer=FINE), 1200.0, 293.44, None),  # not by more than 0.3 K
        (pot(transducer=FINE), 3540.0, 293.15, None),
        (pot(transducer=FINE), 3600.0, 293.15, 60),
        (pot(transducer=FINE), 3600.0, None, 60),
        (pot(transducer=None), 5400.0, 293.15, 90),
    ],
)
def test_an_unchanging_reading_is_reported_with_its_minutes(
    of: Pot, until_s: float, gas_k: float | None, minutes: int | None
) -> None:
    said = None if minutes is None else f"it has read exactly the same for {minutes} min: stuck"
    assert stuck(of, until_s, gas_k) == said


@pytest.mark.parametrize(
    ("step_k", "gas_k", "until_s", "told"),
    [
        (0.099, 293.15, 3600.0, True),
        (0.101, 293.15, 7200.0, False),  # too coarse for noise to move it
        (0.2, 293.15 + 0.59, 1200.0, False),  # less than three of its steps
        (0.2, 293.15 + 0.61, 1200.0, True),
    ],
)
def test_a_coarse_converter_is_stuck_only_where_a_thermometer_moved(
    monkeypatch: pytest.MonkeyPatch, step_k: float, gas_k: float, until_s: float, told: bool
) -> None:
    doubt = Doubt(pot(), BeforeFill())
    doubt._step_pa = step_k * 75 * PSI / gas_k
    doubt._stillness = None
    doubt.update(reading(0.0, 75 * PSI), 200.0)
    for t_s in range(60, int(until_s) + 1, 60):
        doubt.update(reading(float(t_s), 75 * PSI, gas_k), 200.0)
    assert (doubt.reason is not None) is told


def test_the_constants_of_pressure_checks_are_pinned() -> None:
    names = "NOISE_GROWTH NOISE_FLOOR NOISE_WATCH_S NOISE_FOR_S RESTLESS_FOR_S RISE_SHARE UNSEEN_RISE_SHARE"
    names += " STUCK_S STUCK_MOVED_K STUCK_STEPS STUCK_WITHOUT_S FINE_STEP_K"
    assert [getattr(pressure_checks, name) for name in names.split()] == [
        *(8.0, 0.00015, 600.0, 60.0, 120.0, 0.08, 0.16, 1200.0, 0.3, 3.0, 3600.0, 0.1)
    ]
    assert Doubt(pot(supply=Supply.REGULATED), BeforeFill())._stillness is None
