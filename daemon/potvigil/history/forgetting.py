"""What a pot's past no longer tells once a part of it, or the mould, is another.

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
    """Return the names of what is to be learnt anew. parts: that were seen to since the batch that taught."""
    names = frozenset[str]().union(*(of for part, of in _BY_PART.items() if part in parts))
    return names if same_mould else names | OF_THE_MOULD
