"""Small faults in a module's syntax tree, each of a kind that people make: signs, limits, factors, levels, order.

Left alone: what only words depend on (messages, docstrings, annotations), raises and asserts, decorators.
A mutant is identified by where it lies and what it does, not by its line, so that a selection stays
the same while other lines move.
"""

from __future__ import annotations

import ast
import copy
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

COMPARE: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.GtE, ast.LtE), ast.LtE: (ast.Gt, ast.Lt), ast.Gt: (ast.LtE, ast.GtE), ast.GtE: (ast.Lt, ast.Gt),
    ast.Eq: (ast.NotEq, ast.GtE), ast.NotEq: (ast.Eq,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,)}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult,
    ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd}
OTHER_NAME = {
    "min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor", "mean": "median",
    "sf": "cdf", "cdf": "sf", "isf": "ppf", "ppf": "isf", "argmin": "argmax", "argmax": "argmin", "log": "log10",
    "exp": "expm1", "expm1": "exp", "log1p": "log", "idxmax": "idxmin", "idxmin": "idxmax", "cumsum": "cumprod",
    "nunique": "count", "minimum": "maximum", "maximum": "minimum", "first": "last", "last": "first"}
DROPPED = ("abs", "sqrt", "round", "sorted")
SPOKEN = ("Fault", "single", "BadInput", "ValueError", "warn", "add_note", "Column")
EITHER_WAY = ("min", "max", "minimum", "maximum", "isclose", "broadcast_shapes", "hypot")
LEVELS = ("alpha", "level", "chance", "confidence", "coverage", "q")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One fault: dotted function, kind, text before and after, which of equal ones in that function it is, its lines.

    The lines begin with its statement: a line in the middle of one is not seen to be reached.
    """

    where: str
    kind: str
    before: str
    after: str
    nth: int
    lines: tuple[int, int]

    @property
    def name(self) -> str:
        """What identifies it in a module."""
        return f"{self.where}|{self.kind}|{self.before}|{self.after}|{self.nth}"

    def digest(self, seed: int, module: str) -> str:
        """A text that orders mutants by chance, fixed by the seed."""
        return hashlib.sha256(f"{seed}|{module}|{self.name}".encode()).hexdigest()


Change = tuple[str, ast.expr]


def _number(node: ast.Constant) -> Iterator[Change]:
    value = node.value
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return
    other = 1 if value == 0 else 2 if value == 1 else value + 1 if isinstance(value, int) else value * 1.25
    if value in (100, 100.0, 1000, 1000.0, 60, 24) or (isinstance(value, float) and value in (1e-3, 1e-6, 1e3, 1e6)):
        yield "unit factor", ast.Constant(type(value)(1))
    elif value == 0 or abs(value) > 1e-4:  # what is smaller is a tolerance
        yield "constant", ast.Constant(other)


def _compare(node: ast.Compare) -> Iterator[Change]:
    for new in COMPARE.get(type(node.ops[0]), ()):
        yield "comparison", ast.Compare(node.left, [new(), *node.ops[1:]], node.comparators)


def _binary(node: ast.BinOp) -> Iterator[Change]:
    texts = isinstance(node.left, (ast.JoinedStr, ast.List)) or isinstance(node.right, (ast.JoinedStr, ast.List))
    if type(node.op) in ARITHMETIC and not texts and not any(
            isinstance(n, ast.Constant) and isinstance(n.value, str) for n in (node.left, node.right)):
        yield "arithmetic", ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)


def _unary(node: ast.UnaryOp) -> Iterator[Change]:
    if isinstance(node.op, (ast.USub, ast.Not, ast.Invert)):
        yield "sign" if isinstance(node.op, ast.USub) else "negation", node.operand


def _boolean(node: ast.BoolOp) -> Iterator[Change]:
    yield "and / or", ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)


def _call(node: ast.Call) -> Iterator[Change]:
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    if name in OTHER_NAME and (isinstance(node.func, ast.Attribute) or name in ("min", "max", "any", "all")):
        func = copy.deepcopy(node.func)
        setattr(func, "attr" if isinstance(func, ast.Attribute) else "id", OTHER_NAME[name])
        yield "other function", ast.Call(func, node.args, node.keywords)
    if name in DROPPED and node.args:
        yield "dropped function", node.args[0]
    plain = [isinstance(a, (ast.Name, ast.Attribute)) for a in node.args[:2]]
    differ = len({ast.dump(a) for a in node.args[:2]}) == 2
    if plain == [True, True] and differ and name not in ("isinstance", "getattr", "setattr", "zip", *EITHER_WAY, *SPOKEN):
        yield "swapped arguments", ast.Call(node.func, [node.args[1], node.args[0], *node.args[2:]], node.keywords)
    for k in node.keywords:
        if k.arg in ("axis", "ddof") and isinstance(k.value, ast.Constant) and k.value.value in (0, 1):
            other = [ast.keyword(x.arg, ast.Constant(1 - k.value.value) if x is k else x.value) for x in node.keywords]
            yield k.arg, ast.Call(node.func, node.args, other)


def _level(node: ast.Name | ast.Attribute) -> Iterator[Change]:
    if (node.id if isinstance(node, ast.Name) else node.attr) in LEVELS and isinstance(node.ctx, ast.Load):
        yield "level", ast.BinOp(node, ast.Div(), ast.Constant(2))


def _index(node: ast.Subscript) -> Iterator[Change]:
    at = node.slice
    if isinstance(at, ast.UnaryOp) and isinstance(at.op, ast.USub) and isinstance(at.operand, ast.Constant):
        yield "index", ast.Subscript(node.value, ast.Constant(0), node.ctx)
    if isinstance(at, ast.Constant) and type(at.value) is int:
        yield "index", ast.Subscript(node.value, ast.Constant(-1 if at.value == 0 else at.value - 1), node.ctx)


KINDS: tuple[tuple[type[ast.AST], Callable[..., Iterator[Change]]], ...] = (
    (ast.Constant, _number), (ast.Compare, _compare), (ast.BinOp, _binary), (ast.UnaryOp, _unary),
    (ast.BoolOp, _boolean), (ast.Call, _call), (ast.Name, _level), (ast.Attribute, _level), (ast.Subscript, _index))


def _parts(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Children of a node in which a fault changes a result, with the field they stand in."""
    if isinstance(node, (ast.JoinedStr, ast.Raise, ast.Assert, ast.Import, ast.ImportFrom)):
        return
    name = getattr(getattr(node, "func", None), "id", getattr(getattr(node, "func", None), "attr", ""))
    if isinstance(node, ast.Call) and name in SPOKEN:
        return
    skip = {"annotation", "returns", "decorator_list", "type_params", "bases"}
    if isinstance(node, ast.Subscript) and isinstance(node.slice, (ast.Constant, ast.UnaryOp)):
        skip.add("slice")  # an index has its own operator
    if isinstance(node, ast.keyword) and node.arg in ("axis", "ddof"):
        skip.add("value")  # so have these
    for field, value in ast.iter_fields(node):
        if field not in skip:
            yield from ((field, v) for v in (value if isinstance(value, list) else [value]) if isinstance(v, ast.AST))


