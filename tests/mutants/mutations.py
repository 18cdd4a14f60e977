"""What can be broken in a file: those operators of cosmic-ray that a slip of the hand could be."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.ast import Visitor, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator
from parso.python.tree import Number

# Of the pairs of signs, those that still compute something: an & between two floats raises at once, which any
# test notices, and flatters the score.
_PAIRS = {
    "BinaryOperator": (
        "Add_Sub Sub_Add Mul_Div Div_Mul Pow_Mul Mod_Mul FloorDiv_Mul BitOr_BitAnd BitAnd_BitOr"
    ),
    "ComparisonOperator": (
        "Lt_LtE Lt_GtE LtE_Lt LtE_Gt Gt_GtE Gt_LtE GtE_Gt GtE_Lt Eq_NotEq NotEq_Eq Is_IsNot IsNot_Is"
    ),
    "UnaryOperator": "USub_UAdd Delete_Not",
}
_WORDS = "AddNot TrueWithFalse FalseWithTrue AndWithOr OrWithAnd BreakWithContinue ContinueWithBreak"

Span = tuple[tuple[int, int], tuple[int, int]]  # from and to: line from 1, column from 0


class NumberMoved(Operator):
    """A small whole number goes one up or down, any other is doubled or halved: 901 s for 900 is no fault."""

    def mutation_positions(self, node: object) -> Iterator[Span]:
        """Give the place of a number once for each change of it."""
        if isinstance(node, Number):
            for _ in _moved(node.value):
                yield node.start_pos, node.end_pos

    def mutate(self, node: Number, index: int) -> Number:
        """Return the number changed."""
        return Number(_moved(node.value)[index], node.start_pos, prefix=node.prefix)

    @classmethod
    def examples(cls) -> tuple[()]:
        """Give none: cosmic-ray asks for them in its own tests only."""
        return ()


def _moved(text: str) -> list[str]:
    number = ast.literal_eval(text)
    if isinstance(number, int) and number < 100:
        return [str(number + 1), f"({number - 1})"]
    if isinstance(number, int):
        return [str(2 * number), str(number // 2)]
    return ["1.0", "(-1.0)"] if number == 0.0 else [repr(2.0 * number), repr(0.5 * number)]


@dataclass(frozen=True)
class Site:
    """One change that can be made. path: from the root of the tree. occurrence: as cosmic-ray counts."""

    path: str
    span: Span
    operator: str
    occurrence: int


@dataclass(frozen=True)
class Mutant:
    """One change made. before, after: the first line that differs, at `line`. code: of the whole file."""

    path: str
    line: int
    before: str
    after: str
    code: str


class _Spans(Visitor):
    def __init__(self, operator: Operator) -> None:
        self.operator, self.found = operator, []

    def visit(self, node: object) -> object:
        self.found += self.operator.mutation_positions(node)
        return node


def sites_of(root: Path, path: str) -> list[Site]:
    """Return what can be changed in a file, in its order, without annotations, which nothing runs."""
    code = (root / path).read_text()
    lines, never_run, tree = code.splitlines(), list(_never_run(code)), get_ast(code)
    found = []
    for name in _operators():
        spans = _Spans(_operator(name))
        spans.walk(tree)
        for occurrence, span in enumerate(spans.found):
            # the bare star of a parameter list is no sign of arithmetic
            is_bare_star = lines[span[1][0] - 1][span[0][1] :].startswith("*,")
            if not is_bare_star and not any(start <= span[0] and span[1] <= end for start, end in never_run):
                found.append(Site(path, span, name, occurrence))
    return sorted(found, key=lambda site: (site.span, site.operator, site.occurrence))


def make(root: Path, site: Site) -> Mutant | None:
    """Return the file with the change, None where that is no Python or no change."""
    code = (root / site.path).read_text()
    try:
        mutated = mutate_code(code, _operator(site.operator), site.occurrence)
    except AttributeError:  # its operator of exceptions knows no name with a dot
        return None
    if mutated is None:
        return None
    try:
        compile(mutated, site.path, "exec", dont_inherit=True)
    except SyntaxError:
        return None
    for line, (before, after) in enumerate(zip(code.splitlines(), mutated.splitlines(), strict=False), 1):
        if before != after:
            return Mutant(site.path, line, before.strip(), after.strip(), mutated)
    return None


def _operators() -> Iterator[str]:
    for kind, pairs in _PAIRS.items():
        yield from (f"Replace{kind}_{pair}" for pair in pairs.split())
    yield from (word if word == "AddNot" else f"Replace{word}" for word in _WORDS.split())
    yield from ("ZeroIterationForLoop", "ExceptionReplacer", NumberMoved.__name__)


def _operator(name: str) -> Operator:
    return NumberMoved() if name == NumberMoved.__name__ else get_operator(f"core/{name}")()


def _never_run(code: str) -> Iterator[Span]:
    tree = ast.parse(code)
    for node in ast.walk(tree):
        for field in ("annotation", "returns"):
            each = getattr(node, field, None)
            if isinstance(each, ast.expr):
                yield _span(each)
        # what a dataclass promises, mypy holds it to
        yield from (_span(each) for each in getattr(node, "decorator_list", ()))
    for node in tree.body:  # names of types: Condition = Told | Over | None
        if isinstance(node, ast.Assign) and all(
            isinstance(each, ast.Name | ast.BinOp | ast.BitOr | ast.Load)
            or (isinstance(each, ast.Constant) and each.value is None)
            for each in ast.walk(node.value)
        ):
            yield _span(node)


def _span(node: ast.stmt | ast.expr) -> Span:
    return (node.lineno, node.col_offset), (node.end_lineno or 0, node.end_col_offset or 0)
