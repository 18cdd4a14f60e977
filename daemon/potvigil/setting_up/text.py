"""A tree of settings as YAML a person can go on with: comments, short blocks in one line."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

# What a scalar may consist of to need no quotes, here and in YAML 1.1 and 1.2.
_PLAIN = re.compile(r"[A-Za-z0-9./][A-Za-z0-9 _./+-]*")
_LONGEST_LINE = 90
_COLUMN = 34

# By the last keys of the path; `*` is any pot.
_COMMENTS: dict[tuple[str, ...], str] = {
    ("workshop",): "the root of its MQTT topics",
    ("pots", "*", "internal_volume"): "of the empty pot, lid on",
    ("pots", "*", "contents_volume"): "mould, resin and stand together",
    ("pots", "*", "maximum_pressure"): "as marked on the pot",
    ("pots", "*", "floor_pressure"): "below it bubbles grow back too far",
    ("pots", "*", "supply"): "shut | regulated: is the supply valve closed during the hold?",
    ("pots", "*", "room_swing"): "how much the pot's temperature may change in a night",
    ("pots", "*", "cure", "hold"): "under pressure until it is hard; from the resin's data sheet",
    ("barometer", "altitude"): "of the workshop",
    ("page", "host"): "0.0.0.0: for every phone of this network",
    ("page", "password_file"): "made by `potvigil page password`",
    ("mqtt", "password_file"): "its first line is the password",
}
_HEADS: dict[tuple[str, ...], str] = {
    ("pots",): "The pots, each under an id of its own.",
    ("barometer",): "The pressure outside.",
    ("signals",): "Pins by their BCM numbers.",
    ("mqtt",): "The MQTT broker.",
    ("page",): "The local web page.",
    ("notify",): "Who is notified; the addresses are in files of their own.",
    ("units",): "What the texts are written in.",
}
_TITLE = (
    "# Settings of one workshop. `potvigil setup` asks again; config/workshop.yaml has every key there is.",
    "",
)


def text_of(tree: Mapping[str, Any]) -> str:
    """Return the whole file."""
    return "\n".join([*_TITLE, *_mapping(tree, (), "")]) + "\n"


def _mapping(tree: Mapping[str, Any], path: tuple[str, ...], indent: str) -> Iterator[str]:
    for key, value in tree.items():
        here = (*path, key)
        if head := _HEADS.get(here):
            yield ""
            yield f"{indent}# {head}"
        begin = f"{indent}{scalar(key)}:"
        flow = _flow(value)
        if flow is not None and len(begin) + len(flow) < _LONGEST_LINE:
            yield _with_comment(f"{begin} {flow}", _COMMENTS.get(_known(here), ""))
        elif isinstance(value, Mapping):
            yield begin
            yield from _mapping(value, here, f"{indent}  ")
        else:
            yield begin
            for item in value:
                yield f"{indent}  - {inline(item)}"


def _known(path: tuple[str, ...]) -> tuple[str, ...]:
    return ("pots", "*", *path[2:]) if path[0] == "pots" and len(path) > 2 else path


def _with_comment(line: str, comment: str) -> str:
    return f"{line:<{_COLUMN - 1}} # {comment}" if comment else line  # without the blank it is not a comment


def _flow(value: Any) -> str | None:
    """Return a value on one line, None for a block: one with a comment, or with blocks in it."""
    if isinstance(value, Mapping):
        if not value or any(isinstance(each, (Mapping, list)) for each in value.values()):
            return "{}" if not value else None
        return inline(value)
    if isinstance(value, list):
        return None if any(isinstance(each, (Mapping, list)) for each in value) else inline(value)
    return scalar(value)


def inline(value: Any) -> str:
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{scalar(key)}: {inline(each)}' for key, each in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(inline, value))}]"
    return scalar(value)


def scalar(text: str) -> str:
    """Return a text as YAML reads it back, in quotes where it needs them (YAML 1.2.2, 5.7: escapes)."""
    if _PLAIN.fullmatch(text) and not text.endswith(" "):
        return text
    return f'"{"".join(map(_escaped, text))}"'


def _escaped(sign: str) -> str:
    if sign in '"\\':
        return f"\\{sign}"
    return sign if sign.isprintable() else f"\\U{ord(sign):08x}"
