"""What is odd about a night: each kind is one thing workshops do that the detection bench does not draw."""

from collections.abc import Callable
from math import exp, pi, sin

from night import FILL_AT_S, HOUR, PSI, Casting, Hand, Night, fill, valve_mm2

KINDS: dict[str, Callable[[Night], None]] = {}
MINUTE = 60.0


def kind(name: str) -> Callable[[Callable[[Night], None]], Callable[[Night], None]]:
    def keep(make: Callable[[Night], None]) -> Callable[[Night], None]:
        KINDS[name] = make
        return make

    return keep


# -- fills ---------------------------------------------------------------------------------------------------


@kind("usual")
def _usual(night: Night) -> None:
    """Nothing odd: the control."""


@kind("filled in steps with pauses")
def _steps(night: Night) -> None:
    levels, at_s = night.random.choice(((0.33, 0.66, 1.0), (0.5, 1.0), (0.8, 1.0))), FILL_AT_S
    night.hands = []
    for level in levels:
        night.hands.append(fill(night, 90.0, level * night.working_pa, at_s))
        at_s += night.random.uniform(2.0, 8.0) * MINUTE


@kind("small compressor, 8-25 min")
def _slow(night: Night) -> None:
    takes_s = night.random.uniform(8.0, 25.0) * MINUTE
    night.hands = [fill(night, takes_s)]


@kind("hot air from the compressor")
def _hot(night: Night) -> None:
    night.hands[0].air_k += night.random.uniform(15.0, 35.0)


@kind("overfilled and bled")
def _bled(night: Night) -> None:
    over_pa = night.working_pa + night.random.uniform(2.0, 8.0) * PSI
    bled_s = FILL_AT_S + 300.0 + night.random.uniform(0.3, 6.0) * MINUTE
    night.hands = [
        fill(night, 100.0, over_pa),
        Hand(bled_s, bled_s + HOUR, night.working_pa, None, night.random.uniform(0.5, 4.0)),
    ]


@kind("topped up after 10-40 min")
def _topped_up(night: Night) -> None:
    at_s = FILL_AT_S + night.random.uniform(10.0, 40.0) * MINUTE
    night.hands[0].mm2 = valve_mm2(night, 40.0)
    night.hands.append(fill(night, 60.0, at_s=at_s))


@kind("on the regulator at first, then shut")
def _regulator(night: Night) -> None:
    until_s = FILL_AT_S + night.random.uniform(5.0, 20.0) * MINUTE
    mm2 = valve_mm2(night, night.random.uniform(40.0, 120.0), line_pa=night.working_pa)
    night.hands = [Hand(FILL_AT_S, until_s, None, night.working_pa, mm2)]


@kind("20, 40 or 80 psi")
def _other_psi(night: Night) -> None:
    night.psi = night.random.choice((20.0, 40.0, 80.0))
    night.hands = [fill(night, 120.0)]


@kind("bled a little and refilled in mid-hold")
def _reopened(night: Night) -> None:
    at_s = night.random.uniform(1.0, 5.0) * HOUR
    night.hands += [
        Hand(at_s, at_s + HOUR, 0.5 * night.working_pa, None, 3.0),
        fill(night, 90.0, at_s=at_s + 300.0),
    ]


@kind("two pours: vented, opened, filled again")
def _two_pours(night: Night) -> None:
    at_s = FILL_AT_S + night.random.uniform(20.0, 70.0) * MINUTE
    night.hands += [
        Hand(at_s, at_s + 900.0, None, None, 12.0),
        fill(night, 90.0, at_s=at_s + night.random.uniform(16.0, 40.0) * MINUTE),
    ]
    night.castings.append(Casting(1.5 * night.castings[0].joules, at_s + 600.0, 1500.0, 4.0))


@kind("vented slowly by a needle valve")
def _slowly(night: Night) -> None:
    night.hands.append(Hand(10.4 * HOUR, 11.5 * HOUR, None, None, night.random.uniform(0.2, 0.8)))
    night.end_s = 11.5 * HOUR


@kind("hold ended early, no gel time given")
def _ended_early(night: Night) -> None:
    at_s = night.random.uniform(5.0, 9.9) * HOUR
    night.hands.append(Hand(at_s, at_s + HOUR, None, None, 12.0))
    night.end_s = at_s + 0.5 * HOUR


