"""Random good studies are checked and kept; broken ones are refused in words, and left alone."""

import contextlib
import csv
import io
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import perfkit as pk
from perfkit.cli import main
from perfkit.show.tables import write_csv
from perfkit.study.schema import TABLES
from perfkit.study.spreadsheet import plain_text
from tests.study.test_random import WRONG, tables, write
from tests.trust.test_defects import everything_below

SOME = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
DAMAGE = st.sampled_from(["flip", "cut", "again", "no file", "no column", "column twice", "quote"])


def checked(study: Path) -> tuple[int, str]:
    """Check a study; hold that it and its neighbours stay as they were."""
    before = everything_below(study.parent)
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
        status = main(["check", str(study)])
    assert everything_below(study.parent) == before
    assert "Traceback" not in said.getvalue()
    assert all(line.isprintable() for line in said.getvalue().split("\n"))
    return status, said.getvalue()


@contextlib.contextmanager
def written(made):
    with tempfile.TemporaryDirectory() as place:
        study = Path(place, "study")
        study.mkdir()
        yield study, write(study, made)


@SOME
@given(tables())
def test_a_random_good_study_passes_and_its_tables_keep_their_ids(made):
    with written(made) as (study, _):
        assert checked(study)[0] == 0
        passes = pk.summarize_passes(pk.load_study(study))
        write_csv(passes, study / "out.csv")
        with open(study / "out.csv", encoding="utf-8", newline="") as file:
            kept = [
                {key: plain_text(cell) for key, cell in row.items()} for row in csv.DictReader(file)
            ]
    for key in ("pass_id", "system", "gpu", "workload"):
        assert [row[key] for row in kept] == [row[key] for row in made["passes"]]


@SOME
@given(tables(), st.data())
def test_random_wrong_cells_are_all_listed_with_file_line_and_column(made, data):
    places = [
        (name, row, column.name, column.kind)
        for name, rows in made.items()
        for row, cells in enumerate(rows)
        for column in TABLES[name].columns
        if column.name in cells and column.kind in WRONG
    ]
    broken = data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=5, unique=True))
    for name, row, column, kind in broken:
        made[name][row][column] = data.draw(st.sampled_from(WRONG[kind]))
    with written(made) as (study, lines):
        status, said = checked(study)
    assert status == 1
    assert f"{len(broken)} problem" in said
    for name, row, column, _ in broken:
        assert f"  {name}.csv, line {lines[name][row]}, {column}: " in said


@settings(SOME, max_examples=25)
@given(tables(), DAMAGE, st.data())
def test_a_randomly_damaged_file_is_read_or_refused_in_words(made, damage, data):
    with written(made) as (study, _):
        path = study / f"{data.draw(st.sampled_from(list(made)))}.csv"
        text = bytearray(path.read_bytes())
        place = data.draw(st.integers(0, len(text) - 1))
        if damage == "flip":
            text[place] ^= 1 << data.draw(st.integers(0, 7))
        elif damage == "cut":
            del text[place:]
        elif damage == "again":
            text += bytes(text)
        elif damage == "quote":
            text[place:place] = b'"'
        elif damage == "column twice":
            text[:0] = text[: text.index(b"\n")].split(b",")[0] + b","
        elif damage == "no column":
            text[: text.index(b"\n")] = b"other"
        path.write_bytes(text)
        if damage == "no file":
            path.unlink()
        status, said = checked(study)
    assert status in (0, 1)
    assert (status == 1) == ("problem" in said and "no problems" not in said)
    if damage in ("no column", "column twice") or (damage == "no file" and path.stem in (
        "gpus", "systems", "workloads", "passes"
    )):  # fmt: skip
        assert status == 1
        assert path.name in said
