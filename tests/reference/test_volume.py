"""Gas volume from a known flow and a known vessel: a published example, CoolProp, a Monte Carlo."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from potvigil.diagnosis.volume import (
    Measured,
    State,
    VolumeError,
    by_flow,
    by_vessel,
    flow_mol_per_s,
    into_vessel,
)

PSI, ATMOSPHERE_PA, R = 6894.757293168361, 101_325.0, 8.314462618


def density(pa: float, kelvin: float) -> float:
    """Return mol/m3 by the reference equation of state (Lemmon et al. 2000)."""
    return float(PropsSI("Dmolar", "P", pa, "T", kelvin, "Air"))


def test_the_epas_vacuum_decay_example_gives_back_its_volume() -> None:
    # 40 CFR 1065.644: 2.0000 L, 25.300 to 50.600 kPa at 293.15 K in 70 s: 2.96570e-4 mol/s (recomputed)
    middle_pa = 0.5 * (25_300.0 + 50_600.0)
    share = (50_600.0 - 25_300.0) / 70.0 / middle_pa
    gas = State(Measured(middle_pa), Measured(293.15))
    found = by_flow(Measured(2.96570e-4), Measured(share), Measured(0.0), gas)
    assert found.value == pytest.approx(2.0e-3, rel=3e-4)  # the regulation takes the air for ideal


def test_a_flow_depends_on_its_reference_conditions() -> None:
    # 1 cm3/min at 101325 Pa: 7.435839e-7 mol/s at 0 C, 6.928533e-7 at 20 C (ideal gas, SI)
    one = Measured(1e-6 / 60.0, 1e-8 / 60.0)
    assert flow_mol_per_s(one, 273.15).value == pytest.approx(7.435839e-7, rel=1e-3)
    assert flow_mol_per_s(one, 293.15).value == pytest.approx(6.928533e-7, rel=1e-3)
    assert flow_mol_per_s(one, 293.15).share == pytest.approx(0.01)


def truth(pot_m3: float, vessel_m3: float, kelvin: float) -> tuple[float, float, float]:
    full, before = density(60 * PSI + ATMOSPHERE_PA, kelvin), density(ATMOSPHERE_PA, kelvin)
    after = (full * vessel_m3 + before * pot_m3) / (vessel_m3 + pot_m3)
    return (
        60 * PSI + ATMOSPHERE_PA, ATMOSPHERE_PA,
        float(PropsSI("P", "Dmolar", after, "T", kelvin, "Air")),
    )  # fmt: skip


@pytest.mark.parametrize("kelvin", [283.15, 303.15])
def test_a_vessel_let_in_gives_the_volume_with_real_air(kelvin: float) -> None:
    states = [State(Measured(pa, 10.0), Measured(kelvin)) for pa in truth(0.0173, 0.002, kelvin)]
    assert by_vessel(Measured(0.002), *states).value == pytest.approx(0.0173, rel=3e-4)


def test_errors_of_the_vessel_propagate_as_in_a_monte_carlo() -> None:
    random = np.random.default_rng(5)
    pressures, kelvin = truth(0.020, 0.002, 293.15), 293.15
    told = by_vessel(
        Measured(0.002, 2e-5), *(State(Measured(pa, 300.0), Measured(kelvin, 0.2)) for pa in pressures)
    )
    drawn = [
        by_vessel(
            Measured(random.normal(0.002, 2e-5)),
            *(
                State(Measured(random.normal(pa, 300.0)), Measured(random.normal(kelvin, 0.2)))
                for pa in pressures
            ),
        ).value
        for _ in range(8000)
    ]
    assert told.sigma == pytest.approx(np.std(drawn), rel=0.04)
    assert told.value == pytest.approx(np.mean(drawn), rel=0.002)


@pytest.mark.parametrize("kelvin", [283.15, 303.15])
def test_a_filled_pot_opened_to_a_vessel_gives_its_volume(kelvin: float) -> None:
    # the roles changed: the pot is what was full
    states = [State(Measured(pa, 10.0), Measured(kelvin)) for pa in truth(0.002, 0.0173, kelvin)]
    full, outside, after = states
    assert into_vessel(Measured(0.002), full, after, outside).value == pytest.approx(0.0173, rel=3e-4)


def test_errors_of_the_opened_pot_propagate_as_in_a_monte_carlo() -> None:
    random = np.random.default_rng(7)
    full_pa, outside_pa, after_pa = truth(0.002, 0.020, 293.15)

    def found(vessel: float, *pressures: float) -> float:
        states = [State(Measured(pa), Measured(293.15)) for pa in pressures]
        return into_vessel(Measured(vessel), *states).value

    pressures = (full_pa, after_pa, outside_pa)
    told = into_vessel(
        Measured(0.002, 2e-5), *(State(Measured(pa, 300.0), Measured(293.15)) for pa in pressures)
    )
    drawn = [
        found(random.normal(0.002, 2e-5), *(random.normal(pa, 300.0) for pa in pressures))
        for _ in range(8000)
    ]
    assert told.sigma == pytest.approx(np.std(drawn), rel=0.04)


def test_errors_of_the_flow_propagate_as_in_a_monte_carlo() -> None:
    random = np.random.default_rng(6)

    def found(flow: Measured, rate: Measured, own: Measured, pa: Measured, kelvin: Measured) -> Measured:
        return by_flow(flow, rate, own, State(pa, kelvin))

    pairs = [(1.8e-5, 3e-7), (6e-6, 1e-7), (6e-7, 1.5e-7), (515_000.0, 2000.0), (293.15, 1.0)]
    told = found(*(Measured(*pair) for pair in pairs))
    drawn = [found(*(Measured(random.normal(*pair)) for pair in pairs)).value for _ in range(8000)]
    assert told.sigma == pytest.approx(np.std(drawn), rel=0.04)


def test_too_small_a_change_gives_no_volume() -> None:
    kelvin = Measured(293.15, 0.2)
    flat = [State(Measured(pa, 500.0), kelvin) for pa in (60 * PSI + ATMOSPHERE_PA, 101_325.0, 103_000.0)]
    with pytest.raises(VolumeError, match="too small"):
        by_vessel(Measured(0.001), *flat)
    with pytest.raises(VolumeError, match="too small for this transducer"):
        into_vessel(
            Measured(0.0001), flat[0], State(Measured(60 * PSI + ATMOSPHERE_PA - 2e3, 500.0), kelvin), flat[1]
        )
    with pytest.raises(VolumeError, match="hardly shows"):
        by_flow(Measured(1e-5), Measured(1.1e-6, 1e-7), Measured(1.0e-6, 1e-7), flat[0])
