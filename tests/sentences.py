"""Every sentence a person can be shown, on one sheet: to be read by somebody who has not seen them before.

python tests/sentences.py                # prints the sheet, by room
python tests/sentences.py wording watch  # those rooms only

A value that is filled in shows as an ellipsis. Beside what the source says there are the lines of the golden
logs, where whole nights have filled the values in.
"""

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

TESTS = Path(__file__).parent
PACKAGE = TESTS.parent / "daemon/potvigil"
GOLDEN = TESTS / "nights/golden"
# Rooms without texts for people: formulas, the simulator's machinery.
SILENT = ("physics", "statistics", "sim")
VALUE = "…"

_SQL = re.compile(
    r"^\W*(SELECT|INSERT|UPDATE|DELETE|PRAGMA|CREATE|ALTER|WHERE|BEGIN|EXISTS|CASE|coalesce)\b|\?\d"
)
_MARKUP = re.compile(r"<!DOCTYPE|default-src|[{}\\]|^[a-z-]+=\(|-----|max-age|GET /|extra ==|\]\[\(")
_COLUMNS = re.compile(r"^[a-z0-9_]+(, [a-z0-9_]+)*_[a-z0-9_]*(, [a-z0-9_]+)*$")
_CLOCK = re.compile(r"^\d\d:\d\d:\d\d (?:!!|! )? *")
_JS = re.compile(r"\"((?:[^\"\\\n]|\\.)*)\"|`((?:[^`\\])*)`")


@dataclass(frozen=True, slots=True)
class Said:
    """One text. where: file within the package, or the golden log it comes from."""

    where: str
    text: str


def sentences(rooms: tuple[str, ...] = ()) -> Iterator[Said]:
    """Yield all texts, each once a file. rooms: folders of the package; all of them if none is named."""
    seen: set[tuple[str, str]] = set()
    for said in _all():
        known = (said.where, said.text)
        if known not in seen and (not rooms or said.where.startswith(rooms)):
            seen.add(known)
            yield said


def _all() -> Iterator[Said]:
    for path in sorted(PACKAGE.rglob("*.py")):
        name = str(path.relative_to(PACKAGE))
        if not name.startswith(SILENT):
            yield from (Said(name, text) for text in of_python(path.read_text(encoding="utf-8")))
    for path in sorted(PACKAGE.rglob("templates/*.html")):
        if path.name != "style.html":
            name = str(path.relative_to(PACKAGE))
            yield from (Said(name, text) for text in _of_template(path.read_text(encoding="utf-8")))
    for path in sorted(PACKAGE.rglob("static/*.js")):
        if not path.name.startswith("uPlot"):
            name = str(path.relative_to(PACKAGE))
            yield from (Said(name, text) for text in _of_script(path.read_text(encoding="utf-8")))
    for path in sorted(GOLDEN.glob("*.txt")):
        for line in path.read_text(encoding="utf-8").splitlines():
            yield Said(f"golden/{path.name}", _CLOCK.sub("", line))


def of_python(source: str) -> Iterator[str]:
    tree = ast.parse(source)
    passed_over = set(_not_shown(tree))
    for node in ast.walk(tree):
        if id(node) in passed_over:
            continue
        if isinstance(node, ast.JoinedStr):
            text = _filled(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if (
            " " in text.strip()
            and re.search("[a-z]{2}", text)
            and not (_SQL.search(text) or _MARKUP.search(text) or _COLUMNS.search(text))
        ):
            yield text


def _not_shown(tree: ast.AST) -> Iterator[int]:
    """Yield docstrings, types, parts of longer texts, and words for other functions than a reader."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield id(node.value)
        elif isinstance(node, ast.JoinedStr):
            yield from map(id, node.values)  # but within the braces there may be a choice of words
        elif isinstance(node, ast.Call) and ast.unparse(node.func).startswith(("re.", "warnings.")):
            yield from (id(part) for part in ast.walk(node))
        elif isinstance(node, ast.AnnAssign | ast.arg) and node.annotation is not None:
            yield from (id(part) for part in ast.walk(node.annotation))
        elif isinstance(node, ast.Subscript):
            yield from (id(part) for part in ast.walk(node.slice))


def _filled(node: ast.JoinedStr) -> str:
    return "".join(
        part.value if isinstance(part, ast.Constant) and isinstance(part.value, str) else VALUE
        for part in node.values
    )


class _Texts(HTMLParser):
    """Collects the text between the tags of a block, and the text for screen readers."""

    _INLINE = frozenset({"a", "b", "bdi", "br", "code", "span", "strong", "time"})

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._now = ""
        self._is_code = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._is_code = tag in ("style", "script")
        if tag not in self._INLINE:
            self.end()
        self.found += [text for name, text in attrs if text and name in ("aria-label", "alt", "placeholder")]

    def handle_endtag(self, tag: str) -> None:
        self._is_code = False
        if tag not in self._INLINE:
            self.end()

    def handle_data(self, data: str) -> None:
        self._now += "" if self._is_code else data

    def end(self) -> None:
        self.found.append(" ".join(self._now.split()))
        self._now = ""


def _of_template(source: str) -> Iterator[str]:
    bare = re.sub(r"\{#.*?#\}|\{%.*?%\}", "", source, flags=re.S)
    texts = _Texts()
    texts.feed(re.sub(r"\{\{.*?\}\}", VALUE, bare, flags=re.S))
    texts.end()
    yield from (text for text in texts.found if " " in text and re.search("[a-z]{2}", text))
    for choice in re.findall(r"\{\{(.*?)\}\}", source, re.S):
        yield from (text for text in re.findall(r'"([^"]*)"', choice) if re.match(r"[A-Z][a-z]+ ", text))


def _of_script(source: str) -> Iterator[str]:
    code = re.sub(r"/\*.*?\*/|(?<![:\"'`])//[^\n]*", "", source, flags=re.S)
    for match in _JS.finditer(code):
        text = re.sub(r"\$\{[^}]*\}", VALUE, match[1] or match[2] or "")
        if re.match(rf"[A-Z{VALUE}][^\n]* ", text) and not re.search(r"[<>=\[]|^M ", text):
            yield text


def main() -> None:
    where = ""
    for said in sentences(tuple(sys.argv[1:])):
        if said.where != where:
            where = said.where
            print(f"\n## {where}\n")
        print("-", said.text.replace("\n", " / "))


if __name__ == "__main__":
    main()
