"""What a pot's past no longer tells once a part of it, or the mould, is another; and that in words.

Names of quantities as in core/thermal.py, LEARNT. Seal and valves are not here: how a pot leaks is never
learnt.
"""

from collections.abc import Collection, Iterator, Sequence
from datetime import tzinfo

from potvigil.core.care import Care, Part
from potvigil.core.words import shown, whole_date

OF_THE_PROBES = frozenset({"contents-probe-gain"})
OF_THE_MOULD = frozenset(
    {
        *("wall-surface", "core-surface", "surface-core"),
        *("surface-begins", "core-begins", "uptake"),
    }
)
_BY_PART = {Part.THERMOMETER: OF_THE_PROBES}
_SAID = {Part.THERMOMETER: ("A thermometer was moved or changed", "what the thermometers see of the pot")}


def is_same_mould(one: str, other: str) -> bool:
    """Return whether two batches surely had the same mould; one that was not named is none of them."""
    names = [" ".join(name.split()).casefold() for name in (one, other)]
    return names[0] == names[1] != ""


def forgotten(parts: Collection[str], *, same_mould: bool) -> frozenset[str]:
    """Return the names of what is to be learnt anew. parts: that were seen to since the batch that taught."""
    names = frozenset[str]().union(*(of for part, of in _BY_PART.items() if part in parts))
    return names if same_mould else names | OF_THE_MOULD


def known_lines(
    batches: int, cares: Sequence[Care], taught: tuple[int, str], newest: tuple[int, str], tz: tzinfo | None
) -> Iterator[str]:
    """Yield what is known of a pot from its batches, and what of it was forgotten since, a sentence each.

    cares: since the batch that taught last. taught, newest: number and mould of that batch, and of the
    pot's newest one.
    """
    count = "1 batch" if batches == 1 else f"{batches} batches"
    yield f"Known from {count}: the watch sees a leak sooner."
    for part, (done, what) in _SAID.items():
        given = [care for care in cares if care.part is part]
        if given:
            utc_s = given[-1].utc_s
            on = "" if utc_s is None else f" on {whole_date(utc_s, tz)}"
            yield f"{done}{on}: {what} is forgotten, and learnt anew."
    (taught_by, was), (number, mould) = taught, newest
    if is_same_mould(was, mould):
        return
    if not mould.strip():
        yield (
            f"Batch {number} names no mould, so what was learnt of moulds does not count: "
            f'name it with `potvigil batch edit {number} --mould "..."`.'
        )
    elif number == taught_by:
        return
    else:
        before = f'"{shown(was)}"' if was.strip() else "not named"
        yield (
            f'The mould of batch {number} is "{shown(mould)}", that of batch {taught_by} was {before}: '
            "what was known of the mould is forgotten, and learnt anew."
        )
