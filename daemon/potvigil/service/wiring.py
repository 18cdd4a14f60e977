"""Turns the settings into what is to be opened: converters, thermometers, broker, lamp and buzzer."""

import logging
import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from potvigil.drivers.buses.i2c import Bus, open_bus
from potvigil.drivers.buses.spi import PinFactory, system_pins
from potvigil.drivers.converters.converter import Converter
from potvigil.drivers.station import BarometerWiring, PotWiring, Station, Thermometer, open_station
from potvigil.drivers.thermometers.ds18b20 import ONE_WIRE_ROOT, THE_ONLY_ONE, find_probes
from potvigil.drivers.thermometers.max31865 import RtdWiring
from potvigil.drivers.thermometers.ntc import Coefficients, NtcWiring, of_beta
from potvigil.model.quiet_hours import QuietHours
from potvigil.model.reading import Place
from potvigil.outputs.broker.mqtt_link import MqttLink, read_password
from potvigil.outputs.patterns import Lamp
from potvigil.outputs.signals import Wiring
from potvigil.paths import usual_live, usual_status
from potvigil.service.notified import Notified
from potvigil.settings.network import MqttSettings
from potvigil.settings.schema import PotSettings, Settings
from potvigil.settings.thermometer import ThermometerSettings

_log = logging.getLogger("potvigil")


class WiringError(ValueError):
    """Neither the settings nor the devices plugged in say which device is meant."""


def open_inputs(
    settings: Settings,
    *,
    bus_opener: Callable[[int], Bus] = open_bus,
    pins: Callable[[], PinFactory] = system_pins,
    one_wire_root: Path = ONE_WIRE_ROOT,
    executor: Executor | None = None,
    sleep: Callable[[float], None] = time.sleep,
) -> Station:
    """Open the devices of the settings. Raises WiringError where a thermometer needs an id but has none."""
    pots = [_wiring(pot_id, pot, one_wire_root) for pot_id, pot in settings.pots.items()]
    barometer = None
    if settings.barometer.device is not None:
        wire = settings.barometer
        barometer = BarometerWiring(wire.bus, wire.address, wire.device or "")
    return open_station(
        pots,
        barometer,
        bus_opener=bus_opener,
        pins=pins,
        one_wire_root=one_wire_root,
        executor=executor,
        sleep=sleep,
    )


def mqtt_link(settings: MqttSettings) -> MqttLink:
    """Return how to reach the broker; the password is read from its file. Raises MqttPasswordError."""
    tls = settings.tls
    return MqttLink(
        host=settings.host,
        port=settings.port,
        version=settings.version,
        username=settings.username,
        password=None if settings.password_file is None else read_password(settings.password_file),
        tls=tls is not None,
        ca_file=None if tls is None else tls.ca_file,
        certificate_file=None if tls is None else tls.cert_file,
        key_file=None if tls is None else tls.key_file,
        client_id=settings.client_id,
        discovery_prefix=settings.discovery_prefix if settings.discovery else None,
    )


def signal_wiring(settings: Settings) -> Wiring:
    """Return the pins of lamp, buzzer and button."""
    signals = settings.signals
    if signals is None:
        return Wiring()
    lamps = {} if signals.lamp is None else {Lamp(lamp): pin for lamp, pin in signals.lamp if pin is not None}
    return Wiring(lamps, signals.buzzer, signals.button)


def quiet_hours(settings: Settings) -> QuietHours | None:
    if settings.signals is None or settings.signals.quiet_hours is None:
        return None
    return QuietHours(*settings.signals.quiet_hours, settings.timezone)


def notified(settings: Settings) -> Notified | None:
    """Return where the notifier writes its status, None where none is configured."""
    if settings.notify is None and settings.heartbeat is None:
        return None
    names = () if settings.notify is None else tuple(each.name for each in settings.notify.targets)
    return Notified(usual_status(settings.page.live or usual_live(writing=True)), names)


def _wiring(pot_id: str, pot: PotSettings, one_wire_root: Path) -> PotWiring:
    wire = pot.transducer
    probes: list[tuple[Place, Thermometer]] = []
    for thermometer in pot.thermometer:
        wired = thermometer_wiring(thermometer, pot)
        if wired is not None:
            probes.append((thermometer.place, wired))
            continue
        rom_id = thermometer.id
        if rom_id is None:
            found = find_probes(one_wire_root)
            if len(found) > 1:
                raise WiringError(
                    f"pots.{pot_id}.thermometer: no id, and {len(found)} thermometers are plugged in "
                    f"({', '.join(found)}); give id: with one of them"
                )
            if not found:  # the watch goes on; its alarm says that the thermometer is absent
                _log.warning("pots.%s.thermometer: no DS18B20 under %s; plug one in", pot_id, one_wire_root)
            rom_id = found[0] if found else THE_ONLY_ONE
        probes.append((thermometer.place, rom_id))
    return PotWiring(
        pot_id,
        converter=_converter(pot),
        channel=wire.channel,
        supply_channel=wire.supply_channel,
        probes=tuple(probes),
    )


def thermometer_wiring(of: ThermometerSettings, pot: PotSettings) -> NtcWiring | RtdWiring | None:
    """Return the wiring of a thermistor or platinum thermometer, with defaults; None for a DS18B20."""
    if of.is_platinum:
        return _platinum(of)
    return _thermistor(of, _converter(pot)) if of.device == "ntc" else None


def _converter(pot: PotSettings) -> Converter:
    wire = pot.transducer
    return Converter(wire.device, wire.bus, wire.address, wire.spi_device, wire.full_scale.si)


def _thermistor(of: ThermometerSettings, converter: Converter) -> NtcWiring:
    supply_v = 3.3 if of.supply is None else of.supply.si
    ranges = (2.048, 4.096, 6.144) if converter.on_i2c else (converter.full_scale_v,)
    full_scale_v = next((each for each in ranges if each >= supply_v), ranges[-1])
    nominal_ohm = 10_000.0 if of.nominal is None else of.nominal.si
    if of.coefficients is not None:
        coefficients = Coefficients(*of.coefficients)
    else:
        assert of.beta is not None  # the settings require it
        coefficients = of_beta(of.beta.si, nominal_ohm)
    return NtcWiring(
        replace(converter, full_scale_v=full_scale_v),
        of.channel or 0,
        coefficients,
        supply_v,
        of.supply_channel,
        10_000.0 if of.resistor is None else of.resistor.si,
        of.side != "supply",
        by_beta=of.coefficients is None,
    )


def _platinum(of: ThermometerSettings) -> RtdWiring:
    at_0_c_ohm = 1000.0 if of.device == "pt1000" else 100.0
    usual_ohm = 4.3 * at_0_c_ohm  # the usual reference resistor on boards for either
    reference_ohm = usual_ohm if of.reference_resistor is None else of.reference_resistor.si
    return RtdWiring(of.spi_device or 0, int(of.wires or 2), at_0_c_ohm, reference_ohm)
