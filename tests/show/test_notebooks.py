"""The curated notebooks: thin, checked against stored tables, and run on any study."""

import ast
import json
import re
import statistics
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from perfkit.errors import MissingExtra, PerfkitError
from perfkit.show.notebooks import notebook_files, put_study, run_notebook, run_notebooks
from tests.value.market import write_csv

FILES = notebook_files()
TREE = Path(__file__).resolve().parents[2]
CHECKED = {"nbval-check-output", "keep_output"}


@pytest.fixture(params=FILES, ids=lambda file: file.stem)
def notebook(request):
    return nbformat.read(request.param, as_version=4)


def code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def tags(cell):
    return set(cell.metadata.get("tags", []))


def test_there_are_eight_under_names_of_one_scheme():
    assert [file.stem[0] for file in FILES] == list("12345678")
    assert all(re.fullmatch(r"\d(_[a-z]+)+\.ipynb", file.name) for file in FILES)


def test_a_notebook_is_valid_and_starts_with_its_question(notebook):
    nbformat.validate(notebook)
    text = [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]
    heads = [line for source in text for line in source.splitlines() if line.startswith("# ")]
    assert len(heads) == 1
    assert notebook.cells[0].source.startswith(heads[0])
    assert notebook.metadata.kernelspec.name == "python3"
    parts = [line[3:] for source in text for line in source.splitlines() if line.startswith("## ")]
    assert (parts[0], parts[-1]) == ("Data", "Limits")
    assert any(part.startswith(("Figure", "Explorer")) for part in parts)


def test_a_notebook_is_thin(notebook):
    sources = [cell.source for cell in code(notebook)]
    lengths = [len(source.splitlines()) for source in sources]
    assert statistics.median(lengths) <= 3
    assert max(lengths) <= 5
    logic = (ast.If, ast.For, ast.While, ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.Try)
    for source in sources:
        assert not [node for node in ast.walk(ast.parse(source)) if isinstance(node, logic)]


def test_imports_come_first_and_the_study_is_named_once(notebook):
    first, *others = code(notebook)
    assert all(isinstance(n, ast.Import | ast.ImportFrom) for n in ast.parse(first.source).body)
    assert not [cell for cell in others if "import " in cell.source]
    (named,) = [cell for cell in code(notebook) if "parameters" in tags(cell)]
    assert named.source == 'study_path = "../data/demo"'


def test_only_checked_cells_keep_an_output_and_each_of_them_has_one(notebook):
    checked = [cell for cell in code(notebook) if tags(cell)]
    checked = [cell for cell in checked if "parameters" not in tags(cell)]
    assert len(checked) >= 1
    for cell in checked:
        assert tags(cell) == CHECKED
        assert cell.execution_count is not None
        (output,) = cell.outputs
        assert output["data"]["text/plain"].strip()
    assert [cell for cell in code(notebook) if cell.outputs and cell not in checked] == []


def test_no_place_of_a_machine_is_stored(notebook):
    assert not re.search(r"/(home|root|tmp|work|Users)/", json.dumps(notebook))


@pytest.mark.parametrize("path", ["a 'b' \"c\"", "\\", "x'); import os #", "line\nend", "é\u202e"])
def test_a_path_goes_in_as_a_text_and_nothing_else(path):
    notebook = nbformat.read(FILES[0], as_version=4)
    put_study(notebook, path)
    at = next(i for i, cell in enumerate(notebook.cells) if "parameters" in tags(cell))
    (assigned,) = ast.parse(notebook.cells[at + 1].source).body
    assert ast.literal_eval(assigned.value) == path
    assert assigned.targets[0].id == "study_path"


@pytest.mark.parametrize("count", [0, 2])
def test_one_cell_must_take_the_study(count):
    named = {"source": "study_path = 1", "metadata": {"tags": ["parameters"]}}
    cells = [nbformat.v4.new_code_cell(**named) for _ in range(count)]
    notebook = nbformat.v4.new_notebook(cells=cells)
    with pytest.raises(PerfkitError, match=f"{count} cells are tagged 'parameters'; there must"):
        put_study(notebook, "x")


def small_notebook(*sources):
    cells = [nbformat.v4.new_code_cell("study_path = ''", metadata={"tags": ["parameters"]})]
    cells += [nbformat.v4.new_code_cell(source) for source in sources]
    return nbformat.v4.new_notebook(cells=cells)


