"""The blocks of the settings: field names are the keys of the file."""

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_serializer, field_validator

from potvigil import units
from potvigil.model.pot import Pot, Reference, Resin, Supply, Transducer
from potvigil.paths import backups_beside, usual_record
from potvigil.settings.block import Block, need
from potvigil.settings.network import MqttSettings, PageSettings
from potvigil.settings.notify import HeartbeatSettings, NotifySettings
from potvigil.settings.resins import CureSettings, ResinSettings, known_resins
from potvigil.settings.signals import SignalsSettings
from potvigil.settings.studio import StudioSettings
from potvigil.settings.thermometer import ThermometerSettings
from potvigil.settings.transducer import TransducerSettings
from potvigil.settings.values import (
    Altitude,
    AnyQuantity,
    Area,
    Bus,
    FreeAir,
    Hex,
    Id,
    Keeping,
    Limit,
    Period,
    Size,
    StateFile,
    Swing,
    Volume,
    Zone,
    one_of,
    quantity,
    up_to,
)
from potvigil.units import Quantity


def _as_list(value: object) -> object:
    """One thermometer is a list of one; `place: none` is a list of none."""
    probes = [value] if isinstance(value, dict) else value
    if not isinstance(probes, list) or not probes:
        raise ValueError("is not a thermometer; give {place: gas}, wall, room, contents or none")
    if not any(isinstance(probe, dict) and probe.get("place") == "none" for probe in probes):
        return probes
    if len(probes) > 1 or len(probes[0]) > 1:
        raise ValueError("place none cannot be combined with others; give {place: none} alone")
    return []


class PotSettings(Block):
    """One pot. Pressures gauge. room_swing: change of the temperature round the pot in a night.

    inside_diameter, inside_height: of the room for a mould, None where not measured.
    """

    internal_volume: Annotated[AnyQuantity, quantity(units.VOLUME, "0.1 L", "2000 L")] = need("20 L")
    contents_volume: Annotated[Volume, up_to("internal_volume", or_equal=False)] | None = None
    maximum_pressure: Limit = need("80 psi")
    working_pressure: Annotated[Limit, up_to("maximum_pressure", or_equal=True)] = need("60 psi")
    floor_pressure: Annotated[Limit, up_to("working_pressure", or_equal=False)] = need("45 psi")
    thermometer: Annotated[tuple[ThermometerSettings, ...], BeforeValidator(_as_list)] = need("{place: gas}")
    room_swing: Swing = units.TEMPERATURE_DIFFERENCE.read("8 K")
    supply: Supply = need("shut")
    cure: CureSettings = need("{hold: 10 h}")
    transducer: TransducerSettings = Field(
        default_factory=lambda: TransducerSettings.model_validate({}), validate_default=True
    )
    inside_diameter: Size | None = None
    inside_height: Size | None = None

    @field_validator("transducer")
    @classmethod
    def _spans_working(cls, value: TransducerSettings, info: ValidationInfo) -> TransducerSettings:
        working: Quantity | None = info.data.get("working_pressure")
        outside_pa = units.STANDARD_ATMOSPHERE_PA if value.reference is Reference.ABSOLUTE else 0.0
        if working is not None and working.si + outside_pa > value.span.si:
            bound = f"working_pressure {working}{' and the atmosphere' if outside_pa else ''}"
            raise ValueError(f"span {value.span} ends below {bound}; give a wider span")
        return value

    @field_serializer("thermometer")
    def _as_given(self, probes: tuple[ThermometerSettings, ...]) -> Any:
        return [probe.model_dump(mode="json", exclude_none=True) for probe in probes] or {"place": "none"}

    def core_pot(self, pot_id: str, settings: "Settings") -> Pot:
        """Build what the core needs to know of this pot, in SI units, with what the whole workshop shares."""
        wire = self.transducer
        return Pot(
            pot_id=pot_id,
            internal_volume_m3=self.internal_volume.si,
            contents_volume_m3=None if self.contents_volume is None else self.contents_volume.si,
            maximum_pa=self.maximum_pressure.si,
            working_pa=self.working_pressure.si,
            floor_pa=self.floor_pressure.si,
            hold_s=self.cure.hold.si,
            cure_at_k=None if self.cure.at is None else self.cure.at.si,
            gel_s=None if self.cure.gel is None else self.cure.gel.si,
            working_time_s=None if self.cure.working_time is None else self.cure.working_time.si,
            thermometers=frozenset(probe.place for probe in self.thermometer),
            supply=self.supply,
            transducer=Transducer(
                volts_per_count=wire.volts_per_count,
                span_pa=wire.span.si,
                supply_v=wire.supply.si,
                supply_volts_per_count=None if wire.supply_channel is None else wire.volts_per_count,
                reference=wire.reference,
                zero_pa=wire.zero.si,
                slope=wire.slope,
                signal=wire.signal,
                shunt_ohm=100.0 if wire.shunt is None else wire.shunt.si,
            ),
            has_barometer=settings.barometer.device is not None,
            ambient_pa=settings.barometer.ambient_pa,
            room_swing_k=self.room_swing.si,
            pressure_unit=settings.units.pressure,
            temperature_unit=settings.units.temperature,
            resins=settings.core_resins(),
            tz=settings.timezone,
        )


