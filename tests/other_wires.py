"""A named night behind other wires: the settings are changed, and the simulated chips follow them."""

import re
from dataclasses import replace

from potvigil.commands.rehearsal.own_wiring import on_own_wiring
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import Night

# Each with what a caster would wire to it: no 5 V into a 3.3 V chip, and no 10 V into any.
TRANSDUCERS = {
    "ads1115": "{device: ads1115, supply_channel: 1, span: 100 psi}",
    "ads1115-loop": "{device: ads1115, signal: 4-20 mA, shunt: 100 ohm, span: 100 psi}",
    "ads1115-ten-volt": "{device: ads1115, signal: 0-10 V, divider: 0.333, span: 100 psi}",
    "ads1015": "{device: ads1015, supply_channel: 1, span: 100 psi}",
    "mcp3208": "{device: mcp3208, divider: 0.6, supply_channel: 1, span: 100 psi}",
    "mcp3008": "{device: mcp3008, divider: 0.6, span: 100 psi}",
    "mcp3008-supply": "{device: mcp3008, divider: 0.6, supply_channel: 1, span: 100 psi}",
}


def behind(name: str, transducer: str, thermometer: str | None = None, barometer: str | None = None) -> Night:
    """Return a named night whose settings have these blocks in place of its own."""
    text = re.sub(r"transducer: \{.*\}", f"transducer: {transducer}", NIGHTS[name].settings_yaml)
    if thermometer is not None:
        text = re.sub(r"thermometer: .*", f"thermometer: {thermometer}", text)
    if barometer is not None:
        text = re.sub(r"barometer: .*", f"barometer: {barometer}", text)
    return replace(on_own_wiring(NIGHTS[name], load_text(text, name)), settings_yaml=text)
