"""YAML -> frozen settings. All faults at once, each with line, path, the value as written and what is due.

YAML interprets no scalar here: each stays the text somebody wrote, and the type of its key reads that text.
So `10:30` is not 630, `no` is not False, and a fault shows what stands in the file.
"""

import difflib
import ipaddress
import itertools
import re
from datetime import time as clock_time
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar
from zoneinfo import ZoneInfo, available_timezones

import yaml
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    SerializerFunctionWrapHandler,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_serializer,
    field_validator,
    model_serializer,
    model_validator,
)

from potvigil import units
from potvigil.core.pot import Pot, Reference, Resin, Supply, Transducer
from potvigil.core.reading import Place
from potvigil.core.signal import LOOP, RATIOMETRIC, SIGNALS, Signal
from potvigil.faults import LARGEST_FILE_BYTES, Outline, SettingsError, either, explain, shown, text_of
from potvigil.paths import systemd_folder, usual_record
from potvigil.units import Quantity

# Counts in the full scale: TI SBAS444 and SBAS473 (of one polarity), Microchip DS21295 and DS21298.
_COUNTS = {"ads1115": 32768, "ads1015": 2048, "mcp3008": 1024, "mcp3208": 4096}
_ON_SPI = ("mcp3008", "mcp3208")
_MOST_OF_A_KIND = 100
_MOST_BRACKETS = 100  # open at once; those in remarks are counted too
_FULL_SCALES = ("2.048 V", "4.096 V", "6.144 V")  # of an ADS1115: those that suit such signals
_USUAL_REFERENCE = "3.3 V"  # of an MCP3008, which the Pi can read without more
_CLOCK = "(?:[01]?[0-9]|2[0-3]):[0-5][0-9]"
# a name or IPv4, or IPv6; of the lengths they can have, each sign looked at once
_HOST = r"[A-Za-z0-9.-]{1,253}|(?=[^:]*:[^:]*:)[0-9A-Fa-f:.]{2,45}"


# --- how the text of one value is read; a ValueError is worded to go on after that text


def _quantity(kind: units.Kind, low: str, high: str) -> PlainValidator:
    lowest, highest = kind.read(low), kind.read(high)

    def read(value: object) -> Quantity:
        if not isinstance(value, str):
            raise ValueError(f"{shown(value)} where {kind.name} is due; give {low} to {high}")
        quantity = kind.read(value)
        if not lowest.si <= quantity.si <= highest.si:
            raise ValueError(f"is out of range; give {low} to {high}")
        return quantity

    return PlainValidator(read)


def _up_to(name: str, *, or_equal: bool) -> AfterValidator:
    """Hold a quantity under another of its block; passed over while that other is itself at fault."""

    def validate(value: Quantity, info: ValidationInfo) -> Quantity:
        bound: Quantity | None = info.data.get(name)
        if bound is not None and (value.si > bound.si or (value.si == bound.si and not or_equal)):
            relation = "above" if value.si > bound.si else "equal to"
            raise ValueError(f"is {relation} {name} {bound}; give {allowed} {bound}")
        return value

    allowed = "at most" if or_equal else "less than"
    return AfterValidator(validate)


def _one_of(words: dict[str, Any], *others: str) -> PlainValidator:
    """Read one of the words, case and blanks aside, into its meaning. others: named in the fault only."""
    meanings = {word.replace(" ", "").lower(): meaning for word, meaning in words.items()}

    def read(value: object) -> Any:
        try:
            return meanings[str(value).replace(" ", "").lower()]
        except KeyError:
            raise ValueError(f"is not known; give {either([*words, *others])}") from None

    return PlainValidator(read)


