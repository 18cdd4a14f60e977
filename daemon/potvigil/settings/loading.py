"""From the file to the blocks: all faults at once, each with line, path, value and what is expected."""

import re
from pathlib import Path
from typing import TypeVar

import yaml
from pydantic import ValidationError

from potvigil.settings.block import Block
from potvigil.settings.comparison import compare_pins, compare_probes, compare_wires
from potvigil.settings.errors import SettingsError
from potvigil.settings.outline import LARGEST_FILE_BYTES, Outline, Tree, explain, shown, text_of
from potvigil.settings.resins import fill_in_resins
from potvigil.settings.schema import Settings
from potvigil.settings.studio import StudioPageSettings

_B = TypeVar("_B", bound=Block)
_MOST_OF_A_KIND = 100
_MOST_BRACKETS = 100  # open at once; those in comments count too


def load(path: Path) -> Settings:
    """Read the settings file. Raises SettingsError with every fault of it."""
    return load_text(text_of(path), str(path))


def load_studio_page(path: Path) -> StudioPageSettings:
    """Read the settings of a studio's page. Raises SettingsError with every fault of them."""
    outline = _outlined(text_of(path), str(path), "studio: ...")
    settings = _validated(StudioPageSettings, outline, path.parent)
    if settings is None or outline.faults():
        raise SettingsError(*outline.faults())
    return settings


def load_either(path: Path) -> Settings | StudioPageSettings:
    """Read settings of pots, or those of a studio's page. Raises SettingsError with every fault of them.

    Settings that name a studio and neither a workshop nor pots are those of a studio's page.
    """
    keys = tree_of(text_of(path), str(path))
    is_studio = "studio" in keys and not {"workshop", "pots"} & keys.keys()
    return load_studio_page(path) if is_studio else load(path)


def load_text(text: str, name: str) -> Settings:
    """Read settings from a text. Raises SettingsError with every fault of it.

    name: precedes each fault; relative paths are looked for beside it.
    """
    outline = _outlined(text, name, "workshop: ...")
    assert isinstance(outline.tree, dict)
    for block in ("pots", "resins"):
        if len(outline.tree.get(block) or ()) > _MOST_OF_A_KIND:  # each is compared with every other
            outline.add(
                (block,), f"has more than {_MOST_OF_A_KIND}; give fewer, or settings for each machine"
            )
            raise SettingsError(*outline.faults())
    fill_in_resins(outline)
    settings = _validated(Settings, outline, Path(name).parent)
    listed = outline.tree.get("pots")
    listed = listed if isinstance(listed, dict) else {}
    pots = {pot: keys for pot, keys in listed.items() if isinstance(keys, dict)}
    compare_wires(pots, outline)
    compare_probes(pots, outline)
    compare_pins(outline, pots)
    if settings is None or outline.faults():
        raise SettingsError(*outline.faults())
    return settings


def _outlined(text: str, name: str, beginning: str) -> Outline:
    outline = Outline(_composed(text, name), name)
    if not isinstance(outline.tree, dict):
        raise SettingsError(
            f"{name}:1: {shown(outline.tree)} where keys are expected; begin with {beginning}"
        )
    return outline


def _validated(kind: type[_B], outline: Outline, folder: Path) -> _B | None:
    """Return the settings, None where they have faults, which are added to the outline."""
    try:
        return kind.model_validate(outline.tree, context={"folder": folder})
    except ValidationError as error:
        for record in error.errors(include_url=False):
            outline.add(*explain(record, kind))
    return None


def tree_of(text: str, name: str) -> dict[str, Tree]:
    """Return the keys of a text as written, unchecked. Raises SettingsError if it is not YAML."""
    tree = Outline(_composed(text, name), name).tree
    return tree if isinstance(tree, dict) else {}


def _composed(text: str, name: str) -> yaml.Node | None:
    if len(text) > LARGEST_FILE_BYTES:  # such as a record's, which may come from an archive of unknown origin
        raise SettingsError(f"{name}: over {LARGEST_FILE_BYTES // 1024} kB; give a settings file")
    if (line_of := _too_many_brackets(text)) is not None:
        raise SettingsError(f"{name}:{line_of}: not YAML: nested too deeply; write `key: value` instead")
    try:
        return yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.reader.ReaderError as error:
        line, problem = text.count("\n", 0, error.position) + 1, "a character that YAML does not take"
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, problem = mark.line + 1 if mark else 1, f"{error.context or 'here'}, {error.problem}"
    except RecursionError:
        line, problem = 1, "nested too deeply"
    raise SettingsError(f"{name}:{line}: not YAML: {problem}; write `key: value`, indented with spaces")


def _too_many_brackets(text: str) -> int | None:
    """Return the line where more brackets are open than settings need: the parser rescans all for each."""
    depth = 0
    for match in re.finditer(r"[][{}]", text):
        depth = depth + 1 if match[0] in "[{" else max(depth - 1, 0)
        if depth > _MOST_BRACKETS:
            return text.count("\n", 0, match.start()) + 1
    return None
