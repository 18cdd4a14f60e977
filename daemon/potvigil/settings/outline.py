"""Where each setting is in its file, and the words for its faults.

Works on the nodes of a YAML composer and on the error records of a model, without importing either library.
"""

import difflib
import pathlib
import re
from collections.abc import Iterable
from typing import Any, get_args

from potvigil.settings.errors import SettingsError

LARGEST_FILE_BYTES = 256 * 1024  # twenty pots need 20 kB; a log given by mistake has megabytes
_MOST_VALUES = 10_000  # aliases of aliases can make a small file huge
_DEEPEST = 12
_MOST_FAULTS = 100

Path = tuple[str | int, ...]
Tree = dict[str, "Tree"] | list["Tree"] | str | None


def text_of(path: pathlib.Path) -> str:
    """Return the text of a settings file. Raises SettingsError where there is none, or not in UTF-8."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}; give a settings file") from None
    if len(data) > LARGEST_FILE_BYTES:
        raise SettingsError(f"{path}: over {LARGEST_FILE_BYTES // 1024} kB; give a settings file")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        byte = f"{data[error.start]:#04x}"
        raise SettingsError(f"{path}:{line}: byte {byte} is not UTF-8; save the file as UTF-8") from None


class Outline:
    """One YAML document: each scalar as written, the line of each path, and the faults."""

    def __init__(self, root: Any, name: str) -> None:
        """root: the composed node, None for an empty document. name: precedes each fault."""
        self.name = name
        self._lines: dict[Path, int] = {}
        self._found: dict[tuple[int, str], str] = {}
        self._values = 0
        self.tree: Tree = None if root is None else self._read(root, (), 0)

    def add(self, path: Path, text: str, line: int | None = None) -> None:
        """Note a fault, in the line of the nearest path that is in the file; the first of a place counts."""
        known: Path = ()
        nearest, dotted = 1, ""
        for part in path:
            if isinstance(part, int) and (*known, part) not in self._lines:
                continue  # a single thermometer, which its model sees as a list of one
            known = (*known, part)
            nearest = self._lines.get(known, nearest)
            dotted += f"[{part}]" if isinstance(part, int) else f".{shown(part)}"
        self._found.setdefault((line or nearest, dotted.lstrip(".")), text)

    def faults(self) -> list[str]:
        """Return the faults, `name:line: path: text`, in the order of the lines."""
        lines = [f"{self.name}:{line}: {path}: {text}" for (line, path), text in sorted(self._found.items())]
        if len(lines) <= _MOST_FAULTS:
            return lines
        more = f"{self.name}: and {len(lines) - _MOST_FAULTS + 1} more faults; fix these first"
        return [*lines[: _MOST_FAULTS - 1], more]

    def _read(self, node: Any, path: Path, depth: int) -> Tree:
        self._values += 1
        if self._values > _MOST_VALUES or depth > _DEEPEST:
            where = f"{self.name}:{node.start_mark.line + 1}"
            raise SettingsError(f"{where}: too large or too deep; take out repeating anchors")
        if node.id == "mapping":
            return self._mapping(node, path, depth + 1)
        if node.id == "sequence":
            for index, item in enumerate(node.value):
                self._lines.setdefault((*path, index), item.start_mark.line + 1)
            return [self._read(item, (*path, index), depth + 1) for index, item in enumerate(node.value)]
        if node.tag == "tag:yaml.org,2002:null":
            self.add(path, "is empty; give a value or take the key out")
            return None
        return str(node.value)

    def _mapping(self, node: Any, path: Path, depth: int) -> dict[str, Tree]:
        tree: dict[str, Tree] = {}
        merged: list[Any] = []
        for key, value in node.value:
            line = key.start_mark.line + 1
            if key.id != "scalar":  # its value is nodes, whose text would name all beneath them
                self.add((*path, "?"), "a key is one word; write `key: value`", line)
                continue
            word = key.value
            if key.tag == "tag:yaml.org,2002:merge":
                merged += value.value if value.id == "sequence" else [value]
            elif word in tree:
                first = self._lines[*path, word]
                self.add((*path, word), f"is given twice, first in line {first}; keep one", line)
            else:
                self._lines.setdefault((*path, word), line)
                tree[word] = self._read(value, (*path, word), depth)
        for other in merged:
            inherited = self._read(other, path, depth)
            tree = {**inherited, **tree} if isinstance(inherited, dict) else tree
        return tree


def explain(error: Any, root: Any) -> tuple[Path, str]:
    """Return path and words for one error of the model `root`: value, what is wrong, what is expected."""
    path: Path = tuple(part for part in error["loc"] if part != "[key]")
    value, context = error["input"], error.get("ctx", {})
    match error["type"]:
        case "missing":
            example = _block_at(path[:-1], root).model_fields[path[-1]].examples[0]
            return path, f"is missing; add {path[-1]}: {example}"
        case "extra_forbidden":
            return path, _unknown(str(path[-1]), list(_block_at(path[:-1], root).model_fields))
        case "model_type" | "dict_type":
            return path, f"{shown(value)} where keys are expected; write them indented beneath it"
        case "too_short":
            return path, "has nothing beneath it; give at least one"
        case "value_error":
            said = str(context["error"])
        case "literal_error" | "enum":
            said = f"is not known; give {context['expected'].replace(chr(39), '')}"
        case "greater_than_equal":
            said = f"is too small; give at least {context['ge']:g}"
        case "less_than_equal":
            said = f"is too large; give at most {context['le']:g}"
        case "int_parsing" | "int_parsing_size" | "int_from_float":
            said = "is not a whole number; give one, without a unit"
        case "float_parsing":
            said = "is not a number; give one, without a unit"
        case _:
            return path, f"{shown(value)} where one value is expected; give that alone"
    if path and str(path[-1]).endswith("url"):  # whoever knows it can send there
        return path, f"its text {said}"
    return path, f"{shown(value)} {said}" if isinstance(value, str) else said


def either(words: Iterable[str]) -> str:
    """Return `a, b or c`."""
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last


def shown(value: object) -> str:
    """Return a value as written, but on one line, not too long, without characters a terminal acts on."""
    if value is None:
        return "nothing"
    if not isinstance(value, str):
        return "a list" if isinstance(value, list) else "a group of keys"
    line = "".join(sign if sign.isprintable() else "?" for sign in " ".join(value.split()))
    line = re.sub("//[^/]*@", "//...@", line)  # a URL may hold a password
    return (line if len(line) <= 60 else line[:57] + "...") or "an empty text"


def _unknown(key: str, known: list[str]) -> str:
    if re.search("(password|passwd|passphrase|secret|token)$", key):
        return "secrets do not belong here; put it in a file named by password_file, or a systemd credential"
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.7)
    return f"is not a key here; {f'did you mean {near[0]}?' if near else f'give {either(known)}'}"


def _block_at(path: Path, root: Any) -> Any:
    """Return the model that reads the keys beneath a path."""
    block = root
    for part in path[:1] + path[2:] if path[:1] in (("pots",), ("resins",)) else path:  # an id is no key
        if part in block.model_fields:
            block = _block_in(block.model_fields[part].annotation)
    return block


def _block_in(annotation: Any) -> Any:
    """Return the first model named in an annotation such as `dict[str, Model]` or `Model | None`."""
    if hasattr(annotation, "model_fields"):
        return annotation
    return next(filter(None, map(_block_in, get_args(annotation))), None)