class BarometerSettings(Block):
    """A barometer, or the altitude in its place; with both, the altitude is used while it is silent."""

    device: Literal["bmp280", "bme280", "bmp388", "bmp390"] | None = None
    bus: Bus = 1
    address: Annotated[Hex, one_of({"0x76": 0x76, "0x77": 0x77})] = 0x76
    altitude: Altitude = units.LENGTH.read("0 m")

    @field_validator("bus", "address")
    @classmethod
    def _of_a_device(cls, value: int, info: ValidationInfo) -> int:
        if "device" in info.data and info.data["device"] is None:
            raise ValueError("belongs to no device; give device: bmp280 as well")
        return value

    @property
    def ambient_pa(self) -> float:
        """Pressure of the standard atmosphere at the altitude, Pa absolute."""
        return units.standard_atmosphere_pa(self.altitude.si)


class BackupSettings(Block):
    """Copies of the record. daily, weekly: of how many days and weeks the newest is kept.

    folder: best on another medium than the record's; None for `backups` beside the record.
    """

    folder: StateFile | None = None
    daily: Annotated[int, Field(ge=1, le=60)] = 7
    weekly: Annotated[int, Field(ge=0, le=60)] = 8


class RecordSettings(Block):
    """file: the record's database. full_resolution: samples older than that are thinned to means."""

    file: StateFile = Field(default_factory=usual_record)
    full_resolution: Keeping = units.TIME.read("90 d")
    backups: BackupSettings | None = None

    @property
    def backup_folder(self) -> Path | None:
        """Where its copies are kept, None where not configured."""
        return None if self.backups is None else self.backups.folder or backups_beside(self.file)


class CompressorSettings(Block):
    """The compressor that fills the pots; pressures gauge. Used only by the plan before a pour.

    free_air: delivered, not drawn in. at: the pressure it is given for, None for cut_out. effective_area: of
    hose, regulator and valve, None where unknown.
    """

    tank: Annotated[AnyQuantity, quantity(units.VOLUME, "0.5 L", "2000 L")] = need("24 L")
    free_air: FreeAir = need("90 L/min")
    at: Limit | None = None
    cut_out: Limit = need("120 psi")
    cut_in: Annotated[Limit, up_to("cut_out", or_equal=False)] = need("90 psi")
    effective_area: Area | None = None


class UnitsSettings(Block):
    """The units of everything that people read."""

    pressure: Literal["psi", "bar", "kPa"] = "psi"
    temperature: Literal["C", "F"] = "C"


class Settings(Block):
    """All of one workshop's settings, as in force: defaults filled in, paths absolute."""

    workshop: Id = need("harbour-models")
    pots: dict[Id, PotSettings] = need("{lantern: ...}", min_length=1)
    resins: dict[Id, ResinSettings] = Field(default_factory=dict)
    barometer: BarometerSettings = BarometerSettings()
    compressor: CompressorSettings | None = None
    mqtt: MqttSettings | None = None
    signals: SignalsSettings | None = None
    record: RecordSettings = Field(default_factory=RecordSettings)
    page: PageSettings = Field(default_factory=lambda: PageSettings.model_validate({}))
    notify: NotifySettings | None = None
    heartbeat: HeartbeatSettings | None = None
    studio: StudioSettings | None = None
    sample_period: Period = units.TIME.read("1 s")
    units: UnitsSettings = UnitsSettings()
    timezone: Zone | None = None

    @property
    def sample_period_s(self) -> float:
        return self.sample_period.si

    @property
    def record_file(self) -> Path:
        return self.record.file

    def core_pots(self) -> dict[str, Pot]:
        """Build every pot's settings for the core, by pot id."""
        return {pot_id: pot.core_pot(pot_id, self) for pot_id, pot in self.pots.items()}

    def core_resins(self) -> dict[str, Resin]:
        """Build the times of every resin that can be named, from the list and the settings."""
        listed = {name: ResinSettings.model_validate(keys) for name, keys in known_resins().items()}
        return {name: resin.core_resin() for name, resin in (listed | self.resins).items()}

    def as_json(self) -> str:
        """Return the settings in force as JSON, which load_text takes again. There is no secret in it.

        Notification targets are left out: an address is often a secret.
        """
        nowhere: dict[str, Any] = dict.fromkeys(("bus", "address"), True)
        left_out: dict[str, Any] = {"notify": True, "heartbeat": True}
        if self.barometer.device is None:
            left_out["barometer"] = nowhere
        return self.model_dump_json(exclude_none=True, exclude=left_out)
