"""What is odd about what stands in the pot, about its sensors, and about what is said of the batch."""

from math import pi, sin

from kinds import KINDS, MINUTE, kind, weather_front_unseen
from night import HOUR, PSI, Casting, Night, fill, log_uniform

from potvigil.model.events import Action, Command, Detail

# -- contents ------------------------------------------------------------------------------------------------


@kind("quick resin, strong")
def _quick(night: Night) -> None:
    kg = 1100.0 * night.contents_m3 * night.random.uniform(0.2, 0.45)
    night.castings = [Casting(kg * 300e3, 120.0, night.random.uniform(300.0, 900.0), 6.0)]
    night.resin = night.random.choice((None, "polyurethane-quick"))


@kind("quick resin in a pot 60 % full")
def _quick_full(night: Night) -> None:
    night.contents_m3, night.thickness_m = 0.6 * night.volume_m3, 0.04
    night.hands = [fill(night, 60.0)]
    kg = 1100.0 * night.contents_m3 * night.random.uniform(0.2, 0.35)
    night.castings = [Casting(kg * 300e3, 120.0, night.random.uniform(300.0, 1200.0), 6.0)]


@kind("several castings, one after another")
def _several(night: Night) -> None:
    kg = 1100.0 * night.contents_m3 * night.random.uniform(0.1, 0.15)
    mixed_s = (-900.0, -300.0, 100.0)
    night.castings = [Casting(kg * 280e3, at_s, night.random.uniform(900.0, 5400.0), 4.0) for at_s in mixed_s]


@kind("slow epoxy, peak after 5-8 h")
def _slow_epoxy(night: Night) -> None:
    kg = 1100.0 * night.contents_m3 * night.random.uniform(0.2, 0.45)
    night.castings = [Casting(kg * 350e3, -600.0, night.random.uniform(5.0, 8.0) * HOUR, 8.0)]
    night.resin = night.random.choice((None, "epoxy-casting"))


@kind("mould from the oven, 50 C")
def _oven(night: Night) -> None:
    night.warmer_k = night.random.uniform(20.0, 32.0)


@kind("mould from the fridge")
def _fridge(night: Night) -> None:
    night.warmer_k = night.random.uniform(-15.0, -6.0)


@kind("silicone takes up air by its solubility")
def _soak(night: Night) -> None:
    night.soak, night.taken_share = night.random.uniform(0.06, 0.11), 0.0


@kind("uptake 0.5-1 % of the air")
def _taken(night: Night) -> None:
    night.taken_share, night.taken_s = night.random.uniform(0.005, 0.01), log_uniform(night.random, 3e3, 2e4)


# -- sensors -------------------------------------------------------------------------------------------------


def _converter(night: Night, device: str, psi: float) -> None:
    night.transducer = f"    transducer: {{device: {device}, divider: 0.6}}\n"
    night.count_pa, night.noise_pa = psi * PSI, night.random.choice((0.003, 0.02, 0.05)) * PSI


@kind("10-bit converter")
def _ten_bits(night: Night) -> None:
    _converter(night, "mcp3008", 0.134)


@kind("12-bit converter, little noise")
def _twelve_bits(night: Night) -> None:
    _converter(night, "mcp3208", 0.034)
    night.noise_pa = 0.003 * PSI


@kind("loud: 0.2-0.5 psi")
def _loud(night: Night) -> None:
    night.noise_pa = night.random.uniform(0.2, 0.5) * PSI


@kind("slow beat of 0.05 psi")
def _beat(night: Night) -> None:
    night.hum_pa, night.hum_s = 0.05 * PSI, log_uniform(night.random, 300.0, 6000.0)


@kind("transducer 0.05 % a kelvin, hysteresis")
def _drifting(night: Night) -> None:
    night.drift_pa_per_k = night.random.choice((-0.05, 0.05)) * PSI
    night.hysteresis_pa = 0.05 * PSI


@kind("supply of 5 V that sags with the load")
def _sags(night: Night) -> None:
    """A ratiometric transducer whose supply nobody measures: 10 mV of 5 V are 0.2 % of its signal."""
    night.sag_pa = night.random.uniform(0.001, 0.003) * (night.working_pa + 12.5 * PSI)


@kind("thermometer in half kelvins")
def _half_kelvins(night: Night) -> None:
    night.probe_k = 0.5


@kind("thermometer in tenths or quarters")
def _quarters(night: Night) -> None:
    night.probe_k = night.random.choice((0.1, 0.25))


@kind("thermometer 1.5 K off")
def _off(night: Night) -> None:
    night.offsets_k = {place: night.random.choice((-1.5, 1.5)) for place in ("gas", "wall", "room")}


@kind("wall probe half in the room")
def _half_wall(night: Night) -> None:
    night.wall_sees_room = night.random.uniform(0.4, 0.6)


@kind("gas probe lies on the mould")
def _on_mould(night: Night) -> None:
    night.gas_sees_mould = night.random.uniform(0.3, 0.6)


@kind("thermometer read each 30-60 s")
def _seldom(night: Night) -> None:
    night.probe_every_s = night.random.choice((30.0, 60.0))


@kind("absolute transducer, front, no barometer")
def _absolute(night: Night) -> None:
    weather_front_unseen(night)
    night.absolute = True
    night.transducer = "    transducer: {reference: absolute}\n"


@kind("readings irregular, pauses")
def _pauses(night: Night) -> None:
    night.jitter_s = 0.6 * night.step_s
    night.pauses = [
        (night.random.uniform(0.5, 9.0) * HOUR, night.random.uniform(1.0, 20.0) * MINUTE) for _ in range(6)
    ]


@kind("clock steps")
def _clock(night: Night) -> None:
    night.clock_steps = [
        (night.random.uniform(0.0, 9.0) * HOUR, night.random.choice((-7200.0, 3600.0, 400.0)))
    ]


# -- the batch -----------------------------------------------------------------------------------------------


@kind("described late and wrongly")
def _told_wrongly(night: Night) -> None:
    at_s = night.random.uniform(0.1, 2.0) * HOUR
    resin = night.random.choice(("polyurethane-quick", "epoxy-deep-pour", "silicone-rubber"))
    for detail, text in (
        (Detail.RESIN, resin),
        (Detail.MASS, f"{night.random.choice((20, 3000))} g"),
    ):
        night.commands.append(Command(Action.EDIT, at_s, text=text, by="mara", field=detail))


@kind("left for 30 h")
def _long(night: Night) -> None:
    night.end_s = 30 * HOUR
    room_c = night.room_c
    night.room_c = lambda t_s: room_c(t_s) + 3.0 * sin(2 * pi * (t_s / HOUR - 5.0) / 24.0)


__all__ = ["KINDS"]