@kind("watch switched on under pressure")
def _late(night: Night) -> None:
    night.pauses = [(-1.0, FILL_AT_S + night.random.choice((5.0, 20.0, 60.0, 180.0)) * MINUTE)]


@kind("regulated, with its stick and slip")
def _regulated(night: Night) -> None:
    night.supply = "regulated"
    night.band_pa = night.random.uniform(0.1, 0.8) * PSI


@kind("taught by nights with other moulds")
def _taught(night: Night) -> None:
    night.taught = 3


@kind("vented in two stages at the end")
def _stages(night: Night) -> None:
    at_s = 10.4 * HOUR
    night.hands += [
        Hand(at_s, at_s + 900.0, 0.5 * night.working_pa, None, 1.5),
        Hand(at_s + 600.0, at_s + 1800.0, None, None, 1.5),
    ]
    night.end_s = 10.9 * HOUR


# -- what is round the pot -----------------------------------------------------------------------------------


@kind("heat mat on a thermostat")
def _mat(night: Night) -> None:
    period_s, share = night.random.uniform(5.0, 30.0) * MINUTE, night.random.uniform(0.3, 0.7)
    base_j = night.base_share * night.steel_j
    watts = night.random.uniform(1.0, 6.0) * base_j / (period_s * share * (1.0 - share))
    watts = min(watts, 60.0 / share * (night.volume_m3 / 0.02) ** 0.67)  # 20 to 30 K over the room is much
    night.mat_w = lambda t_s: watts if t_s / period_s % 1.0 < share else 0.0
    night.floor_w = 0.3


@kind("heated cabinet on a thermostat")
def _cabinet(night: Night) -> None:
    period_s, swing_k = night.random.uniform(5.0, 30.0) * MINUTE, night.random.uniform(1.0, 6.0)
    mean_c = night.random.uniform(25.0, 35.0)

    def room_c(t_s: float) -> float:
        u = t_s / period_s % 1.0
        return mean_c + swing_k * (-0.5 + (u / 0.3 if u < 0.3 else (1.0 - u) / 0.7))

    night.room_c = room_c


@kind("air conditioner, 1-2 K")
def _conditioner(night: Night) -> None:
    period_s, swing_k = night.random.uniform(8.0, 25.0) * MINUTE, night.random.uniform(1.0, 2.0)
    mean_c = night.random.uniform(20.0, 25.0)
    night.room_c = lambda t_s: mean_c + swing_k * (abs(2.0 * (t_s / period_s % 1.0) - 1.0) - 0.5)


@kind("carried to another room after the fill")
def _carried(night: Night) -> None:
    at_s = FILL_AT_S + night.random.uniform(5.0, 90.0) * MINUTE
    by_k, before_c = night.random.choice((-1, 1)) * night.random.uniform(4.0, 10.0), night.room_c
    night.room_c = lambda t_s: before_c(t_s) + (by_k if t_s > at_s else 0.0)


@kind("morning sun, and clouds")
def _sun(night: Night) -> None:
    watts, phase = night.random.uniform(40.0, 150.0), night.random.uniform(0.0, 6.0)
    from_s = night.random.uniform(7.0, 8.5) * HOUR

    def sun_w(t_s: float) -> float:
        u = (t_s - from_s) / HOUR
        clouds = 1.0 if sin(2 * pi * t_s / 1700.0 + phase) + sin(2 * pi * t_s / 3100.0) > -0.4 else 0.15
        return watts * min(max(u / 0.5, 0.0), 1.0) * clouds

    night.sun_w = sun_w
    room_c = night.room_c
    night.room_c = lambda t_s: room_c(t_s) + 2.0 * max(t_s - from_s, 0.0) / HOUR


@kind("door open for ten minutes in winter")
def _door(night: Night) -> None:
    opened = [night.random.uniform(0.5, 9.0) * HOUR for _ in range(night.random.randint(1, 3))]
    by_k, room_c = night.random.uniform(4.0, 10.0), night.room_c

    def cold_k(since_s: float) -> float:
        if since_s < 0.0:
            return 0.0
        shut_s = max(since_s - 600.0, 0.0)
        return by_k * (1.0 - exp(-min(since_s, 600.0) / 150.0)) * exp(-shut_s / 900.0)

    night.room_c = lambda t_s: room_c(t_s) - sum(cold_k(t_s - at_s) for at_s in opened)


