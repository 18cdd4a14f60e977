"""The settings as a tree that grows answer by answer; each answer is checked by the settings' own rules."""

from collections.abc import Mapping
from typing import Any

from potvigil.setting_up.text import text_of
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load_text, tree_of

Path = tuple[str, ...]
Draft = Mapping[str, Any]
_NAME = "answers"
# Placeholders for what is not asked yet, so that the rest can be checked; never written.
_NOT_YET: dict[str, Any] = {
    "internal_volume": "20 L",
    "maximum_pressure": "300 psi",
    "working_pressure": "2 psi",
    "floor_pressure": "1 psi",
    "thermometer": {"place": "none"},
    "supply": "shut",
    "cure": {"hold": "10 h"},
}


def read(text: str, name: str) -> Draft:
    """Return the draft of a settings file, with all its contents. Raises SettingsError if not YAML."""
    return tree_of(text, name)


def get(draft: Draft, path: Path) -> Any:
    """Return the value at a path, None where there is none."""
    found: Any = draft
    for key in path:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def put(draft: Draft, path: Path, value: Any) -> Draft:
    """Return the draft with a value at a path; None removes the value there."""
    key, rest = path[0], path[1:]
    if rest:
        inner = draft.get(key)
        value = put(inner if isinstance(inner, Mapping) else {}, rest, value)
    if value is None:
        return {name: each for name, each in draft.items() if name != key}
    return {**draft, key: value}


def fault_of(draft: Draft, path: Path, *, itself: bool = False) -> str | None:
    """Return the fault of the answer at a path, None where there is none.

    Missing answers are no fault of this one. itself: nor are those below it.
    """
    dotted, parent = ".".join(path), ".".join(path[:-1])
    for each in faults(_filled_up(draft)):
        where, _, said = each.partition(": ")[2].partition(": ")
        is_of_block = where == parent and said.split(" ", 1)[0] == path[-1]
        is_below = not itself and where.startswith((f"{dotted}.", f"{dotted}["))
        if where == dotted or is_below or is_of_block:
            return said
    return None


def _filled_up(draft: Draft) -> Draft:
    pots = draft.get("pots")
    if not isinstance(pots, Mapping) or not pots:
        pots = {"pot": {}}
    filled = {pot: {**_NOT_YET, **keys} if isinstance(keys, Mapping) else keys for pot, keys in pots.items()}
    return {"workshop": "workshop", **draft, "pots": filled}


def faults(draft: Draft) -> tuple[str, ...]:
    """Return every fault of the settings as they stand."""
    try:
        load_text(text_of(draft), _NAME)
    except SettingsError as error:
        return error.faults
    return ()
