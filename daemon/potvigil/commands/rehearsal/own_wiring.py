"""A named night on the pot and wiring of a settings file, and the station that reads the simulation."""

from collections.abc import Sequence
from concurrent.futures import Executor

from potvigil.commands.shared.common import UseError
from potvigil.drivers.station import Station
from potvigil.drivers.thermometers.ds18b20 import InlineExecutor
from potvigil.drivers.thermometers.max31865 import RtdWiring
from potvigil.drivers.thermometers.ntc import NtcWiring
from potvigil.model.pot import Reference
from potvigil.service.wiring import open_inputs, thermometer_wiring
from potvigil.settings.schema import PotSettings, Settings
from potvigil.settings.thermometer import ThermometerSettings
from potvigil.sim.fitted import Fitting, fitted
from potvigil.sim.wires import Platinum, Thermistor, Wires
from potvigil.sim.world import Night, World


def one_pot(settings: Settings, pot_id: str | None) -> Settings:
    """Return the settings with that pot only, the first if none is named. Raises UseError."""
    if pot_id is None:
        pot_id = next(iter(settings.pots))
    return some_pots(settings, [pot_id])


def some_pots(settings: Settings, pot_ids: Sequence[str]) -> Settings:
    """Return the settings with those pots only, all of them if none is named. Raises UseError."""
    for pot_id in pot_ids:
        if pot_id not in settings.pots:
            raise UseError(f"--pot {pot_id}: no such pot; there are {', '.join(settings.pots)}")
    if not pot_ids:
        return settings
    return settings.model_copy(update={"pots": {each: settings.pots[each] for each in pot_ids}})


def simulated_station(settings: Settings, world: World, executor: Executor | None = None) -> Station:
    """Open the configured devices on the wires of a simulated world; reads take no real time.

    executor: for reads of 1-Wire thermometers, None to read them inline.
    """
    return open_inputs(
        settings,
        bus_opener=world.open_bus,
        pins=world.open_pins,
        one_wire_root=world.one_wire_root,
        executor=executor or InlineExecutor(),
        sleep=lambda seconds: None,
    )


def on_own_wiring(night: Night, settings: Settings) -> Night:
    """Return the night adapted to the only pot of the settings and its wires."""
    (pot,) = settings.pots.values()
    wire, barometer = pot.transducer, settings.barometer
    wires = Wires(
        converter=wire.device,
        bus=wire.bus,
        address=wire.address,
        select=wire.spi_device,
        reference_v=wire.full_scale.si,
        channel=wire.channel,
        supply_channel=wire.supply_channel,
        divider=wire.divider,
        signal=wire.signal.name,
        shunt_ohm=100.0 if wire.shunt is None else wire.shunt.si,
        absolute=wire.reference is Reference.ABSOLUTE,
        barometer=barometer.device,
        barometer_bus=barometer.bus,
        barometer_address=barometer.address,
    )
    return fitted(
        night,
        Fitting(
            working_pa=pot.working_pressure.si,
            maximum_pa=pot.maximum_pressure.si,
            internal_volume_m3=pot.internal_volume.si,
            contents_volume_m3=None if pot.contents_volume is None else pot.contents_volume.si,
            hold_s=pot.cure.hold.si,
            span_pa=wire.span.si * wire.slope,
            zero_pa=wire.zero.si * wire.slope,
            supply_v=wire.supply.si,
            wires=wires,
            probes=[(each.place.value, each.id, _sensor(each, pot)) for each in pot.thermometer],
        ),
    )


def _sensor(of: ThermometerSettings, pot: PotSettings) -> Thermistor | Platinum | None:
    wired = thermometer_wiring(of, pot)
    if isinstance(wired, NtcWiring):
        by = wired.coefficients
        return Thermistor(
            wired.channel,
            (by.a, by.b, by.c),
            wired.resistor_ohm,
            wired.to_ground,
            wired.supply_v,
            wired.supply_channel,
        )
    if isinstance(wired, RtdWiring):
        return Platinum(wired.select, wired.at_0_c_ohm, wired.reference_ohm)
    return None
