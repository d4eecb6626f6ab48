"""What no module of perfkit may hold: code from text, shells, other machines."""

import ast
from pathlib import Path

import pytest

import perfkit

ROOT = Path(perfkit.__file__).parent
MODULES = sorted(ROOT.rglob("*.py"))

CALLS = {"eval", "exec", "compile", "__import__", "breakpoint", "input"}
TEXTS = {"eval", "query"}
"""Methods of a frame that run a text; one that stands in our own line may."""
METHODS = {"read_pickle", "to_pickle", "from_formula", "read_html"}
"""Ways of pandas and statsmodels to run what a file says."""
SYSTEM = {"system", "popen", "execv", "execve", "execvp", "spawnv", "spawnl", "posix_spawn"}
IMPORTS = {
    "pickle", "cPickle", "dill", "cloudpickle", "joblib", "marshal", "shelve", "code", "codeop",
    "ctypes", "cffi", "socket", "socketserver", "ssl", "http", "urllib", "urllib3", "requests",
    "httpx", "aiohttp", "ftplib", "smtplib", "telnetlib", "xmlrpc", "webbrowser", "fsspec",
    "patsy", "formulaic", "yaml", "xml", "lxml", "jinja2", "numexpr",
}  # fmt: skip
COMPUTED = "import_module of a name that is computed"
ALLOWED = {
    ("__init__.py", COMPUTED): "names of our own rooms, from a table in that file",
    ("show/output.py", "ctypes"): "the exchange rename has no other door",
    ("commands.py", "distributed"): "the scheduler that the user names on the command line",
}
CHILDREN = {"show/motion_encode.py", "show/second_process.py"}
"""Modules that start another program: the encoder, and a second Python that draws."""


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def findings(tree: ast.Module) -> list[tuple[int, str]]:
    """Line and name of each thing that is not allowed without a reason."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name.split(".")[0] for alias in node.names]
            found += [(node.lineno, name) for name in names if name in IMPORTS]
            found += [(node.lineno, name) for name in names if name == "distributed"]
        elif isinstance(node, ast.ImportFrom):
            name = (node.module or "").split(".")[0]
            if name in IMPORTS or name == "distributed":
                found.append((node.lineno, name))
            found += [
                (node.lineno, f"{name}.{alias.name}")
                for alias in node.names
                if (name == "os" and alias.name in SYSTEM) or (name == "builtins")
                or (node.module == "statsmodels.formula.api") or alias.name == "import_module"
            ]  # fmt: skip
        elif isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in CALLS:
                found.append((node.lineno, called.id))
            if isinstance(called, ast.Attribute):
                owner = called.value.id if isinstance(called.value, ast.Name) else ""
                ours = bool(node.args) and isinstance(node.args[0], ast.Constant)
                if called.attr in TEXTS and not ours:
                    found.append((node.lineno, f"{owner}.{called.attr}"))
                if called.attr in METHODS or (owner == "os" and called.attr in SYSTEM):
                    found.append((node.lineno, f"{owner}.{called.attr}"))
                if called.attr == "import_module" and not ours:
                    found.append((node.lineno, COMPUTED))
            for word in node.keywords:
                if word.arg == "shell" and not (
                    isinstance(word.value, ast.Constant) and word.value.value is False
                ):
                    found.append((node.lineno, "shell"))
                if word.arg == "allow_pickle":
                    found.append((node.lineno, "allow_pickle"))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_module_runs_text_or_reaches_another_machine(path: Path) -> None:
    module = str(path.relative_to(ROOT))
    found = [(line, name) for line, name in findings(parsed(path)) if (module, name) not in ALLOWED]
    assert found == []


def test_every_exception_is_still_needed() -> None:
    used = {
        (str(path.relative_to(ROOT)), name)
        for path in MODULES
        for _, name in findings(parsed(path))
    }
    assert used == set(ALLOWED)


def test_processes_are_started_in_two_places_only() -> None:
    starts = {
        str(path.relative_to(ROOT))
        for path in MODULES
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Import | ast.ImportFrom)
        and (getattr(node, "module", None) or node.names[0].name).split(".")[0]
        in ("subprocess", "multiprocessing", "pty")
    }
    assert starts == CHILDREN


@pytest.mark.parametrize(
    "line",
    [
        "eval(x)", "exec(x)", "compile(x, '', 'eval')", "import pickle",
        "from marshal import loads",
        "frame.query(x)", "pd.read_pickle(x)", "os.system(x)", "from os import popen",
        "run(x, shell=True)", "np.load(x, allow_pickle=True)", "import urllib.request",
        "from statsmodels.formula.api import ols", "smf.OLS.from_formula(x)", "import socket",
        "importlib.import_module(x)", "from builtins import eval as other",
    ],
)  # fmt: skip
def test_each_of_these_would_be_noticed(line: str) -> None:
    assert findings(ast.parse(line)) != []
