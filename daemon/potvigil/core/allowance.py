"""How far the gas may miss what a thermometer says, place by place: the constants of the leak estimate.

Everything is a share of the absolute temperature, 1 sigma; one kelvin is 0.0034. The figures are what the
physics of a pot of 8 to 50 L bounds: the gas hangs between wall and contents (0.3 to 0.6 of the way to the
contents, which trail the wall by half an hour to three hours), and the whole pot trails the room by one to
three hours.
"""

from dataclasses import dataclass
from math import inf

from potvigil.core.reading import Place


@dataclass(frozen=True, slots=True)
class Lag:
    """A share of the thermometer's movement that the gas does not follow, mean and 1 sigma.

    Movement here is the thermometer (or the lag before it in the list) less its average over the past
    `over_s`; over_s infinite: less what it was before the fill.
    """

    over_s: float
    share: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Allowance:
    """slow, fast: wandering over hours and over minutes. heat: of the resin, too gentle to be seen as a rise;
    heat_share: what may be missed of the rise that the thermometer itself shows.
    transient, soak: what the fill may leave behind, dying away over minutes and over an hour. stirred_s: time
    constant of what no such law describes: a probe in the gas is past it soon, wall and room must wait for
    the contents.
    """

    slow: float
    fast: float
    heat: float
    heat_share: float
    transient: float
    soak: float
    stirred_s: float
    lags: tuple[Lag, Lag, Lag]


_NO_LAGS = (Lag(1200.0, 0.0, 0.0), Lag(4000.0, 0.0, 0.0), Lag(inf, 0.0, 0.0))

ALLOWANCES: dict[Place, Allowance] = {
    # the probe trails the gas by half a minute or so; gradient and transducer drift make up the last 3 %
    Place.GAS: Allowance(
        slow=0.0005,
        fast=0.0002,
        heat=0.0003,
        heat_share=0.05,
        transient=0.003,
        soak=0.0005,
        stirred_s=80.0,
        lags=(Lag(60.0, 0.7, 0.5), Lag(200.0, 0.0, 0.2), Lag(inf, 0.0, 0.03)),
    ),
    Place.WALL: Allowance(
        slow=0.0005,
        fast=0.0003,
        heat=0.0007,
        heat_share=0.0,
        transient=0.03,
        soak=0.005,
        stirred_s=250.0,
        lags=(Lag(1800.0, -0.4, 0.3), Lag(6000.0, -0.3, 0.25), Lag(inf, 0.0, 0.03)),
    ),
    Place.ROOM: Allowance(
        slow=0.0012,
        fast=0.0005,
        heat=0.0012,
        heat_share=0.0,
        transient=0.03,
        soak=0.01,
        stirred_s=250.0,
        lags=(Lag(1200.0, -0.95, 0.1), Lag(4000.0, -0.7, 0.25), Lag(13000.0, -0.3, 0.25)),
    ),
}


def allowance_without_thermometer(room_swing_k: float) -> Allowance:
    """Return the allowance for a pot that room and resin may warm or cool by so many kelvin in a night."""
    return Allowance(
        slow=room_swing_k / 3.0 / 293.0,
        fast=0.001,
        heat=0.0,
        heat_share=0.0,
        transient=0.03,
        soak=0.03,
        stirred_s=250.0,
        lags=_NO_LAGS,
    )


def allowance_for(place: Place | None, room_swing_k: float) -> Allowance:
    """Return the allowance for a thermometer at that place, or for none."""
    return allowance_without_thermometer(room_swing_k) if place is None else ALLOWANCES[place]
