"""Small faults for a source file, one at a time: what the mutation gate plants.

The operators are those that a slip of the hand makes: a constant one off or doubled, a comparison
with or without its limit, another sign, a condition half read, a statement or an argument left
out, two arguments the wrong way round. What only words an error, a docstring or a name is left
alone, because it decides nothing.
"""

from __future__ import annotations

import ast
import copy
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

__all__ = ["Mutant", "mutants_of"]

_COMPARISONS: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_ARITHMETIC: dict[type, type] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}
_TWINS = {
    name: twin
    for a, b in (
        ("min", "max"),
        ("minimum", "maximum"),
        ("any", "all"),
        ("floor", "ceil"),
        ("argmax", "argmin"),
        ("ones", "zeros"),
    )
    for name, twin in ((a, b), (b, a))
}
_TRIPWIRES = {"copy", "strict"}
"""Arguments that change nothing where the call is right."""
_SYMMETRIC_NODES = {"Add", "Mul", "Equal", "And", "Or", "Max", "Min"}
"""ONNX operators whose two inputs may change places."""
_SYMMETRIC = {"min", "max", "minimum", "maximum", "isclose", "array_equal", "gcd"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One planted fault.

    Parameters
    ----------
    file : str
        Source file below the root of the tree.
    function : str
        Qualified name of the outermost function (with its class) that it stands in; empty where
        the fault is run when the module is imported.
    line : int
        From 1.
    original, mutated : str
        The changed piece before and after.
    occurrence : int
        From 0: which of the same changes within the same function.
    where : tuple
        For `tree`: the node's number in walking order, and the number of the variant.
    """

    file: str
    function: str
    line: int
    original: str
    mutated: str
    occurrence: int
    where: tuple[int, int]

    @property
    def name(self) -> tuple[str, str, str, str, int]:
        """What stays the same when lines move."""
        return self.file, self.function, self.original, self.mutated, self.occurrence

    def key(self, source: str) -> str:
        """Return a short hash of the source and of the fault."""
        text = "\0".join(map(str, (source, *self.name)))
        return hashlib.sha256(text.encode()).hexdigest()[:24]

    def tree(self, source: str) -> ast.Module:
        """Return the source's tree with the fault in it, all lines where they were."""
        module = ast.parse(source)
        sites = _sites(module)
        number, variant = self.where
        node = sites[number].node
        change = _variants(node)[variant]
        replacement = change(copy.deepcopy(node))
        ast.copy_location(replacement, node)
        changed = _Replace(node, replacement).visit(module)
        return ast.fix_missing_locations(changed)  # type: ignore[no-any-return]


@dataclass(frozen=True, slots=True)
class _Site:
    node: ast.AST
    function: str


class _Replace(ast.NodeTransformer):
    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


def mutants_of(file: str, source: str) -> list[Mutant]:
    """Return all faults that the operators make of a file, in the order of its text."""
    module = ast.parse(source)
    found: list[Mutant] = []
    seen: dict[tuple[str, str, str], int] = {}
    for number, site in enumerate(_sites(module)):
        original = ast.unparse(site.node)
        for variant, change in enumerate(_variants(site.node)):
            mutated = ast.unparse(ast.fix_missing_locations(change(copy.deepcopy(site.node))))
            name = (site.function, original, mutated)
            occurrence = seen.get(name, 0)
            seen[name] = occurrence + 1
            line = site.node.lineno  # type: ignore[attr-defined]
            found.append(Mutant(file, *_at(name, line), occurrence, (number, variant)))
    return found


def _at(name: tuple[str, str, str], line: int) -> tuple[str, int, str, str]:
    function, original, mutated = name
    return function, line, original, mutated


def _sites(module: ast.Module) -> list[_Site]:
    return list(_walk(module, (), ""))


def _walk(node: ast.AST, classes: tuple[str, ...], function: str) -> Iterator[_Site]:
    """Yield every node that may be changed, with the function that it is run in."""
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
        if isinstance(node, ast.Raise):
            yield _Site(node, function)  # as a whole it may be left out; its words decide nothing
        return
    if isinstance(node, ast.Assign | ast.AnnAssign) and _is_all(node):
        return
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return  # never run
    yield _Site(node, function)
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                yield from _walk(default, classes, function)
        inside = function or ".".join((*classes, node.name))
        for statement in node.body:
            yield from _walk(statement, classes, inside)
        return
    below = (*classes, node.name) if isinstance(node, ast.ClassDef) else classes
    skipped: tuple[ast.AST | None, ...] = ()
    if isinstance(node, ast.ClassDef):
        skipped = (*node.decorator_list, *node.bases)
    elif isinstance(node, ast.AnnAssign):
        skipped = (node.annotation,)
    elif isinstance(node, ast.Call):
        skipped = tuple(k for k in node.keywords if k.arg in _TRIPWIRES)
    for child in ast.iter_child_nodes(node):
        if not any(child is one for one in skipped):
            yield from _walk(child, below, function)


def _is_all(node: ast.Assign | ast.AnnAssign) -> bool:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    return any(isinstance(t, ast.Name) and t.id == "__all__" for t in targets)


def _variants(node: ast.AST) -> list[Callable[[ast.AST], ast.AST]]:
    """Return the changes of one node; each takes a copy of it and returns what stands instead."""
    changes: list[Callable[[ast.AST], ast.AST]] = []
    match node:
        case ast.Constant(value=bool() as value):
            changes.append(_constant(not value))
        case ast.Constant(value=int() as value):
            changes += [_constant(value + 1), _constant(value - 1)]
        case ast.Constant(value=float() as value):
            changes.append(_constant(value * 2 if value else 1.0))
        case ast.Compare():
            for index, op in enumerate(node.ops):
                changes += [_comparison(index, to) for to in _COMPARISONS[type(op)]]
        case ast.BinOp(op=op) | ast.AugAssign(op=op) if type(op) in _ARITHMETIC:
            changes.append(_set("op", _ARITHMETIC[type(op)]))
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert()):
            changes.append(lambda n: n.operand)  # type: ignore[attr-defined]
        case ast.BoolOp(op=op, values=values):
            changes.append(_set("op", ast.Or if isinstance(op, ast.And) else ast.And))
            changes += [_operand_dropped(index) for index in range(len(values))]
        case ast.If(test=test) | ast.IfExp(test=test) | ast.While(test=test):
            if not isinstance(test, ast.Compare | ast.BoolOp | ast.UnaryOp):
                changes.append(_negated)
        case ast.Call():
            changes += _of_call(node)
        case ast.Slice(lower=lower, upper=upper):
            changes += [_set(n, None) for n, v in (("lower", lower), ("upper", upper)) if v]
        case ast.comprehension(ifs=[_, *_]):
            pass  # no place of its own in the text; its conditions are changed themselves
    if _may_be_dropped(node):
        changes.append(lambda _: ast.Pass())
    return changes


