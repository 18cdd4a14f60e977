"""The settings of a thermometer."""

from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from potvigil.settings.block import Block, need
from potvigil.settings.values import (
    Beta,
    Channel,
    Coefficients,
    Divided,
    PlaceName,
    ProbeId,
    Resistor,
    Select,
)

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


class ThermometerSettings(Block):
    """One probe. id: of a DS18B20 on its wire, None for the only one found there.

    Of a thermistor, on an input of the pot's own converter: side: which end of its divider it is at. nominal:
    its resistance at 25 C. beta or coefficients (Steinhart-Hart): one of them. Of a Pt100 or Pt1000 over a
    MAX31865: spi_device: its chip select. reference_resistor: on its board. None means the default.
    """

    place: PlaceName = need("gas")
    device: Literal["ds18b20", "ntc", "pt100", "pt1000"] = "ds18b20"
    id: ProbeId | None = None
    channel: Channel | None = Field(None, validate_default=True)
    supply_channel: Channel | None = None
    supply: Divided | None = None
    resistor: Resistor | None = None
    side: Literal["ground", "supply"] | None = None
    nominal: Resistor | None = None
    beta: Beta | None = None
    coefficients: Coefficients | None = Field(None, validate_default=True)
    spi_device: Select | None = None
    wires: Literal["2", "3", "4"] | None = None
    reference_resistor: Resistor | None = None

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
                raise ValueError("cannot be combined with beta; give one of them")
        return value

    @property
    def is_platinum(self) -> bool:
        return self.device in ("pt100", "pt1000")