@kind("fan switched on, and off")
def _fan(night: Night) -> None:
    at_s, until_s = night.random.uniform(0.5, 4.0) * HOUR, night.random.uniform(5.0, 9.0) * HOUR
    by = night.random.uniform(2.0, 5.0)
    night.fan = lambda t_s: by if at_s < t_s < until_s else 1.0


@kind("heating off at night, on in the morning")
def _setback(night: Night) -> None:
    off_s, on_s = night.random.uniform(0.0, 3.0) * HOUR, night.random.uniform(7.5, 9.0) * HOUR
    pace_s, falls_k = night.random.uniform(1.0, 4.0) * HOUR, night.random.uniform(4.0, 9.0)

    def room_c(t_s: float) -> float:
        at_on = 21.0 - falls_k * (1.0 - exp(-max(min(t_s, on_s) - off_s, 0.0) / pace_s))
        return at_on + max(t_s - on_s, 0.0) / HOUR * 4.0

    night.room_c = room_c


@kind("wood stove burning out")
def _stove(night: Night) -> None:
    pace_s, falls_k = night.random.uniform(1.5, 4.0) * HOUR, night.random.uniform(8.0, 15.0)
    from_s = night.random.uniform(0.0, 2.0) * HOUR
    night.room_c = lambda t_s: 26.0 - falls_k * (1.0 - exp(-max(t_s - from_s, 0.0) / pace_s))


@kind("on cold concrete")
def _concrete(night: Night) -> None:
    night.floor_w = night.random.uniform(1.0, 4.0) * (night.volume_m3 / 0.02) ** 0.67
    colder_k, room_c = night.random.uniform(4.0, 10.0), night.room_c(0.0)
    night.floor_c = lambda _: room_c - colder_k


@kind("weather front, 10 hPa in 2 h")
def _front(night: Night) -> None:
    at_s, by_pa = night.random.uniform(1.0, 7.0) * HOUR, night.random.choice((-1, 1)) * 1000.0
    night.outside_pa = lambda t_s: 100_500.0 + by_pa * min(max((t_s - at_s) / (2 * HOUR), 0.0), 1.0)


@kind("weather front without a barometer")
def weather_front_unseen(night: Night) -> None:
    _front(night)
    night.has_barometer = False


# -- pots ----------------------------------------------------------------------------------------------------


@kind("aluminium pot")
def _aluminium(night: Night) -> None:
    night.steel_j, night.along_w = 0.6 * night.steel_j, 8.0


@kind("thick steel, 35 kg")
def _thick(night: Night) -> None:
    night.steel_j, night.along_w = 17_000.0 * (night.volume_m3 / 0.02) ** 0.8, 5.0


def _resize(night: Night, litres: float) -> None:
    by = 1e-3 * litres / night.volume_m3
    night.volume_m3 *= by
    night.contents_m3 *= by
    night.steel_j *= by**0.8
    night.floor_w *= by**0.67
    night.castings[0].joules *= by
    night.hands = [fill(night, 90.0)]


@kind("5 L")
def _small(night: Night) -> None:
    _resize(night, 5.0)


@kind("60 L")
def _large(night: Night) -> None:
    _resize(night, 60.0)


@kind("80 % full")
def _full(night: Night) -> None:
    night.contents_m3 = night.random.uniform(0.6, 0.8) * night.volume_m3
    night.thickness_m = night.random.uniform(0.05, 0.12)
    night.hands = [fill(night, 60.0)]


@kind("water in the pot")
def _water(night: Night) -> None:
    night.solids_j = 4.2e6 * night.random.uniform(0.05, 0.2) * night.volume_m3


@kind("empty pot, contents unset")
def _empty(night: Night) -> None:
    night.contents_m3, night.castings, night.taken_share = 0.0, [], 0.0
    night.said_contents = None
    night.hands = [fill(night, 120.0)]


@kind("volumes said wrongly")
def _wrong(night: Night) -> None:
    night.said_volume = night.random.choice((0.8, 1.2))
    night.said_contents = night.random.choice((None, 0.5, 2.0))


@kind("gasket creeps")
def _creep(night: Night) -> None:
    night.creep_share = night.random.uniform(0.0002, 0.001)


@kind("hose and tank in the room's air")
def _hose(night: Night) -> None:
    night.hose_share = night.random.uniform(0.02, 0.06)
