"""What a caster would have said of a drawn night: the settings of his pot, and the batch opened by hand.

Nobody knows his volumes to the millilitre, and every second batch is opened by hand with resin, mass and time
of mixing. Times of the resin are those of resins.yaml, for the 23 C given there; but every pot stands under
pressure overnight, so the hold is 10 h, or until the resin gels where that is later.
"""

from datetime import UTC, datetime
from random import Random

from draw import FILL_AT_S, FLOOR_PA, HOLD_S, NO_RESIN, WORKING_PA, DrawnNight
from kinetics import Resin, resins

from potvigil.model.events import Action, Command, Detail
from potvigil.model.pot import Pot
from potvigil.model.reading import Place
from potvigil.settings.loading import load_text
from potvigil.units import PA_PER_PSI, ZERO_CELSIUS_K

Combination = tuple[Place, ...]

COMBINATIONS: tuple[Combination, ...] = (
    (Place.GAS,),
    (Place.WALL,),
    (Place.ROOM,),
    (Place.WALL, Place.ROOM),
    (),
)
NONE = "none"

POT_ID, BY = "lantern", "mara"
BEGIN_UTC_S = datetime(2026, 1, 10, 20, tzinfo=UTC).timestamp()
OPENED_AT_S = FILL_AT_S - 20.0  # after the mixing of even the quickest resin, before the fill
_INTERNAL_SHARE, _CONTENTS_SHARE = 0.03, 0.15  # volumes are said to within so much


def name_of(combination: Combination) -> str:
    """Return a combination in words: gas+wall."""
    return "+".join(combination) or NONE


def combination_of(name: str) -> Combination:
    """Return the combination of that name. Raises ValueError."""
    return () if name == NONE else tuple(Place(each) for each in name.split("+"))


def pot_of(night: DrawnNight, combination: Combination) -> Pot:
    """Return the pot as its settings describe it, with thermometers at those places."""
    settings = load_text(_settings(night, combination), "the bench's pot")
    return settings.core_pots()[POT_ID]


def _settings(night: DrawnNight, combination: Combination) -> str:
    resin = night.contents.resin
    cure, own = f"hold: {HOLD_S:g} s", ""
    if resin != NO_RESIN:
        cure, own = f"resin: {resin}", f"resins: {{{resin}: {{{_times(resins()[resin])}}}}}\n"
    internal_m3, contents_m3 = night.parameters.internal_volume_m3, night.parameters.contents_volume_m3
    random = Random(f"said/{internal_m3}")  # of a pot, whatever the night
    internal_l = 1e3 * internal_m3 * _about(random, _INTERNAL_SHARE)
    contents_l = 1e3 * contents_m3 * _about(random, _CONTENTS_SHARE)
    probes = [f"{{place: {place}, id: 28-{at:012x}}}" for at, place in enumerate(combination, 1)]
    return f"""\
workshop: bench
timezone: UTC
pots:
  {POT_ID}:
    internal_volume: {internal_l:.4g} L
    contents_volume: {contents_l:.3g} L
    maximum_pressure: 80 psi
    working_pressure: {WORKING_PA / PA_PER_PSI:g} psi
    floor_pressure: {FLOOR_PA / PA_PER_PSI:g} psi
    thermometer: {f"[{', '.join(probes)}]" if probes else "{place: none}"}
    supply: shut
    cure: {{{cure}}}
{own}barometer: {{device: bmp280}}
"""


def _about(random: Random, share: float) -> float:
    return random.uniform(1.0 - share, 1.0 + share)


def _times(resin: Resin) -> str:
    hold_s, at_c = max(HOLD_S, resin.gel_s), resin.at_k - ZERO_CELSIUS_K
    times = f"hold: {hold_s:g} s, gel: {resin.gel_s:g} s, working_time: {resin.working_s:g} s"
    return f"{times}, at: {at_c:g} C"


def is_told(night: DrawnNight) -> bool:
    """Say whether the batch is opened by hand with its details: every second one that has resin."""
    return night.number % 2 == 1 and night.contents.resin != NO_RESIN


def opening(night: DrawnNight, t_s: float) -> list[Command]:
    """Return what `batch open --resin --mass --mixed-at` asks of the watch at t_s: record/store.py."""
    contents = night.contents
    mixed_at = datetime.fromtimestamp(BEGIN_UTC_S + contents.mixed_at_s, UTC)
    details = {
        Detail.RESIN: contents.resin,
        Detail.MASS: f"{1e3 * contents.resin_kg:.0f} g",
        Detail.MIXED_AT: mixed_at.isoformat(timespec="seconds"),
    }
    edits = [Command(Action.EDIT, t_s, text=text, by=BY, field=field) for field, text in details.items()]
    return [Command(Action.OPEN, t_s, by=BY), *edits]
