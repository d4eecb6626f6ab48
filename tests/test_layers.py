"""Data flows one way through the rooms, and start-up stays light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "perfkit"
ORDER = [
    {"collecting", "errors", "defaults", "progress"},
    {"study"},
    {"frames"},
    {"models"},
    {"value"},
    {"analysis"},
    {"show"},
    {"commands"},
    {"cli"},
]
HEIGHT = {name: height for height, names in enumerate(ORDER) for name in names}
MODULES = sorted(PACKAGE.rglob("*.py"))


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("perfkit"):
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("perfkit.")}
    return found & HEIGHT.keys()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_nothing_imports_upwards(path: Path) -> None:
    own = HEIGHT.get(room(path), len(ORDER))
    assert {name for name in imported_rooms(path) if HEIGHT[name] > own} == set()


def test_every_room_is_in_the_order() -> None:
    rooms = {room(path) for path in MODULES} - {"__init__", "__main__"}
    assert rooms == HEIGHT.keys()


def modules_after(code: str) -> set[str]:
    script = f"{code}\nimport sys\nprint('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


def test_help_loads_no_heavy_library() -> None:
    code = "from perfkit.cli import main\ntry:\n    main(['--help'])\nexcept SystemExit:\n    pass"
    assert modules_after(code) & {"pandas", "numpy", "scipy", "matplotlib", "statsmodels"} == set()


def test_arithmetic_needs_neither_charts_nor_widgets_nor_slow_libraries() -> None:
    loaded = modules_after("import perfkit.study, perfkit.frames, perfkit.models, perfkit.value")
    assert {"pandas", "numpy"} <= loaded
    assert loaded & {"matplotlib", "seaborn", "anywidget", "ipywidgets", "IPython"} == set()
    assert loaded & {"scipy.stats", "statsmodels"} == set()  # half of the start, and seldom needed


LONGEST_MODULE, LONGEST_FUNCTION = 500, 60
WORKING_STATE = {"Found", "Labels"}
"""Classes that collect while work goes on; no caller is handed one as a result."""


def code_lines(function: ast.FunctionDef) -> int:
    """Count the lines of a function that are neither signature nor docstring."""
    body = function.body[1:] if ast.get_docstring(function) and function.body[1:] else function.body
    return (function.end_lineno or 0) - body[0].lineno + 1


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_and_functions_stay_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    functions = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)]
    long = {node.name for node in functions if code_lines(node) > LONGEST_FUNCTION}
    assert (text.count("\n") <= LONGEST_MODULE, long) == (True, set())


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_results_are_frozen(path: Path) -> None:
    classes = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef) and node.name not in WORKING_STATE
    ]
    written = [(node.name, ast.unparse(made)) for node in classes for made in node.decorator_list]
    loose = {name for name, made in written if "dataclass" in made and "frozen=True" not in made}
    assert loose == set()
