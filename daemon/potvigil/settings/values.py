"""How the text of one value is read.

YAML interprets no scalar here: each stays the text as written, and the type of its key reads that text. So
`10:30` is not 630, `no` is not False, and a fault shows what is in the file. A ValueError is worded to follow
that text.
"""

import difflib
import re
from datetime import time as clock_time
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, PlainSerializer, PlainValidator, ValidationInfo

from potvigil import units
from potvigil.model.reading import Place
from potvigil.model.signal import SIGNALS, Signal
from potvigil.paths import systemd_folder
from potvigil.settings.outline import either, shown
from potvigil.units import Quantity

CLOCK = "(?:[01]?[0-9]|2[0-3]):[0-5][0-9]"
# a name or IPv4, or IPv6; of possible lengths, each character checked once
HOST = r"[A-Za-z0-9.-]{1,253}|(?=[^:]*:[^:]*:)[0-9A-Fa-f:.]{2,45}"


def quantity(kind: units.QuantityKind, low: str, high: str) -> PlainValidator:
    lowest, highest = kind.read(low), kind.read(high)

    def read(value: object) -> Quantity:
        if not isinstance(value, str):
            raise ValueError(f"{shown(value)} where {kind.name} is expected; give {low} to {high}")
        quantity = kind.read(value)
        if not lowest.si <= quantity.si <= highest.si:
            raise ValueError(f"is out of range; give {low} to {high}")
        return quantity

    return PlainValidator(read)


def up_to(name: str, *, or_equal: bool) -> AfterValidator:
    """Require a quantity to be below another of its block; skipped while that one is itself at fault."""

    def validate(value: Quantity, info: ValidationInfo) -> Quantity:
        bound: Quantity | None = info.data.get(name)
        if bound is not None and (value.si > bound.si or (value.si == bound.si and not or_equal)):
            relation = "above" if value.si > bound.si else "equal to"
            raise ValueError(f"is {relation} {name} {bound}; give {allowed} {bound}")
        return value

    allowed = "at most" if or_equal else "less than"
    return AfterValidator(validate)


def one_of(words: dict[str, Any], *others: str) -> PlainValidator:
    """Read one of the words, ignoring case and blanks, into its meaning. others: named only in the fault."""
    meanings = {word.replace(" ", "").lower(): meaning for word, meaning in words.items()}

    def read(value: object) -> Any:
        try:
            return meanings[str(value).replace(" ", "").lower()]
        except KeyError:
            raise ValueError(f"is not known; give {either([*words, *others])}") from None

    return PlainValidator(read)


