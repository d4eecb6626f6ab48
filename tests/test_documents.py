"""What the documents name exists, and the README keeps its promises of form."""

import importlib
import inspect
import re
from functools import cached_property
from pathlib import Path
from typing import Any

import pytest

from perfkit.cli import parser

ROOT = Path(__file__).resolve().parents[1]
ALLOWED = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "perfkit", "data", "tests"}
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PATHS = sorted(
    set(re.findall(r"`((?:perfkit|tests|data|notebooks)/[\w./]*)`", README + DEVELOPERS))
)


@pytest.mark.parametrize("path", PATHS)
def test_every_path_in_the_documents_is_there(path: str) -> None:
    assert (ROOT / path).exists()


def test_the_first_report_command_is_one_whole_line() -> None:
    first = next(line for line in README.splitlines() if "perfkit report data/demo" in line)
    assert first.endswith("--out out")
    assert not set("`'\"") & set(first)


def test_lengths() -> None:
    assert len(README.splitlines()) < 250
    assert len(DEVELOPERS.splitlines()) < 200


def test_readme_names_every_command() -> None:
    commands = parser()._subparsers._group_actions[0].choices  # type: ignore[union-attr]
    assert set(re.findall(r"^\| `perfkit (\w+)", README, re.MULTILINE)) == set(commands)


def test_every_picture_is_there() -> None:
    pictures = re.findall(r"!\[[^]]+\]\(([^)]+)\)", README)
    assert pictures
    assert all((ROOT / picture).is_file() for picture in pictures)


def test_nothing_else_lies_at_the_top() -> None:
    import subprocess

    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    tops = {name.split("/")[0] for name in tracked if name}
    assert {top for top in tops if not top.startswith(".")} <= ALLOWED


ROOMS = ("perfkit", "perfkit.study", "perfkit.frames", "perfkit.models", "perfkit.value")


def public_functions() -> dict[str, Any]:
    """Find functions, and methods of classes, that a room lists as its own."""
    found = {}
    for room in ROOMS:
        module = importlib.import_module(room)
        for name in module.__all__:
            thing = getattr(module, name)
            if inspect.isfunction(thing):
                found[f"{room}.{name}"] = thing
            elif inspect.isclass(thing):
                own = {key: made for key, made in vars(thing).items() if not key.startswith("_")}
                found |= {f"{room}.{name}.{key}": made for key, made in own.items()}
    described = (property, cached_property, classmethod, staticmethod)
    return {
        name: made
        for name, made in found.items()
        if inspect.isfunction(made) or isinstance(made, described)
    }


PUBLIC = public_functions()


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_function_has_an_example(name: str) -> None:
    assert ">>> " in (inspect.getdoc(PUBLIC[name]) or "")