def _of_call(call: ast.Call) -> list[Callable[[ast.AST], ast.AST]]:
    changes: list[Callable[[ast.AST], ast.AST]] = []
    name = call.func.attr if isinstance(call.func, ast.Attribute) else ""
    name = call.func.id if isinstance(call.func, ast.Name) else name
    if name in _TWINS:
        changes.append(_renamed)
    plain = not any(isinstance(a, ast.Starred) for a in call.args)
    if plain and name not in _SYMMETRIC:
        for index in range(len(call.args) - 1):
            alike = ast.dump(call.args[index]) == ast.dump(call.args[index + 1])
            if not alike and not (index == 1 and _is_symmetric_node(call)):
                changes.append(_swapped(index))
    changes += [
        _argument_dropped(i)
        for i, k in enumerate(call.keywords)
        if k.arg and k.arg not in _TRIPWIRES
    ]
    return changes


def _is_symmetric_node(call: ast.Call) -> bool:
    kind = call.args[0]
    return isinstance(kind, ast.Constant) and kind.value in _SYMMETRIC_NODES


def _may_be_dropped(node: ast.AST) -> bool:
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Call)
    if isinstance(node, ast.Assign):
        return all(isinstance(t, ast.Attribute | ast.Subscript) for t in node.targets)
    return isinstance(node, ast.AugAssign | ast.Raise | ast.Continue | ast.Break | ast.Delete)


def _constant(value: object) -> Callable[[ast.AST], ast.AST]:
    return lambda _: ast.Constant(value)  # type: ignore[arg-type]


def _set(field: str, to: type | None) -> Callable[[ast.AST], ast.AST]:
    def change(node: ast.AST) -> ast.AST:
        setattr(node, field, to() if to else None)
        return node

    return change


def _comparison(index: int, to: type) -> Callable[[ast.AST], ast.AST]:
    def change(node: ast.AST) -> ast.AST:
        node.ops[index] = to()  # type: ignore[attr-defined]
        return node

    return change


def _operand_dropped(index: int) -> Callable[[ast.AST], ast.AST]:
    def change(node: ast.AST) -> ast.AST:
        values = node.values  # type: ignore[attr-defined]
        del values[index]
        return values[0] if len(values) == 1 else node

    return change


def _negated(node: ast.AST) -> ast.AST:
    node.test = ast.UnaryOp(ast.Not(), node.test)  # type: ignore[attr-defined]
    return node


def _renamed(node: ast.AST) -> ast.AST:
    func = node.func  # type: ignore[attr-defined]
    field = "attr" if isinstance(func, ast.Attribute) else "id"
    setattr(func, field, _TWINS[getattr(func, field)])
    return node


def _swapped(index: int) -> Callable[[ast.AST], ast.AST]:
    def change(node: ast.AST) -> ast.AST:
        args = node.args  # type: ignore[attr-defined]
        args[index], args[index + 1] = args[index + 1], args[index]
        return node

    return change


def _argument_dropped(index: int) -> Callable[[ast.AST], ast.AST]:
    def change(node: ast.AST) -> ast.AST:
        del node.keywords[index]  # type: ignore[attr-defined]
        return node

    return change
