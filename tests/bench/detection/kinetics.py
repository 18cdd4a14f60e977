"""How fast a resin cures and what heat that gives: published forms, scaled to the gel times of resins.yaml.

    d(alpha)/dt = (k1 + k2 alpha^m) (1 - alpha)^n f(alpha),   k = k(23 C) exp(E / R (1/296.15 K - 1/T))

is Kamal and Sourour, Polym. Eng. Sci. 13 (1973) 59; k2 = 0 makes it the n-th order law of Broyer, Macosko,
Critchfield and Lawler, Polym. Eng. Sci. 18 (1978) 382, who measured casting polyurethanes by their adiabatic
temperature rise. f slows an epoxy that turns to glass: Chern and Poehlein, Polym. Eng. Sci. 27 (1987) 788.
Both rate constants of a resin are multiplied by one number, so that at 23 C held constant it gels when
resins.yaml says so; a thick part warms itself and is quicker. alpha: degree of cure, 0 to 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from numpy.typing import NDArray
from scipy.integrate import trapezoid

from potvigil.units import MOLAR_GAS_CONSTANT, TEMPERATURE, TIME

Floats = NDArray[np.float64]

RESINS_YAML = Path(__file__).parents[3] / "daemon/potvigil/resins.yaml"
REFERENCE_K = 296.15
_GLASS_STEEPNESS = 30.0  # from memory: 20 to 50 in the papers that use the form
_CUP_COOLS_S = 1200.0  # a cup of some hundred grams of mixed resin loses its heat to the room; own estimate


@dataclass(frozen=True)
class Family:
    """What resins of a kind have in common.

    heat_j_per_kg: lowest and highest heat of reaction. e1, e2: activation energies, J/mol. k1_share: k1/k2 at
    23 C (None: n-th order, no k2). gels_at, glass_at: degree of cure (glass at 23 C; glass_per_k: more, for
    each kelvin warmer). j_per_kg_k, w_per_m_k, kg_per_m3: of the mixed resin.
    """

    heat_j_per_kg: tuple[float, float]
    e1: float
    e2: float
    k1_share: float | None
    m: float
    n: float
    gels_at: float
    glass_at: float = 9.0
    glass_per_k: float = 0.0
    j_per_kg_k: float = 1800.0
    w_per_m_k: float = 0.20
    kg_per_m3: float = 1100.0


FAMILIES = {
    # Activation energy and heat from memory, in the range of Broyer et al. 1978 and of Lipshitz and Macosko,
    # J. Appl. Polym. Sci. 21 (1977) 2029: second order, 40 to 55 kJ/mol. Autocatalytic besides, the bench's
    # own choice (k1/k2 = 0.1): casting resins keep thin for a third of their gel time, then go quickly.
    # Several reactions run side by side (Dimier et al., Groupe francais de rheologie 2002); one law stands
    # for them. Gel: Flory-Stockmayer, triol and di-isocyanate, 1/sqrt(2).
    "polyurethane": Family((150e3, 250e3), 49e3, 49e3, 0.10, 1.0, 2.0, 0.707),
    # Activation energies: Riccardi, Adabbo and Williams, J. Appl. Polym. Sci. 29 (1984) 2481, DGEBA and
    # ethylenediamine: 14 kcal/mol autocatalytic, 24.5 uncatalysed, second order. k1/k2 at 23 C from memory.
    # Heat: 100-107 kJ per mole of epoxide (from memory: Horie et al., J. Polym. Sci. A-1 8 (1970) 1357) over
    # 220-300 g of mixed resin. Gel: Flory-Stockmayer, diamine and di-epoxide, 1/sqrt(3). Glass from memory:
    # cured at 23 C they stop near three quarters.
    "epoxy": Family(
        (350e3, 480e3), 102.5e3, 58.6e3, 0.02, 1.0, 2.0, 0.577, 0.75, 0.005, 1900.0, 0.20, 1130.0
    ),
    # 40-60 kJ/mol: Worzakowska, J. Appl. Polym. Sci. 102 (2006) 1870, ketone peroxides and cobalt. m + n = 2
    # after Kamal and Sourour; the rest from memory: gels at some hundredths of the cure.
    "polyester": Family((300e3, 400e3), 58e3, 50e3, 0.004, 0.9, 1.1, 0.06, 0.85, 0.002, 1800.0, 0.18, 1150.0),
    # Gypsum hemihydrate stirred with an acrylic dispersion. Setting hardly depends on the temperature; 17-19
    # kJ/mol or 118-133 J per gram of hemihydrate (from memory: Kelley, Southard and Anderson 1941), of which
    # the mix has about 70 %; more if part of it is anhydrite. Rate and setting point from memory.
    "acrylic": Family((85e3, 130e3), 20e3, 20e3, 0.01, 1.0, 1.0, 0.20, 9.0, 0.0, 1700.0, 0.55, 1700.0),
    # Condensation-cured rubber; all from memory: a few crosslinks in long chains, hence little heat.
    "silicone": Family((10e3, 30e3), 55e3, 55e3, None, 0.0, 1.0, 0.6, 9.0, 0.0, 1400.0, 0.25, 1150.0),
}


@dataclass(frozen=True)
class Resin:
    """One of resins.yaml. Times s, at_k: the temperature they are given for."""

    name: str
    family: Family
    working_s: float
    gel_s: float
    at_k: float


@cache
def resins() -> dict[str, Resin]:
    """Return every resin of resins.yaml by its name."""
    written: dict[str, dict[str, str]] = yaml.safe_load(RESINS_YAML.read_text(encoding="utf-8"))
    return {
        name: Resin(
            name,
            FAMILIES[name.split("-")[0]],
            TIME.read(each["working_time"]).si,
            TIME.read(each["gel"]).si,
            TEMPERATURE.read(each["at"]).si,
        )
        for name, each in written.items()
    }


@dataclass(frozen=True)
class Kinetics:
    """Constants of the rate law: numbers for one resin, or columns (n, 1) for many nights."""

    k1: Any  # 1/s at 23 C
    k2: Any
    e1: Any  # J/mol
    e2: Any
    m: Any
    n: Any
    glass_at: Any
    glass_per_k: Any

    def rate_per_s(self, alpha: Floats, resin_k: Floats) -> Floats:
        """Return d(alpha)/dt, 1/s."""
        colder = (1.0 / REFERENCE_K - 1.0 / resin_k) / MOLAR_GAS_CONSTANT
        speed = self.k1 * np.exp(self.e1 * colder) + self.k2 * np.exp(self.e2 * colder) * alpha**self.m
        beyond = alpha - self.glass_at - self.glass_per_k * (resin_k - REFERENCE_K)
        slowed = 1.0 + np.exp(np.minimum(_GLASS_STEEPNESS * beyond, 50.0))
        rate: Floats = speed * (1.0 - alpha) ** self.n / slowed
        return rate

    def after(self, alpha: Floats, resin_k: Floats, step_s: float) -> Floats:
        """Return alpha a step later: it nears 1 and never passes it, however quick the resin."""
        left = np.maximum(1.0 - alpha, 1e-12)
        later: Floats = 1.0 - left * np.exp(-self.rate_per_s(alpha, resin_k) * step_s / left)
        return later


NO_CURE = Kinetics(0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 9.0, 0.0)


def isothermal_s(kinetics: Kinetics, to_alpha: float, resin_k: float) -> float:
    """Return how long the cure takes from nothing to to_alpha at one temperature, s."""
    alpha = to_alpha * np.linspace(0.0, 1.0, 4001) ** 2
    return float(trapezoid(1.0 / kinetics.rate_per_s(alpha, np.full_like(alpha, resin_k)), alpha))


@cache
def kinetics_of(name: str) -> Kinetics:
    """Return the constants with which that resin gels at its gel time."""
    resin = resins()[name]
    family = resin.family
    share = family.k1_share
    unscaled = Kinetics(
        k1=1.0 if share is None else share,
        k2=0.0 if share is None else 1.0,
        e1=family.e1,
        e2=family.e2,
        m=family.m,
        n=family.n,
        glass_at=family.glass_at,
        glass_per_k=family.glass_per_k,
    )
    scale = isothermal_s(unscaled, family.gels_at, resin.at_k) / resin.gel_s
    return replace(unscaled, k1=unscaled.k1 * scale, k2=unscaled.k2 * scale)


def stacked(each: Sequence[Kinetics]) -> Kinetics:
    """Return many nights' constants as columns (n, 1)."""
    names = Kinetics.__dataclass_fields__
    return Kinetics(**{name: np.array([getattr(one, name) for one in each])[:, None] for name in names})


def in_the_cup(
    kinetics: Kinetics, heat_k: Floats, standing_s: Floats, start_k: Floats
) -> tuple[Floats, Floats]:
    """Return the degree of cure and the warming, K, of resins mixed standing_s ago; all columns (n, 1).

    heat_k: adiabatic temperature rise of the full cure.
    """
    alpha, warmer_k = np.zeros_like(standing_s), np.zeros_like(standing_s)
    steps = 400
    for _ in range(steps):
        step_s = standing_s / steps
        later = kinetics.after(alpha, start_k + warmer_k, step_s)
        warmer_k = (warmer_k + heat_k * (later - alpha)) * np.exp(-step_s / _CUP_COOLS_S)
        alpha = later
    return alpha, warmer_k