def matching(pattern: str, what: str) -> AfterValidator:
    def read(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise ValueError(f"does not fit; give {what}")
        return text

    return AfterValidator(read)


def beside(folder_variable: str = "") -> AfterValidator:
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


def pin_number(value: object) -> int:
    """Read the BCM number of a pin of the 40-pin header; GPIO 0 and 1 are kept for the board's own use."""
    match = re.fullmatch(r"(?:GPIO ?)?([0-9]{1,2})", str(value))
    if match is None or not 2 <= int(match[1]) <= 27:
        raise ValueError("is not a pin; give its BCM number, 2 to 27, as in GPIO17")
    return int(match[1])


def read_quiet_hours(value: object) -> tuple[clock_time, clock_time]:
    match = re.fullmatch(rf"({CLOCK}) ?- ?({CLOCK})", str(value))
    if match is None:
        raise ValueError("is not from one time to another; give them like 22:00-07:00")
    begin, end = (clock_time.fromisoformat(each.zfill(5)) for each in match.groups())
    if begin == end:
        raise ValueError("ends when it begins; give two times like 22:00-07:00")
    return begin, end


def read_quiet_hours_or_none(value: object) -> tuple[clock_time, clock_time] | None:
    return None if value == "none" else read_quiet_hours(value)


def read_coefficients(value: object) -> tuple[float, float, float]:
    try:
        a, b, c = map(float, value if isinstance(value, list) else [])
    except (TypeError, ValueError):
        raise ValueError("is not a, b and c; give three numbers, as [1.129e-3, 2.341e-4, 8.767e-8]") from None
    if not (0.0 < a < 0.1 and 0.0 < b < 0.01 and -1e-5 < c < 1e-5):
        raise ValueError("does not describe a thermistor; give a, b and c for ohm and kelvin")
    return a, b, c


def read_timezone(value: object) -> ZoneInfo:
    try:
        return ZoneInfo(str(value))
    except (OSError, ValueError, KeyError):
        near = difflib.get_close_matches(str(value), available_timezones(), n=1) or ["Europe/Lisbon"]
        raise ValueError(f"is not a time zone; give an IANA name such as {near[0]}") from None


AnyQuantity = Annotated[Quantity, PlainSerializer(str, return_type=str)]
Volume = Annotated[AnyQuantity, quantity(units.VOLUME, "0 L", "2000 L")]
Limit = Annotated[AnyQuantity, quantity(units.PRESSURE, "1 psi", "300 psi")]
Span = Annotated[AnyQuantity, quantity(units.PRESSURE, "10 psi", "1000 psi")]
Zero = Annotated[AnyQuantity, quantity(units.PRESSURE, "-15 psi", "15 psi")]
SupplyVoltage = Annotated[AnyQuantity, quantity(units.VOLTAGE, "4.5 V", "5.5 V")]
Duration = Annotated[AnyQuantity, quantity(units.TIME, "1 min", "14 d")]
Wait = Annotated[AnyQuantity, quantity(units.TIME, "0 s", "12 h")]
Keeping = Annotated[AnyQuantity, quantity(units.TIME, "1 d", "36500 d")]
Period = Annotated[
    AnyQuantity, quantity(units.TIME, "0.2 s", "10 s")
]  # three ticks fit into WatchdogSec of the unit
Warmth = Annotated[AnyQuantity, quantity(units.TEMPERATURE, "0 C", "60 C")]
Swing = Annotated[AnyQuantity, quantity(units.TEMPERATURE_DIFFERENCE, "0 K", "60 K")]
Altitude = Annotated[AnyQuantity, quantity(units.LENGTH, "-430 m", "6000 m")]
FullScale = Annotated[AnyQuantity, quantity(units.VOLTAGE, "0.5 V", "10 V")]
Divided = Annotated[AnyQuantity, quantity(units.VOLTAGE, "1 V", "6 V")]
Shunt = Annotated[AnyQuantity, quantity(units.RESISTANCE, "1 ohm", "1000 ohm")]
Resistor = Annotated[AnyQuantity, quantity(units.RESISTANCE, "10 ohm", "1000 kohm")]
Beta = Annotated[AnyQuantity, quantity(units.TEMPERATURE_DIFFERENCE, "2000 K", "6000 K")]
Size = Annotated[AnyQuantity, quantity(units.SIZE, "3 cm", "3 m")]
Area = Annotated[AnyQuantity, quantity(units.AREA, "0.1 mm2", "500 mm2")]
FreeAir = Annotated[AnyQuantity, quantity(units.FREE_AIR, "5 L/min", "5000 L/min")]
SignalName = Annotated[Signal, one_of(SIGNALS), PlainSerializer(lambda signal: signal.name, return_type=str)]
Coefficients = Annotated[
    tuple[float, float, float], PlainValidator(read_coefficients), PlainSerializer(list, return_type=list)
]
Hex = Annotated[int, PlainSerializer(hex, return_type=str)]
PlaceName = Annotated[Place, one_of({place.value: place for place in Place}, "none"), PlainSerializer(str)]
Id = Annotated[str, matching(r"[a-z0-9-]+", "lower-case letters, digits and hyphens")]
ProbeId = Annotated[str, matching("28-[0-9a-f]{12}", "28- and 12 hex digits, as in /sys/bus/w1/devices")]
YesNo = Annotated[bool, one_of({"true": True, "false": False})]
TopicLevel = Annotated[str, matching(r"[A-Za-z0-9_-]{1,100}", "letters, digits, _ and -, without a slash")]
Text = Annotated[str, matching(r"\S(.*\S)?", "some text")]
Host = Annotated[str, matching(HOST, "a name or address, its port under port")]
Bus = Annotated[int, Field(ge=0, le=31)]
Channel = Annotated[int, Field(ge=0, le=7)]
Select = Annotated[int, Field(ge=0, le=1)]
File = Annotated[Path, beside()]
SecretFile = Annotated[Path, beside("CREDENTIALS_DIRECTORY")]
StateFile = Annotated[Path, beside("STATE_DIRECTORY")]
Pin = Annotated[int, PlainValidator(pin_number), PlainSerializer(int, return_type=int)]
QuietHours = Annotated[
    tuple[clock_time, clock_time],
    PlainValidator(read_quiet_hours),
    PlainSerializer(lambda hours: "-".join(f"{each:%H:%M}" for each in hours), return_type=str),
]
QuietHoursOrNone = Annotated[tuple[clock_time, clock_time] | None, PlainValidator(read_quiet_hours_or_none)]
Url = Annotated[str, matching(r"[A-Za-z][A-Za-z0-9+.-]*://[^\s]+", "an address like ntfy://host/topic")]
HttpUrl = Annotated[
    str, matching(r"https?://[^\s/?#]+[^\s]*", "an address that begins with http:// or https://")
]
Zone = Annotated[ZoneInfo, PlainValidator(read_timezone), PlainSerializer(str, return_type=str)]