def _walk(node: ast.AST, where: str, begun: int = 0) -> Iterator[tuple[str, ast.AST, str, ast.AST, int]]:
    """Every place where a fault may stand: dotted function, parent, field, node, first line of its statement."""
    for field, child in _parts(node):
        inner = where
        if isinstance(child, (ast.FunctionDef, ast.ClassDef)):
            inner = f"{where}.{child.name}".strip(".")
        first = child.lineno if isinstance(child, ast.stmt) else begun
        yield inner, node, field, child, first
        yield from _walk(child, inner, first)


def _put(parent: ast.AST, field: str, old: ast.AST, new: ast.AST) -> None:
    value = getattr(parent, field)
    if isinstance(value, list):
        value[next(i for i, v in enumerate(value) if v is old)] = new
    else:
        setattr(parent, field, new)


def _places(tree: ast.Module) -> Iterator[tuple[Mutant, ast.AST, str, ast.AST, ast.expr]]:
    seen: dict[tuple[str, str, str, str], int] = {}
    for where, parent, field, node, first in list(_walk(tree, "")):
        if isinstance(parent, ast.Call) and field == "func":
            continue
        for kind, make in KINDS:
            for word, new in (make(node) if type(node) is kind else ()):
                key = (where, word, ast.unparse(node), ast.unparse(new))
                nth = seen[key] = seen.get(key, -1) + 1
                lines = (first, node.end_lineno or node.lineno)  # type: ignore[attr-defined]
                yield (Mutant(where=where, kind=word, before=key[2], after=key[3], nth=nth, lines=lines),
                       parent, field, node, new)


def mutants(source: str) -> list[Mutant]:
    """All faults that the operators make in a source, in its order."""
    return [m for m, *_ in _places(ast.parse(source))]


def mutated(source: str, name: str) -> ast.Module:
    """The syntax tree with the fault of that name in it; KeyError where there is no such fault."""
    tree = ast.parse(source)
    for mutant, parent, field, node, new in _places(tree):
        if mutant.name == name:
            _put(parent, field, node, ast.copy_location(new, node))
            return ast.fix_missing_locations(tree)
    raise KeyError(name)
