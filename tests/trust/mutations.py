"""Small wrong changes to the arithmetic of a function, put in place without touching a file."""

import ast
import contextlib
import copy
import functools
import hashlib
import importlib
import inspect
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One wrong change.

    Attributes
    ----------
    file, function : str
        Module path from the root, and qualified name.
    line : int
    change : str
        Such as ``a + b -> a - b``.
    key : str
        Stays the same while the function does.
    first, last : int
        Lines of the function.
    statement : str
        File and line of the statement that holds the change, as `marked` names it.
    code : code
        What the function runs instead.
    """

    file: str
    function: str
    line: int
    change: str
    key: str
    first: int
    last: int
    statement: str
    code: CodeType

    def put_in(self) -> None:
        """Let the loaded function run the change, wherever it was imported to."""
        function = loaded(self.file, self.function)
        function.__code__ = self.code


def loaded(file: str, name: str) -> FunctionType:
    """Find a function of a loaded module, without what decorates it."""
    found: Any = importlib.import_module(file.removesuffix(".py").replace("/", "."))
    for part in name.split("."):
        found = inspect.getattr_static(found, part)
    if isinstance(found, property):
        found = found.fget
    if isinstance(found, functools.cached_property):
        found = found.func
    if isinstance(found, (staticmethod, classmethod)):
        found = found.__func__
    found = inspect.unwrap(found)
    if not isinstance(found, FunctionType):
        raise TypeError(f"{file}: {name} is no function")
    return found


def changes(node: ast.AST) -> Iterator[ast.AST]:
    """Give what may stand wrongly in the place of a node."""
    if isinstance(node, ast.Compare):
        for place, sign in enumerate(node.ops):
            other = copy.deepcopy(node)
            other.ops[place] = COMPARED[type(sign)]()
            yield other
    if isinstance(node, ast.BinOp) and type(node.op) in COMPUTED:
        other_sum = copy.deepcopy(node)
        other_sum.op = COMPUTED[type(node.op)]()
        yield other_sum
    if isinstance(node, ast.BoolOp):
        other_logic = copy.deepcopy(node)
        other_logic.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield other_logic
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
        yield node.operand
    if isinstance(node, ast.IfExp) and not isinstance(node.test, (ast.Compare, ast.BoolOp)):
        yield ast.IfExp(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse)
    if isinstance(node, ast.Constant) and isinstance(node.value, (bool, int, float)):
        yield ast.Constant(not node.value if isinstance(node.value, bool) else node.value + 1)


def _parts(
    node: ast.AST, statement: int = 0
) -> Iterator[tuple[ast.AST, str, int | None, ast.expr, int]]:
    """Give every expression that counts: not what is said when something is raised."""
    if isinstance(node, (ast.Raise, ast.Assert, ast.JoinedStr)):
        return
    statement = node.lineno if isinstance(node, ast.stmt) else statement
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "args") and not isinstance(
            node, ast.Call
        ):
            continue
        for place, child in enumerate(value if isinstance(value, list) else [value]):
            if isinstance(child, ast.expr):
                yield node, field, place if isinstance(value, list) else None, child, statement
            if isinstance(child, ast.AST):
                yield from _parts(child, statement)


def _functions(tree: ast.AST, prefix: str = "") -> Iterator[tuple[str, Any]]:
    for node in getattr(tree, "body", []):
        if isinstance(node, ast.ClassDef):
            yield from _functions(node, f"{prefix}{node.name}.")
        if isinstance(node, ast.FunctionDef):
            yield prefix + node.name, node


def _code(tree: ast.Module, file: str, name: str) -> CodeType:
    return _inside(compile(ast.fix_missing_locations(tree), file, "exec", dont_inherit=True), name)


def _inside(code: CodeType, name: str) -> CodeType:
    for part in name.split("."):
        code = next(
            found
            for found in code.co_consts
            if isinstance(found, CodeType) and found.co_name == part
        )
    return code


def mutants(root: Path, file: str) -> Iterator[Mutant]:
    """Make every change to every function of a module.

    Parameters
    ----------
    root : Path
        Of the project.
    file : str
        Such as ``perfkit/value/ratio.py``.
    """
    text = (root / file).read_text(encoding="utf-8")
    tree = ast.parse(text)
    for name, function in _functions(tree):
        try:
            present = loaded(file, name).__code__
        except (AttributeError, TypeError):
            continue
        source = ast.unparse(function)
        for turn, (owner, field, place, node, statement) in enumerate(list(_parts(function))):
            if isinstance(owner, ast.keyword) and owner.arg == "strict":
                continue  # as good as an assertion
            for number, other in enumerate(changes(node)):
                ast.copy_location(other, node)
                _put(owner, field, place, other)
                code = _code(tree, present.co_filename, name)
                _put(owner, field, place, node)
                if code.co_freevars != present.co_freevars:
                    continue
                change = f"{ast.unparse(node)} -> {ast.unparse(other)}"
                told = f"{file} {name} {source} {turn} {number} {change}"
                key = hashlib.sha256(told.encode()).hexdigest()[:12]
                first, last = function.lineno, function.end_lineno
                at = f"{file}:{statement}"
                yield Mutant(file, name, node.lineno, change, key, first, last, at, code)


def marked(root: Path, file: str) -> Iterator[tuple[FunctionType, CodeType]]:
    """Give each function of a module, and code that calls ``__met__`` at each of its statements.

    Parameters
    ----------
    root, file
        As for `mutants`.
    """
    tree = ast.parse((root / file).read_text(encoding="utf-8"))
    functions = list(_functions(tree))
    for _, function in functions:
        for node in ast.walk(function):
            for field in ("body", "orelse", "finalbody"):
                block = getattr(node, field, None)
                if isinstance(block, list):
                    setattr(
                        node, field, [part for one in block for part in (_mark(file, one), one)]
                    )
    whole = compile(ast.fix_missing_locations(tree), str(root / file), "exec", dont_inherit=True)
    for name, _ in functions:
        with contextlib.suppress(AttributeError, TypeError, StopIteration):
            function, code = loaded(file, name), _inside(whole, name)
            if code.co_freevars == function.__code__.co_freevars:
                yield function, code


def _mark(file: str, statement: ast.stmt) -> ast.stmt:
    call = ast.Call(
        ast.Name("__met__", ast.Load()), [ast.Constant(f"{file}:{statement.lineno}")], []
    )
    return ast.copy_location(ast.Expr(call), statement)


def _put(owner: ast.AST, field: str, place: int | None, node: ast.AST) -> None:
    if place is None:
        setattr(owner, field, node)
    else:
        getattr(owner, field)[place] = node
