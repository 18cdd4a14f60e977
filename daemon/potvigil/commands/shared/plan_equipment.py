"""The settings that a plan needs, for every pot."""

from potvigil.physics.fill import Compressor
from potvigil.planning.read_request import Rig
from potvigil.settings.schema import CompressorSettings, PotSettings, Settings


def rigs_of(settings: Settings) -> dict[str, Rig]:
    compressor = None if settings.compressor is None else _compressor(settings.compressor)
    return {
        pot_id: Rig(
            pot=pot,
            usual_resin=settings.pots[pot_id].cure.resin,
            inside_m=_inside_m(settings.pots[pot_id]),
            compressor=compressor,
        )
        for pot_id, pot in settings.core_pots().items()
    }


def _inside_m(of: PotSettings) -> tuple[float, float] | None:
    if of.inside_diameter is None or of.inside_height is None:
        return None
    return of.inside_diameter.si, of.inside_height.si


def _compressor(of: CompressorSettings) -> Compressor:
    return Compressor(
        tank_m3=of.tank.si,
        free_air_m3_per_s=of.free_air.si,
        cut_in_pa=of.cut_in.si,
        cut_out_pa=of.cut_out.si,
        rated_pa=(of.at or of.cut_out).si,
        area_m2=None if of.effective_area is None else of.effective_area.si,
    )
