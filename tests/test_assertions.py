"""Each test can fail: it asserts, expects an error, or calls something of the tests that does."""

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
FILES = sorted(TESTS.rglob("test_*.py"))
FAILING = {"raises", "warns", "fail", "assert_allclose", "assert_array_equal", "assert_frame_equal",
           "assert_series_equal", "assert_array_almost_equal", "assert_equal", "assert_index_equal",
           "assert_called_once", "assert_array_less"}  # fmt: skip


def functions(path: Path) -> list[ast.FunctionDef]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]


def called(function: ast.AST) -> set[str]:
    """Names of what is called, and of fixtures that are asked for."""
    found = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Call):
            found.add(getattr(node.func, "id", None) or getattr(node.func, "attr", ""))
            found |= {getattr(word, "id", "") for word in node.args}
        elif isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name):
            found.add(node.value.id)  # a table of functions
        elif isinstance(node, ast.arg):
            found.add(node.arg)
    return found


def can_fail(test: ast.expr) -> bool:
    """Whether an asserted expression is more than a constant or a non-empty display."""
    if isinstance(test, ast.Constant):
        return not test.value
    if isinstance(test, ast.Tuple | ast.List | ast.Set):
        return not test.elts
    if isinstance(test, ast.BoolOp) and isinstance(test.op, ast.Or):
        return all(can_fail(part) for part in test.values)
    if isinstance(test, ast.Compare) and isinstance(test.ops[0], ast.Eq | ast.Is):
        return ast.dump(test.left) != ast.dump(test.comparators[0])
    return True


def asserts(function: ast.AST) -> bool:
    return any(
        can_fail(node.test) for node in ast.walk(function) if isinstance(node, ast.Assert)
    ) or bool(called(function) & FAILING)


def helpers() -> set[str]:
    """Functions of the tests that assert, or call one that does."""
    known = [
        function
        for path in sorted(TESTS.rglob("*.py"))
        for function in functions(path)
        if not function.name.startswith("test_")
    ]
    names = {function.name for function in known if asserts(function)} | {"READERS"}
    while True:
        more = {function.name for function in known if called(function) & names} - names
        if not more:
            return names
        names |= more


def weak(tree: ast.AST, names: set[str]) -> list[str]:
    """Name tests that cannot fail by what they say, and assertions that always hold."""
    found = []
    for node in ast.walk(tree):
        is_test = isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
        if is_test and not (asserts(node) or called(node) & names):
            found.append(node.name)
        if isinstance(node, ast.Assert) and not can_fail(node.test):
            found.append(f"line {node.lineno}")
    return found


@pytest.fixture(scope="module")
def names() -> set[str]:
    return helpers()


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(TESTS)))
def test_each_test_can_fail(path: Path, names: set[str]) -> None:
    assert weak(ast.parse(path.read_text(encoding="utf-8")), names) == []


@pytest.mark.parametrize(
    "body",
    ["pass", "x = 1", "assert True", "assert 1", "assert (x, 'said')", "assert x or True",
     "assert x == x", "print(x)"],
)  # fmt: skip
def test_each_of_these_would_be_noticed(body: str) -> None:
    assert weak(ast.parse(f"def test_it(x):\n    {body}\n"), set()) != []


@pytest.mark.parametrize("body", ["assert x", "holds(x)", "with pytest.raises(E): f(x)"])
def test_these_may_stand(body: str) -> None:
    assert weak(ast.parse(f"def test_it(x):\n    {body}\n"), {"holds"}) == []