def test_a_notebook_runs_in_this_python_and_in_the_folder_of_the_output(tmp_path):
    notebook = small_notebook("import sys, os; print(sys.executable, os.getcwd(), study_path)")
    run_notebook(notebook, "some 'study'", tmp_path, "x")
    (output,) = notebook.cells[-1].outputs
    assert output.text == f"{sys.executable} {tmp_path} some 'study'\n"


def test_a_cell_that_raises_is_named(tmp_path):
    with pytest.raises(PerfkitError, match=r"x\.ipynb: ZeroDivisionError: division by zero"):
        run_notebook(small_notebook("1 / 0"), "", tmp_path, "x.ipynb")


def test_the_missing_extra_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "nbclient", None)
    with pytest.raises(MissingExtra, match=r"needs the extra `lab`: pip install 'perfkit\[lab\]'"):
        run_notebooks("x", tmp_path)


@pytest.fixture(scope="module")
def minimal(tmp_path_factory):
    """Five passes of one's own on one GPU, typed averages, no price."""
    folder = tmp_path_factory.mktemp("minimal")
    toml = 'title = "First"\ncurrency = "EUR"\nprice_date = 2026-11-01\n'
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    rows = {
        "gpus": [
            {"gpu": "Ember", "kind": "integrated", "compute_units": 8, "lanes_per_unit": 64,
             "clock_mhz": 2000},
        ],
        "systems": [{"system": "bench"}],
        "workloads": [{"workload": "Fen"}],
        "passes": [
            {"pass_id": n, "system": "bench", "gpu": "Ember", "workload": "Fen", "width": 1920,
             "height": 1080, "avg_fps": 40 + n}
            for n in range(5)
        ],
    }  # fmt: skip
    for name, table in rows.items():
        write_csv(folder / f"{name}.csv", table)
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("which", ["minimal", "measured"])
def test_every_notebook_runs_on_any_study_and_says_what_is_missing(which, minimal, tmp_path):
    study = minimal if which == "minimal" else TREE / "data/measured"
    written = run_notebooks(study, tmp_path)
    assert [path.name for path in written] == [file.name for file in FILES]
    assert sorted(path.name for path in tmp_path.iterdir()) == [file.name for file in FILES]
    for path in written:
        outputs = [
            output for cell in code(nbformat.read(path, as_version=4)) for output in cell.outputs
        ]
        # an expression with a value, never a warning on a stream
        assert {output["output_type"] for output in outputs} == {"execute_result"}
        shown = [output["data"]["text/plain"] for output in outputs]
        assert len(shown) >= 3
        assert all(text.strip() for text in shown)
        assert not [output for output in outputs if any("widget" in key for key in output["data"])]
    assert "fill builds.csv and prices.csv" in written[5].read_text()


@pytest.mark.slow
def test_the_validator_sees_a_changed_number_and_a_raising_cell(tmp_path):
    cell = nbformat.v4.new_code_cell("round(61.27, 1)", metadata={"tags": sorted(CHECKED)})
    notebook = small_notebook()
    notebook.metadata.kernelspec = {"name": "python3", "display_name": "Python 3"}
    notebook.cells.append(cell)
    run_notebook(notebook, "", tmp_path, "x")
    text = nbformat.writes(notebook)
    assert "61.3" in text
    (tmp_path / "as_stored.ipynb").write_text(text)
    (tmp_path / "changed.ipynb").write_text(text.replace("61.3", "61.4"))
    (tmp_path / "raising.ipynb").write_text(text.replace("61.27", "61.27/0"))
    validate = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--nbval-lax"]
    done = subprocess.run(
        [*validate, "-rA", "--rootdir", tmp_path, tmp_path], capture_output=True, text=True
    )
    told = re.findall(r"^(PASSED|FAILED) .*?(\w+)\.ipynb::Cell 2", done.stdout, re.MULTILINE)
    assert done.returncode == 1
    assert "2 failed, 7 passed" in done.stdout
    assert sorted(told) == [("FAILED", "changed"), ("FAILED", "raising"), ("PASSED", "as_stored")]
    assert "61.4" in done.stdout
    assert "ZeroDivisionError" in done.stdout
