"""Which learnt constants no longer hold once a part of the pot, or the mould, was changed.

Names of quantities as in leak/pot_model.py, LEARNT. Seal and valves are not here: how a pot leaks is never
learnt.
"""

from collections.abc import Collection

from potvigil.model.maintenance import Part

OF_THE_PROBES = frozenset({"contents-probe-gain"})
OF_THE_MOULD = frozenset(
    {
        *("wall-surface", "core-surface", "surface-core"),
        *("surface-begins", "core-begins", "uptake"),
    }
)
_BY_PART = {Part.THERMOMETER: OF_THE_PROBES}


def forgotten(parts: Collection[str], *, same_mould: bool) -> frozenset[str]:
    """Return the names of constants to learn again. parts: maintained since the batch that taught."""
    names = frozenset[str]().union(*(of for part, of in _BY_PART.items() if part in parts))
    return names if same_mould else names | OF_THE_MOULD
