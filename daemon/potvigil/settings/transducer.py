"""The settings of a transducer and of the converter that reads it."""

from typing import Annotated, Any, Literal

from pydantic import (
    Field,
    SerializerFunctionWrapHandler,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
    model_serializer,
)

from potvigil import units
from potvigil.model.pot import Reference
from potvigil.model.signal import LOOP, RATIOMETRIC, Signal
from potvigil.settings.block import Block
from potvigil.settings.outline import either
from potvigil.settings.values import (
    Bus,
    Channel,
    FullScale,
    Hex,
    Select,
    Shunt,
    SignalName,
    Span,
    SupplyVoltage,
    Zero,
    one_of,
)
from potvigil.units import Quantity

# Counts in the full scale: TI SBAS444 and SBAS473 (of one polarity), Microchip DS21295 and DS21298.
_COUNTS = {"ads1115": 32768, "ads1015": 2048, "mcp3008": 1024, "mcp3208": 4096}
ON_SPI = ("mcp3008", "mcp3208")
_FULL_SCALES = ("2.048 V", "4.096 V", "6.144 V")  # of an ADS1115: those suitable for such signals
_USUAL_REFERENCE = "3.3 V"  # of an MCP3008, which the Pi can read without more


class TransducerSettings(Block):
    """A transducer and the converter that reads it. bus, address: on I2C; spi_device: chip select on SPI.

    shunt: what a current is measured over. divider: volts at the converter's pin over volts at the
    transducer, on both channels. full_scale: the converter's range, of an MCP its reference; by default the
    narrowest that covers the signal.
    """

    device: Literal["ads1115", "ads1015", "mcp3008", "mcp3208"] = "ads1115"
    bus: Bus = 1
    address: Annotated[Hex, one_of({hex(address): address for address in range(0x48, 0x4C)})] = 0x48
    spi_device: Select = 0
    channel: Channel = 0
    signal: SignalName = RATIOMETRIC
    shunt: Shunt | None = Field(None, validate_default=True)
    supply_channel: Channel | None = None
    supply: SupplyVoltage = units.VOLTAGE.read("5 V")
    divider: Annotated[float, Field(ge=0.01, le=1.0)] = 1.0
    span: Span = units.PRESSURE.read("100 psi")
    reference: Reference = Reference.GAUGE
    zero: Zero = units.PRESSURE.read("0 psi")
    slope: Annotated[float, Field(ge=0.8, le=1.25)] = 1.0
    full_scale: FullScale = Field(None, validate_default=True)

    @field_validator("bus", "address", "spi_device")
    @classmethod
    def _on_its_bus(cls, value: int, info: ValidationInfo) -> int:
        device = info.data.get("device")
        if device is not None and (info.field_name == "spi_device") != (device in ON_SPI):
            has = "spi_device: 0 or 1" if device in ON_SPI else "bus and address"
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
            raise ValueError(f"does not apply to a signal of {signal.name}; take it out")
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
        on_spi = info.data["device"] in ON_SPI
        if given is None:
            return _usual_full_scale(on_spi, info.data)
        if on_spi and not 2.5 <= given.si <= 5.5:
            raise ValueError("is not a reference of such a converter; give 2.5 V to 5.5 V")
        if not on_spi and given.si not in (units.VOLTAGE.read(each).si for each in _FULL_SCALES):
            raise ValueError(f"is not known; give {either(reversed(_FULL_SCALES))}")
        if fault := _too_narrow(given, info.data):
            raise ValueError(fault)
        return given

    @model_serializer(mode="wrap")
    def _what_applies(self, dump: SerializerFunctionWrapHandler) -> dict[str, Any]:
        nowhere = {"bus", "address"} if self.device in ON_SPI else {"spi_device"}
        if self.signal is not RATIOMETRIC:
            nowhere |= {"supply", "supply_channel"}
        return {key: value for key, value in dump(self).items() if key not in nowhere}

    @property
    def volts_per_count(self) -> float:
        """Volts at the transducer per count of the converter."""
        return self.full_scale.si / _COUNTS[self.device] / self.divider

    @property
    def largest_count(self) -> int:
        """The count of the converter at the end of its range, and beyond."""
        return _COUNTS[self.device] - 1

    @property
    def converter(self) -> tuple[str, int, int]:
        """Checks of keys that apply to one kind of converter only."""
        return ("SPI", 0, self.spi_device) if self.device in ON_SPI else ("I2C", self.bus, self.address)


def _comes_in_v(of: dict[str, Any], to_the_last: bool) -> float:
    """Return the highest voltage at the converter's pin; to_the_last: including what only a fault gives."""
    signal: Signal = of["signal"]
    highest = signal.failed[1] if to_the_last or signal is LOOP else signal.full
    if signal is LOOP:
        highest *= of["shunt"].si / 1000.0
    elif signal is RATIOMETRIC:  # the supply itself is an input where it is measured
        highest = of["supply"].si * (1.0 if to_the_last or of["supply_channel"] is not None else highest)
    return float(highest * of["divider"])


def _usual_full_scale(on_spi: bool, of: dict[str, Any]) -> Quantity:
    """Return the narrowest range that covers the input. Raises ValueError where none does."""
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
            f"over {of['shunt']} ends at {ends_ma:.4g} mA, and a failure is signalled by {told_ma:g} mA; "
            "give a wider range or leave it out"
        )
    return f"is below the {comes_in_v:.3g} V that come in; give a wider range or a divider"