def _matching(pattern: str, what: str) -> AfterValidator:
    def read(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise ValueError(f"does not fit; give {what}")
        return text

    return AfterValidator(read)


def _beside(folder_variable: str = "") -> AfterValidator:
    """Make a path absolute: in the folder that systemd names in folder_variable, else beside the settings."""

    def validate(value: Path, info: ValidationInfo) -> Path:
        folder = systemd_folder(folder_variable) or (info.context or {}).get("folder", Path())
        try:
            path: Path = (folder / value.expanduser()).absolute()
        except RuntimeError:
            raise ValueError("begins with ~ and no user of this machine; give the whole path") from None
        if not value.name:
            raise ValueError("is not a file; give the path of one")
        return path

    return AfterValidator(validate)


def _pin(value: object) -> int:
    """Read the BCM number of a pin of the 40-pin header; GPIO 0 and 1 are kept for the board's own use."""
    match = re.fullmatch(r"(?:GPIO ?)?([0-9]{1,2})", str(value))
    if match is None or not 2 <= int(match[1]) <= 27:
        raise ValueError("is not a pin; give its BCM number, 2 to 27, as in GPIO17")
    return int(match[1])


def _quiet_hours(value: object) -> tuple[clock_time, clock_time]:
    match = re.fullmatch(rf"({_CLOCK}) ?- ?({_CLOCK})", str(value))
    if match is None:
        raise ValueError("is not from one time to another; give them like 22:00-07:00")
    begin, end = (clock_time.fromisoformat(each.zfill(5)) for each in match.groups())
    if begin == end:
        raise ValueError("ends when it begins; give two times like 22:00-07:00")
    return begin, end


def _coefficients(value: object) -> tuple[float, float, float]:
    try:
        a, b, c = map(float, value if isinstance(value, list) else [])
    except (TypeError, ValueError):
        raise ValueError("is not a, b and c; give three numbers, as [1.129e-3, 2.341e-4, 8.767e-8]") from None
    if not (0.0 < a < 0.1 and 0.0 < b < 0.01 and -1e-5 < c < 1e-5):
        raise ValueError("is no thermistor's; give a, b and c for ohm and kelvin")
    return a, b, c


def _timezone(value: object) -> ZoneInfo:
    try:
        return ZoneInfo(str(value))
    except (OSError, ValueError, KeyError):
        near = difflib.get_close_matches(str(value), available_timezones(), n=1) or ["Europe/Lisbon"]
        raise ValueError(f"is not a time zone; give an IANA name such as {near[0]}") from None


_Quantity = Annotated[Quantity, PlainSerializer(str, return_type=str)]
_Volume = Annotated[_Quantity, _quantity(units.VOLUME, "0 L", "2000 L")]
_Limit = Annotated[_Quantity, _quantity(units.PRESSURE, "1 psi", "300 psi")]
_Span = Annotated[_Quantity, _quantity(units.PRESSURE, "10 psi", "1000 psi")]
_Zero = Annotated[_Quantity, _quantity(units.PRESSURE, "-15 psi", "15 psi")]
_Supply = Annotated[_Quantity, _quantity(units.VOLTAGE, "4.5 V", "5.5 V")]
_Duration = Annotated[_Quantity, _quantity(units.TIME, "1 min", "14 d")]
_Keeping = Annotated[_Quantity, _quantity(units.TIME, "1 d", "36500 d")]
_Period = Annotated[
    _Quantity, _quantity(units.TIME, "0.2 s", "10 s")
]  # three ticks fit into WatchdogSec of the unit
_Warmth = Annotated[_Quantity, _quantity(units.TEMPERATURE, "0 C", "60 C")]
_Swing = Annotated[_Quantity, _quantity(units.TEMPERATURE_DIFFERENCE, "0 K", "60 K")]
_Altitude = Annotated[_Quantity, _quantity(units.LENGTH, "-430 m", "6000 m")]
_FullScale = Annotated[_Quantity, _quantity(units.VOLTAGE, "0.5 V", "10 V")]
_Divided = Annotated[_Quantity, _quantity(units.VOLTAGE, "1 V", "6 V")]
_Shunt = Annotated[_Quantity, _quantity(units.RESISTANCE, "1 ohm", "1000 ohm")]
_Resistor = Annotated[_Quantity, _quantity(units.RESISTANCE, "10 ohm", "1000 kohm")]
_Beta = Annotated[_Quantity, _quantity(units.TEMPERATURE_DIFFERENCE, "2000 K", "6000 K")]
_Size = Annotated[_Quantity, _quantity(units.SIZE, "3 cm", "3 m")]
_Area = Annotated[_Quantity, _quantity(units.AREA, "0.1 mm2", "500 mm2")]
_FreeAir = Annotated[_Quantity, _quantity(units.FREE_AIR, "5 L/min", "5000 L/min")]
_Signal = Annotated[Signal, _one_of(SIGNALS), PlainSerializer(lambda signal: signal.name, return_type=str)]
_Coefficients = Annotated[
    tuple[float, float, float], PlainValidator(_coefficients), PlainSerializer(list, return_type=list)
]
_Hex = Annotated[int, PlainSerializer(hex, return_type=str)]
_Place = Annotated[Place, _one_of({place.value: place for place in Place}, "none"), PlainSerializer(str)]
_Id = Annotated[str, _matching(r"[a-z0-9-]+", "lower-case letters, digits and hyphens")]
_ProbeId = Annotated[str, _matching("28-[0-9a-f]{12}", "28- and 12 hex digits, as in /sys/bus/w1/devices")]
_Text = Annotated[str, _matching(r"\S(.*\S)?", "some text")]
_Host = Annotated[str, _matching(_HOST, "a name or address, its port under port")]
_Bus = Annotated[int, Field(ge=0, le=31)]
_Channel = Annotated[int, Field(ge=0, le=7)]
_Select = Annotated[int, Field(ge=0, le=1)]
_File = Annotated[Path, _beside()]
_SecretFile = Annotated[Path, _beside("CREDENTIALS_DIRECTORY")]
_StateFile = Annotated[Path, _beside("STATE_DIRECTORY")]
_Pin = Annotated[int, PlainValidator(_pin), PlainSerializer(int, return_type=int)]
_QuietHours = Annotated[
    tuple[clock_time, clock_time],
    PlainValidator(_quiet_hours),
    PlainSerializer(lambda hours: "-".join(f"{each:%H:%M}" for each in hours), return_type=str),
]
_Zone = Annotated[ZoneInfo, PlainValidator(_timezone), PlainSerializer(str, return_type=str)]


# --- the blocks: field names are the keys of the file


def _need(example: str, **bounds: Any) -> Any:
    """A key that must be there; the fault shows the example."""
    return Field(examples=[example], **bounds)


class _Block(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


B = TypeVar("B", bound=_Block)


_THERMISTOR_KEYS = {
    "channel",
    "supply_channel",
    "supply",
    "resistor",
    "side",
    "nominal",
    "beta",
    "coefficients",
}
_PLATINUM_KEYS = {"spi_device", "wires", "reference_resistor"}
_KEYS_OF_DEVICE = {
    "ds18b20": {"id"},
    "ntc": _THERMISTOR_KEYS,
    "pt100": _PLATINUM_KEYS,
    "pt1000": _PLATINUM_KEYS,
}


class ThermometerSettings(_Block):
    """One probe. id: of a DS18B20 on its wire, None for the only one found there.

    Of a thermistor, on an input of the pot's own converter: side: which end of its divider it is at. nominal:
    its resistance at 25 C. beta or coefficients (Steinhart-Hart): one of them. Of a Pt100 or Pt1000 over a
    MAX31865: spi_device: its chip select. reference_resistor: on its board. None stands for the usual.
    """

    place: _Place = _need("gas")
    device: Literal["ds18b20", "ntc", "pt100", "pt1000"] = "ds18b20"
    id: _ProbeId | None = None
    channel: _Channel | None = Field(None, validate_default=True)
    supply_channel: _Channel | None = None
    supply: _Divided | None = None
    resistor: _Resistor | None = None
    side: Literal["ground", "supply"] | None = None
    nominal: _Resistor | None = None
    beta: _Beta | None = None
    coefficients: _Coefficients | None = Field(None, validate_default=True)
    spi_device: _Select | None = None
    wires: Literal["2", "3", "4"] | None = None
    reference_resistor: _Resistor | None = None

    @field_validator(*("id", *sorted(_THERMISTOR_KEYS), *sorted(_PLATINUM_KEYS)))
    @classmethod
    def _of_the_device(cls, value: Any, info: ValidationInfo) -> Any:
        device = info.data.get("device")
        if value is not None and device is not None and info.field_name not in _KEYS_OF_DEVICE[device]:
            raise ValueError(f"does not belong to device {device}; take it out")
        return value

    @field_validator("channel")
    @classmethod
    def _has_an_input(cls, value: int | None, info: ValidationInfo) -> int | None:
        if value is None and info.data.get("device") == "ntc":
            raise ValueError("is missing; give the converter's input, as channel: 2")
        return value

    @field_validator("coefficients")
    @classmethod
    def _or_beta(cls, value: Any, info: ValidationInfo) -> Any:
        if info.data.get("device") == "ntc" and "beta" in info.data:
            if value is None and info.data["beta"] is None:
                raise ValueError("is missing; give beta, or coefficients, from the thermistor's data sheet")
            if value is not None and info.data["beta"] is not None:
                raise ValueError("stands beside beta, which says less; give one of them")
        return value

    @property
    def is_platinum(self) -> bool:
        return self.device in ("pt100", "pt1000")


class ResinSettings(_Block):
    """A resin's times. hold: under pressure until the cure is done. gel, working_time: None if unknown.

    at: the temperature the times are given for, which the cure clock then goes by; None for plain times.
    """

    hold: _Duration = _need("10 h")
    gel: Annotated[_Duration, _up_to("hold", or_equal=True)] | None = None
    working_time: Annotated[_Duration, _up_to("hold", or_equal=True)] | None = None
    at: _Warmth | None = None

    def core_resin(self) -> Resin:
        return Resin(
            hold_s=self.hold.si,
            gel_s=None if self.gel is None else self.gel.si,
            working_time_s=None if self.working_time is None else self.working_time.si,
            at_k=None if self.at is None else self.at.si,
        )


class CureSettings(ResinSettings):
    """The pot's usual cure. resin: of the list, whose times count where none are given here."""

    resin: _Id | None = None


class TransducerSettings(_Block):
    """A transducer and the converter that reads it. bus, address: on I2C; spi_device: chip select on SPI.

    shunt: what a current is measured over. divider: volts at the converter's pin over volts at the
    transducer, on both channels. full_scale: the converter's range, of an MCP its reference; left out, the
    narrowest that shows all the signal can say.
    """

    device: Literal["ads1115", "ads1015", "mcp3008", "mcp3208"] = "ads1115"
    bus: _Bus = 1
    address: Annotated[_Hex, _one_of({hex(address): address for address in range(0x48, 0x4C)})] = 0x48
    spi_device: _Select = 0
    channel: _Channel = 0
    signal: _Signal = RATIOMETRIC
    shunt: _Shunt | None = Field(None, validate_default=True)
    supply_channel: _Channel | None = None
    supply: _Supply = units.VOLTAGE.read("5 V")
    divider: Annotated[float, Field(ge=0.01, le=1.0)] = 1.0
    span: _Span = units.PRESSURE.read("100 psi")
    reference: Reference = Reference.GAUGE
    zero: _Zero = units.PRESSURE.read("0 psi")
    slope: Annotated[float, Field(ge=0.8, le=1.25)] = 1.0
    full_scale: _FullScale = Field(None, validate_default=True)

    @field_validator("bus", "address", "spi_device")
    @classmethod
    def _on_its_bus(cls, value: int, info: ValidationInfo) -> int:
        device = info.data.get("device")
        if device is not None and (info.field_name == "spi_device") != (device in _ON_SPI):
            has = "spi_device: 0 or 1" if device in _ON_SPI else "bus and address"
            raise ValueError(f"does not belong to device {device}; that has {has}")
        return value

    @field_validator("channel", "supply_channel")
    @classmethod
    def _is_an_input(cls, value: int | None, info: ValidationInfo) -> int | None:
        if value is not None and value > 3 and info.data.get("device") in ("ads1115", "ads1015"):
            raise ValueError("is too large; give at most 3")
        return value

    @field_validator("supply_channel", "supply")
    @classmethod
    def _goes_by_its_supply(cls, value: Any, info: ValidationInfo) -> Any:
        signal = info.data.get("signal")
        if signal is not None and signal is not RATIOMETRIC and value is not None:
            raise ValueError(f"means nothing to a signal of {signal.name}; take it out")
        return value

    @field_validator("shunt")
    @classmethod
    def _of_a_loop(cls, value: Quantity | None, info: ValidationInfo) -> Quantity | None:
        signal = info.data.get("signal")
        if signal is not None and (value is not None) != (signal is LOOP):
            if value is None:
                raise ValueError("is missing; give the resistor the current is measured over, as 100 ohm")
            raise ValueError(f"belongs to 4-20 mA, not to {signal.name}; take it out")
        return value

    @field_validator("full_scale", mode="wrap")
    @classmethod
    def _shows_the_signal(
        cls, value: object, read: ValidatorFunctionWrapHandler, info: ValidationInfo
    ) -> Quantity:
        given: Quantity | None = None if value is None else read(value)
        if not {"device", "signal", "shunt", "supply_channel", "supply", "divider"} <= info.data.keys():
            return given or units.VOLTAGE.read(_FULL_SCALES[-1])
        on_spi = info.data["device"] in _ON_SPI
        if given is None:
            return _usual_full_scale(on_spi, info.data)
        if on_spi and not 2.5 <= given.si <= 5.5:
            raise ValueError("is no reference of such a converter; give 2.5 V to 5.5 V")
        if not on_spi and given.si not in (units.VOLTAGE.read(each).si for each in _FULL_SCALES):
            raise ValueError(f"is not known; give {either(reversed(_FULL_SCALES))}")
        if fault := _too_narrow(given, info.data):
            raise ValueError(fault)
        return given

    @model_serializer(mode="wrap")
    def _what_applies(self, dump: SerializerFunctionWrapHandler) -> dict[str, Any]:
        nowhere = {"bus", "address"} if self.device in _ON_SPI else {"spi_device"}
        if self.signal is not RATIOMETRIC:
            nowhere |= {"supply", "supply_channel"}
        return {key: value for key, value in dump(self).items() if key not in nowhere}

    @property
    def volts_per_count(self) -> float:
        """Volts at the transducer per count of the converter."""
        return self.full_scale.si / _COUNTS[self.device] / self.divider

    @property
    def largest_count(self) -> int:
        """What the converter answers to the end of its range, and to anything beyond."""
        return _COUNTS[self.device] - 1

    @property
    def converter(self) -> tuple[str, int, int]:
        """What only one converter can have."""
        return ("SPI", 0, self.spi_device) if self.device in _ON_SPI else ("I2C", self.bus, self.address)


def _comes_in_v(of: dict[str, Any], to_the_last: bool) -> float:
    """Return the highest voltage at the converter's pin; to_the_last: with what only a fault would give."""
    signal: Signal = of["signal"]
    highest = signal.failed[1] if to_the_last or signal is LOOP else signal.full
    if signal is LOOP:
        highest *= of["shunt"].si / 1000.0
    elif signal is RATIOMETRIC:  # the supply itself comes in where it is measured
        highest = of["supply"].si * (1.0 if to_the_last or of["supply_channel"] is not None else highest)
    return float(highest * of["divider"])


def _usual_full_scale(on_spi: bool, of: dict[str, Any]) -> Quantity:
    """Return the narrowest range that shows all that can come in. Raises ValueError where none does."""
    ranges = [units.VOLTAGE.read(each) for each in ([_USUAL_REFERENCE] if on_spi else _FULL_SCALES)]
    for each in ranges:
        if each.si > _comes_in_v(of, to_the_last=True):
            return each
    if not _too_narrow(ranges[-1], of):
        return ranges[-1]
    widest = f"the usual {ranges[-1]}" if on_spi else f"the widest, {ranges[-1]},"
    way_out = "a smaller shunt" if of["signal"] is LOOP else "a divider"
    raise ValueError(
        f"is left out, and {widest} is below the {_comes_in_v(of, False):.3g} V that come in; give {way_out}"
        f"{', or the reference it has' if on_spi else ''}"
    )


def _too_narrow(full_scale: Quantity, of: dict[str, Any]) -> str | None:
    comes_in_v = _comes_in_v(of, to_the_last=False)
    if full_scale.si > comes_in_v or (full_scale.si == comes_in_v and of["signal"] is not LOOP):
        return None
    if of["signal"] is LOOP:
        ends_ma = 1000.0 * full_scale.si / of["shunt"].si / of["divider"]
        told_ma = LOOP.failed[1]
        return (
            f"over {of['shunt']} ends at {ends_ma:.4g} mA, and a failure is told by {told_ma:g} mA; "
            "give a wider range or leave it out"
        )
    return f"is below the {comes_in_v:.3g} V that come in; give a wider range or a divider"


def _as_list(value: object) -> object:
    """One thermometer is a list of one; `place: none` is a list of none."""
    probes = [value] if isinstance(value, dict) else value
    if not isinstance(probes, list) or not probes:
        raise ValueError("is not a thermometer; give {place: gas}, wall, room, contents or none")
    if not any(isinstance(probe, dict) and probe.get("place") == "none" for probe in probes):
        return probes
    if len(probes) > 1 or len(probes[0]) > 1:
        raise ValueError("place none stands beside something else; give {place: none} alone")
    return []


class PotSettings(_Block):
    """One pot. Pressures gauge. room_swing: change of the temperature round the pot in a night.

    inside_diameter, inside_height: of the room for a mould, None where not measured.
    """

    internal_volume: Annotated[_Quantity, _quantity(units.VOLUME, "0.1 L", "2000 L")] = _need("20 L")
    contents_volume: Annotated[_Volume, _up_to("internal_volume", or_equal=False)] | None = None
    maximum_pressure: _Limit = _need("80 psi")
    working_pressure: Annotated[_Limit, _up_to("maximum_pressure", or_equal=True)] = _need("60 psi")
    floor_pressure: Annotated[_Limit, _up_to("working_pressure", or_equal=False)] = _need("45 psi")
    thermometer: Annotated[tuple[ThermometerSettings, ...], BeforeValidator(_as_list)] = _need("{place: gas}")
    room_swing: _Swing = units.TEMPERATURE_DIFFERENCE.read("8 K")
    supply: Supply = _need("shut")
    cure: CureSettings = _need("{hold: 10 h}")
    transducer: TransducerSettings = Field(
        default_factory=lambda: TransducerSettings.model_validate({}), validate_default=True
    )
    inside_diameter: _Size | None = None
    inside_height: _Size | None = None

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
        """Build what the core must know of this pot, in SI units, with what the whole workshop shares."""
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
            resins=settings.core_resins(),
            tz=settings.timezone,
        )


class BarometerSettings(_Block):
    """A barometer, or the altitude that stands for it; with both, the altitude serves while it is silent."""

    device: Literal["bmp280", "bme280", "bmp388", "bmp390"] | None = None
    bus: _Bus = 1
    address: Annotated[_Hex, _one_of({"0x76": 0x76, "0x77": 0x77})] = 0x76
    altitude: _Altitude = units.LENGTH.read("0 m")

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


class TlsSettings(_Block):
    """Encryption to the broker. ca_file: None for the system's list. cert_file, key_file: of this client."""

    ca_file: _File | None = None
    cert_file: _File | None = None
    key_file: _SecretFile | None = Field(None, validate_default=True)

    @field_validator("key_file")
    @classmethod
    def _goes_with_cert(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        if "cert_file" in info.data and (value is None) != (info.data["cert_file"] is None):
            raise ValueError("cert_file and key_file go together; give both or neither")
        return value


class MqttSettings(_Block):
    """The broker. Its password stands in password_file, never in the settings."""

    host: _Host = _need("broker.local")
    port: Annotated[int, Field(ge=1, le=65535)]
    version: Literal["5", "3.1.1"] = "5"
    client_id: _Text | None = None
    username: _Text | None = None
    password_file: _SecretFile | None = None
    tls: TlsSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _with_usual_port(cls, tree: Any) -> Any:
        return {"port": "8883" if "tls" in tree else "1883"} | tree if isinstance(tree, dict) else tree

    @field_validator("password_file")
    @classmethod
    def _of_somebody(cls, value: Path, info: ValidationInfo) -> Path:
        if "username" in info.data and info.data["username"] is None:
            raise ValueError("is of no user; give username as well")
        return value


class PageTlsSettings(_Block):
    """Encryption of the page: its certificate and the key to it."""

    cert_file: _File = _need("page.pem")
    key_file: _SecretFile = _need("page.key")


class PageSettings(_Block):
    """The local web page.

    password_file: made by `potvigil page password`. names: it answers to, beside its own addresses. live:
    where the watch leaves what it knows now, None for the usual place.
    """

    host: _Host = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8642
    password_file: _SecretFile | None = Field(None, validate_default=True)
    tls: PageTlsSettings | None = None
    names: tuple[_Host, ...] = ()
    live: _File | None = None

    @field_validator("password_file")
    @classmethod
    def _beyond_this_machine(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        host = info.data.get("host")
        if value is None and host is not None and not _is_loopback(host):
            raise ValueError(
                f"is missing: host {host} is open to the network; give one, made by `potvigil page password`"
            )
        return value


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class RecordSettings(_Block):
    """file: the record's database. full_resolution: samples older than that are thinned to means."""

    file: _StateFile = Field(default_factory=usual_record)
    full_resolution: _Keeping = units.TIME.read("90 d")


class LampSettings(_Block):
    """Pins of the lamps by what they are for; what has none of its own is shown by the next below it here."""

    calm: _Pin | None = None
    note: _Pin | None = None
    alarm: _Pin = _need("17")


def _as_alarm_lamp(value: object) -> object:
    """A pin alone is a single lamp, for all there is to show."""
    return {"alarm": value} if isinstance(value, str) else value


class SignalsSettings(_Block):
    """Lamp, buzzer and button, by BCM numbers of the pins; None where there is none."""

    lamp: Annotated[LampSettings, BeforeValidator(_as_alarm_lamp)] | None = None
    buzzer: _Pin | None = None
    button: _Pin | None = None
    quiet_hours: _QuietHours | None = None


class CompressorSettings(_Block):
    """The compressor that fills the pots; pressures gauge. Only the plan before a pour goes by it.

    free_air: delivered, not drawn in. at: the pressure it is given for, None for cut_out. effective_area: of
    hose, regulator and valve, None where not known.
    """

    tank: Annotated[_Quantity, _quantity(units.VOLUME, "0.5 L", "2000 L")] = _need("24 L")
    free_air: _FreeAir = _need("90 L/min")
    at: _Limit | None = None
    cut_out: _Limit = _need("120 psi")
    cut_in: Annotated[_Limit, _up_to("cut_out", or_equal=False)] = _need("90 psi")
    effective_area: _Area | None = None


class UnitsSettings(_Block):
    pressure: Literal["psi", "bar", "kPa"] = "psi"


class Settings(_Block):
    """All of one workshop's settings, as in force: defaults filled in, paths absolute."""

    workshop: _Id = _need("harbour-models")
    pots: dict[_Id, PotSettings] = _need("{lantern: ...}", min_length=1)
    resins: dict[_Id, ResinSettings] = {}
    barometer: BarometerSettings = BarometerSettings()
    compressor: CompressorSettings | None = None
    mqtt: MqttSettings | None = None
    signals: SignalsSettings | None = None
    record: RecordSettings = Field(default_factory=RecordSettings)
    page: PageSettings = Field(default_factory=lambda: PageSettings.model_validate({}))
    sample_period: _Period = units.TIME.read("1 s")
    units: UnitsSettings = UnitsSettings()
    timezone: _Zone | None = None

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
        """Build the times of every resin that can be named, the list's and own ones."""
        listed = {name: ResinSettings.model_validate(keys) for name, keys in _known_resins().items()}
        return {name: resin.core_resin() for name, resin in (listed | self.resins).items()}

    def as_json(self) -> str:
        """Return the settings in force as JSON, which load_text takes again. There is no secret in it."""
        nowhere = {"bus", "address"} if self.barometer.device is None else set()
        return self.model_dump_json(exclude_none=True, exclude={"barometer": nowhere})


# --- from the file to the blocks


def load(path: Path) -> Settings:
    """Read the settings file. Raises SettingsError with every fault of it."""
    return load_text(text_of(path), str(path))


def load_text(text: str, name: str) -> Settings:
    """Read settings from a text. Raises SettingsError with every fault of it.

    name: stands before each fault; files with a relative path are sought beside it.
    """
    outline = Outline(_composed(text, name), name)
    if not isinstance(outline.tree, dict):
        raise SettingsError(f"{name}:1: {shown(outline.tree)} where keys are due; begin with workshop: ...")
    for block in ("pots", "resins"):
        if len(outline.tree.get(block) or ()) > _MOST_OF_A_KIND:  # each is compared with every other
            outline.add(
                (block,), f"has more than {_MOST_OF_A_KIND}; give fewer, or settings for each machine"
            )
            raise SettingsError(*outline.told())
    _fill_in_resins(outline)
    settings = None
    try:
        settings = Settings.model_validate(outline.tree, context={"folder": Path(name).parent})
    except ValidationError as error:
        for record in error.errors(include_url=False):
            outline.add(*explain(record, Settings))
    listed = outline.tree.get("pots")
    listed = listed if isinstance(listed, dict) else {}
    pots = {pot: keys for pot, keys in listed.items() if isinstance(keys, dict)}
    _compare_wires(pots, outline)
    _compare_probes(pots, outline)
    _compare_pins(outline, pots)
    if settings is None or outline.told():
        raise SettingsError(*outline.told())
    return settings


def _fill_in_resins(outline: Outline) -> None:
    """Put the times of the resin that a pot names beside it, where the pot gives none itself."""
    assert isinstance(outline.tree, dict)
    own, pots = outline.tree.get("resins"), outline.tree.get("pots")
    resins = _known_resins() | (own if isinstance(own, dict) else {})
    for pot, keys in pots.items() if isinstance(pots, dict) else ():
        cure = keys.get("cure") if isinstance(keys, dict) else None
        if not isinstance(keys, dict) or not isinstance(cure, dict) or not isinstance(cure.get("resin"), str):
            continue
        name = str(cure["resin"])
        resin = resins.get(name)
        if isinstance(resin, dict) and _sound(ResinSettings, resin):
            keys["cure"] = {**resin, **cure}
        elif name not in resins:
            near = difflib.get_close_matches(name, resins, n=1) or sorted(resins)[:1]
            outline.add(
                ("pots", pot, "cure", "resin"),
                f"{shown(name)} is not in the list; did you mean {near[0]}? Own ones go under resins:",
            )
            keys["cure"] = {"hold": "10 h", **cure}  # one fault is enough


@cache
def _known_resins() -> dict[str, Any]:
    known = yaml.safe_load(files("potvigil").joinpath("resins.yaml").read_text(encoding="utf-8"))
    assert isinstance(known, dict)
    return known


def _composed(text: str, name: str) -> yaml.Node | None:
    if len(text) > LARGEST_FILE_BYTES:  # such as a record's, which may come from an archive of unknown make
        raise SettingsError(f"{name}: over {LARGEST_FILE_BYTES // 1024} kB; give a settings file")
    if (line_of := _too_many_brackets(text)) is not None:
        raise SettingsError(f"{name}:{line_of}: not YAML: nested too deeply; write `key: value` instead")
    try:
        return yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.reader.ReaderError as error:
        line, problem = text.count("\n", 0, error.position) + 1, "a character that YAML does not take"
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, problem = mark.line + 1 if mark else 1, f"{error.context or 'here'}, {error.problem}"
    except RecursionError:
        line, problem = 1, "nested too deeply"
    raise SettingsError(f"{name}:{line}: not YAML: {problem}; write `key: value`, indented with spaces")


def _too_many_brackets(text: str) -> int | None:
    """Return the line where more brackets are open than settings need: the parser looks at all for each."""
    depth = 0
    for match in re.finditer(r"[][{}]", text):
        depth = depth + 1 if match[0] in "[{" else max(depth - 1, 0)
        if depth > _MOST_BRACKETS:
            return text.count("\n", 0, match.start()) + 1
    return None


def _compare_wires(pots: dict[str, dict[str, Any]], outline: Outline) -> None:
    """Look for two uses of one input of one converter; what is itself at fault is passed over."""
    transducers = {pot: _sound(TransducerSettings, keys.get("transducer", {})) for pot, keys in pots.items()}
    read_by: dict[tuple[tuple[str, int, int], int], str] = {}
    kinds: dict[tuple[str, int, int], tuple[str, str]] = {}
    for pot, wire in transducers.items():
        if wire is None:
            continue
        kind, owner = kinds.setdefault(wire.converter, (wire.device, pot))
        if kind != wire.device:
            text = f"{wire.device} is at the place of pots.{owner}'s {kind}; give another place"
            outline.add(("pots", pot, "transducer", "device"), text)
        if read_by.setdefault((wire.converter, wire.channel), pot) != pot:
            first = read_by[wire.converter, wire.channel]
            text = f"{wire.channel} at {_place(wire)} is read by pots.{first}; give another"
            outline.add(("pots", pot, "transducer", "channel"), text)
    for pot, wire in transducers.items():
        if wire and wire.supply_channel is not None:
            owner_of = read_by.get((wire.converter, wire.supply_channel))
            if owner_of:
                text = f"{wire.supply_channel} is the channel of pots.{owner_of}'s transducer; give another"
                outline.add(("pots", pot, "transducer", "supply_channel"), text)
        for path, probe in _probes(pot, pots[pot]):
            if wire and probe.device == "ntc":
                _compare_thermistor(path, probe, wire, read_by, outline)
            elif probe.is_platinum and ("SPI", 0, probe.spi_device or 0) in kinds:
                text = f"{probe.spi_device or 0} is the chip select of a converter; give the other"
                outline.add((*path, "spi_device"), text)


def _compare_thermistor(
    path: tuple[str | int, ...],
    probe: ThermometerSettings,
    wire: TransducerSettings,
    read_by: dict[tuple[tuple[str, int, int], int], str],
    outline: Outline,
) -> None:
    for key, channel in (("channel", probe.channel), ("supply_channel", probe.supply_channel)):
        if channel is None:
            continue
        if channel > 3 and wire.device not in _ON_SPI:
            outline.add((*path, key), f"{channel} is too large; an {wire.device} has 0 to 3")
        owner = read_by.get((wire.converter, channel))
        if owner:
            outline.add((*path, key), f"{channel} is the channel of pots.{owner}'s transducer; give another")
    supply = probe.supply or units.VOLTAGE.read("3.3 V")
    if wire.device in _ON_SPI and supply.si > wire.full_scale.si:
        text = (
            f"{supply} is above the converter's reference of {wire.full_scale}; supply the divider from that"
        )
        outline.add((*path, "supply"), text)
    if probe.channel == probe.supply_channel:
        outline.add((*path, "supply_channel"), f"{probe.channel} is its own channel; give another")


def _place(wire: TransducerSettings) -> str:
    return (
        f"bus {wire.bus}, {wire.address:#x}"
        if wire.converter[0] == "I2C"
        else f"chip select {wire.spi_device}"
    )


def _probes(pot: str, keys: dict[str, Any]) -> list[tuple[tuple[str | int, ...], ThermometerSettings]]:
    """Return a pot's sound thermometers, each with its path."""
    listed = keys.get("thermometer")
    found: list[tuple[tuple[str | int, ...], ThermometerSettings]] = []
    for index, tree in enumerate(listed if isinstance(listed, list) else [listed]):
        if probe := _sound(ThermometerSettings, tree):
            found.append((("pots", pot, "thermometer", index), probe))
    return found


def _compare_probes(pots: dict[str, dict[str, Any]], outline: Outline) -> None:
    """Look for two thermometers at one place or on one probe; a room's may serve several pots."""
    probes = [each for pot, keys in pots.items() for each in _probes(pot, keys)]
    for (path, probe), (other_path, other) in itertools.combinations(probes, 2):
        same_pot = path[1] == other_path[1]
        if same_pot and probe.place == other.place:
            outline.add((*other_path, "place"), f"{other.place} has a thermometer already; give another")
        if probe == other and not same_pot and probe.place == Place.ROOM:
            continue
        if probe.is_platinum and other.is_platinum and (probe.spi_device or 0) == (other.spi_device or 0):
            text = f"{other.spi_device or 0} is the chip select of another thermometer; give the other"
            outline.add((*other_path, "spi_device"), text)
        if probe.device != "ds18b20" or other.device != "ds18b20":
            continue
        if probe.id == other.id and probe.id:
            outline.add((*other_path, "id"), f"{other.id} is named twice; give each its own probe")
        for unnamed in (at for at, one in ((path, probe), (other_path, other)) if one.id is None):
            outline.add((*unnamed, "id"), "is missing; with several thermometers give the id of each")


# Which pins of the 40-pin header a bus takes up. Raspberry Pi documentation: GPIO and the 40-pin header; I2C
# buses other than 1 lie where an overlay puts them.
_PINS_OF = {"I2C bus 1": (2, 3), "1-Wire": (4,), "SPI": (7, 8, 9, 10, 11)}


def _compare_pins(outline: Outline, pots: dict[str, dict[str, Any]]) -> None:
    """Look for a pin of the signals that is named twice, or that a bus of the settings needs."""
    tree = outline.tree.get("signals") if isinstance(outline.tree, dict) else None
    if not isinstance(tree, dict):
        return
    taken = {pin: f"is taken by {bus}" for bus in _buses(outline.tree, pots) for pin in _PINS_OF.get(bus, ())}
    lamps = tree.get("lamp")
    named = [("lamp", key) for key in ("calm", "note", "alarm")] if isinstance(lamps, dict) else [("lamp",)]
    for path in [*named, ("buzzer",), ("button",)]:
        value: Any = tree
        for key in path:
            value = value.get(key)
        try:
            pin = _pin(value)
        except ValueError:
            continue  # not there, or itself at fault
        dotted = "signals." + ".".join(path)
        if pin in taken:
            outline.add(("signals", *path), f"GPIO {pin} {taken[pin]}; give another pin")
        else:
            taken[pin] = f"is {dotted} already"


def _buses(tree: Any, pots: dict[str, dict[str, Any]]) -> set[str]:
    """Return the buses that the settings read from."""
    barometer = _sound(BarometerSettings, tree.get("barometer", {}))
    buses = set() if barometer is None or barometer.device is None else {f"I2C bus {barometer.bus}"}
    for pot, keys in pots.items():
        wire = _sound(TransducerSettings, keys.get("transducer", {}))
        if wire is not None:
            buses.add("SPI" if wire.device in _ON_SPI else f"I2C bus {wire.bus}")
        for _, probe in _probes(pot, keys):
            if probe.is_platinum:
                buses.add("SPI")
            elif probe.device == "ds18b20":
                buses.add("1-Wire")
    return buses


def _sound(block: type[B], tree: Any) -> B | None:
    try:
        return block.model_validate(tree)
    except ValidationError:
        return None
