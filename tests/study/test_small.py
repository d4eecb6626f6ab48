"""The small parts: near names, listings, the schema, targets of one's own, limits."""

import json

import pandas as pd
import pytest

import perfkit as pk
from perfkit.errors import Problem
from perfkit.study import build_machines, listing, read_targets, tables
from perfkit.study.exact import frame_of, frame_record
from perfkit.study.near_names import nearest
from perfkit.study.schema import TABLES, glossary
from perfkit.study.spreadsheet import plain_text, safe_text
from tests.study.make import FILES, write_study

PINNED = {
    "gpus": "gpu,kind,compute_units,lanes_per_unit,clock_mhz,family,bus_width_bits,memory_mtps,"
    "bandwidth_gb_s,memory_gib,board_power_w,slot_lanes,slot_generation,length_mm",
    "systems": "system,cpu,cpu_cores,cpu_threads,cpu_boost_mhz,cpu_speed,ram_mtps,ram_rated_mtps,"
    "ram_channels,channel_bits,ram_gib,reserved_gib,psu_w",
    "workloads": "workload,game,preset,genre,weight,goal_fps,floor_fps",
    "passes": "pass_id,system,gpu,workload,width,height,date,sitting,order,scene_kind,state,"
    "render_scale,generated_per_drawn,cap_fps,refresh_hz,driver,game_version,clock_mean_mhz,"
    "memory_used_gib,power_w,outcome,void_reason,source,log,avg_fps,low_1pct_fps",
    "prices": "item,date,price,currency,condition,tax_pct,tax_included,listing,bundle,note",
    "rates": "date,from,to,rate",
    "builds": "build,item,role,quantity,condition,system,gpu,obtained",
    "parts": "item,role,socket,memory_type,slot_generation,slot_lanes,length_mm,room_mm,draw_w,"
    "supply_w,plugs_6pin,plugs_8pin",
    "targets": "system,gpu,workload,width,height,render_scale",
    "claims": "claim,left,measure,relation,right,margin_pct,workload",
    "forecasts": "made_on,inputs_sha256,model,system,gpu,workload,width,height,render_scale,fps,"
    "pred_low,pred_high,level,chain_sha256",
}


def test_the_columns_are_those_of_the_format():
    assert {name: ",".join(table.names) for name, table in TABLES.items()} == PINNED


def test_the_required_columns_are_those_of_the_format():
    required = {
        name: [column.name for column in table.columns if column.required]
        for name, table in TABLES.items()
        if name != "forecasts"
    }
    configuration = ["system", "gpu", "workload", "width", "height"]
    assert required == {
        "gpus": ["gpu", "kind", "compute_units", "lanes_per_unit", "clock_mhz"],
        "systems": ["system"],
        "workloads": ["workload"],
        "passes": ["pass_id", *configuration],
        "prices": ["item", "date", "price"],
        "rates": ["date", "from", "to", "rate"],
        "builds": ["build", "item"],
        "parts": ["item"],
        "targets": configuration,
        "claims": ["claim", "left", "measure", "relation"],
    }
    assert [name for name, table in TABLES.items() if table.required] == [
        "gpus", "systems", "workloads", "passes"
    ]  # fmt: skip


def test_every_default_and_bound_is_itself_allowed():
    for table in TABLES.values():
        for column in table.columns:
            assert column.low < column.high
            cells = tables.CellProblems(table.file, pd.Index([2]).to_numpy())
            tables.typed([column.default], column, None if column.required else cells)
            assert cells.problems == []
    with pytest.raises(KeyError, match="nothing"):
        TABLES["gpus"].column("nothing")


def test_the_glossary_marks_what_is_required():
    lines = glossary().splitlines()
    assert "| **gpu** | text | name, used everywhere else |" in lines
    heads = {line: lines[at + 2] for at, line in enumerate(lines) if line.startswith("## ")}
    assert list(heads) == [f"## {table.file}" for table in TABLES.values()]
    assert [text.endswith(" (required)") for text in heads.values()] == [True] * 4 + [False] * 7
    assert [text.endswith(" (optional)") for text in heads.values()] == [False] * 4 + [True] * 7
    assert (
        "| outcome | one of ran, crashed (ran where empty) | whether it ran to the end |" in lines
    )


@pytest.mark.parametrize(
    ("name", "known", "near"),
    [
        ("velm circuit", ["Velm", "Velm_Circuit"], "Velm_Circuit"),
        ("Brasier", ["Ember", "Brazier"], "Brazier"),
        ("zzz", ["Ember", "Brazier"], None),
        ("x" * 61, ["x" * 61 + "y"], None),
        ("Ember", [], None),
        ("x" * 60, ["y", "X" * 60], "X" * 60),
        ("x" * 60, ["x" * 61], None),
        ("x" * 60, ["x" * 60 + "-"], None),
        ("abcdefghij", ["abcdefgxyz"], "abcdefgxyz"),
        ("abcdefghij", ["abcdefwxyz"], None),
        ("Embers", ["Emberst", "Ember"], "Emberst"),
        ("Ember", [*map(str, range(299)), "ember"], "ember"),
        ("Ember", [*map(str, range(300)), "ember"], None),
    ],
)
def test_near_names(name, known, near):
    assert nearest(name, known) == near


def test_a_frame_comes_back_to_the_last_bit():
    made = pd.DataFrame(
        {
            "text": pd.array(["a", "", "NaN"], dtype="str"),
            "fps": [0.1 + 0.2, float("nan"), float("inf")],
            "count": [1, -2, 2**53 + 1],
            "yes": [True, False, True],
            "day": pd.to_datetime(["2026-11-01", None, "1970-01-01"]).astype("datetime64[s]"),
        },
        index=[5, 6, 7],
    )
    record = json.loads(json.dumps(frame_record(made)))
    pd.testing.assert_frame_equal(frame_of(record), made.reset_index(drop=True), check_exact=True)
    empty = made.iloc[:0]
    pd.testing.assert_frame_equal(
        frame_of(frame_record(empty)), empty.reset_index(drop=True), check_exact=True
    )
    assert frame_of({"rows": 2, "columns": {}}).index.tolist() == [0, 1]
    with pytest.raises(TypeError, match="column 'x' is complex128, which is not kept"):
        frame_record(pd.DataFrame({"x": [1j]}))
    with pytest.raises(TypeError, match="column 'x' is object, which is not kept"):
        frame_of({"rows": 1, "columns": {"x": ["object", [1]]}})


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1", "'=1"), ("'=1", "''=1"), (" \u200b+1", "' \u200b+1"), ("\t", "'\t"), ("a=1", "a=1"),
        ("'a", "'a"), ("-1", "'-1"), ("@a", "'@a"), ("", ""), ("'", "'"), ("''", "''"),
        ("\u00a0\uff1d1", "'\u00a0\uff1d1"),
    ],
)  # fmt: skip
def test_text_that_would_run_is_made_harmless_and_comes_back(text, safe):
    assert safe_text(text) == safe
    assert plain_text(safe) == text


def test_the_share_of_each_kind():
    kinds = [some("a.csv", name, count) for name, count in (("x", 9), ("y", 1), ("z", 4))]
    lines = listing([problem for kind in kinds for problem in kind], most=9).splitlines()
    # y shows its one, x and z four of the eight left: nothing of z is cut.
    assert len(lines) == 1 + 4 + 1 + 1 + 4
    assert lines[5] == "  a.csv, x: and 5 more of the same kind"
    three = listing([problem for kind in kinds for problem in kind], most=2).splitlines()
    assert len(three) == 1 + 2 + 1 + 2


def some(file, column, count):
    return [Problem(file, n, column, "x", "a", "b") for n in range(2, 2 + count)]


def test_a_listing_shows_all_of_few_and_some_of_every_kind_of_many():
    few = some("a.csv", "x", 3)
    assert listing(few).splitlines() == [
        "3 problems in this study", *(f"  {problem}" for problem in few)
    ]  # fmt: skip
    many = some("a.csv", "x", 100_000) + some("a.csv", "y", 2) + some("b.csv", "", 300)
    lines = listing(many, most=10).splitlines()
    assert len(lines) == 1 + 4 + 1 + 2 + 4 + 1
    assert lines[0] == "100302 problems in this study"
    assert lines[5] == "  a.csv, x: and 99,996 more of the same kind"
    assert lines[-1] == "  b.csv: and 296 more of the same kind"
    assert listing([*few[:1]]).startswith("1 problem in")
    assert listing([]) == "0 problems in this study"


def test_targets_from_anywhere_are_read_by_the_same_rules(tmp_path):
    study = pk.load_study(write_study(tmp_path / "study"))
    path = tmp_path / "mine.csv"
    path.write_text(FILES["targets.csv"].replace("2560", "3840") * 1)
    assert read_targets(study, path)["width"].tolist() == [3840]
    path.write_text("system,gpu,workload,width\nbench,Brasier,Velm,x\n")
    with pytest.raises(pk.StudyError, match="3 problems") as caught:
        read_targets(study, path)
    assert [(p.file, p.line, p.column) for p in caught.value.problems] == [
        (str(path), 1, "height"),
        (str(path), 2, "width"),
        (str(path), 2, "gpu"),
    ]
    with pytest.raises(pk.StudyError, match="the file is not there"):
        read_targets(study, tmp_path / "none.csv")


def test_a_table_of_too_many_bytes_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "TABLE_BYTES", 40)
    with pytest.raises(pk.StudyError, match=r"gpus\.csv: the file may have 40 bytes; split"):
        pk.load_study(write_study(tmp_path))


def test_the_list_of_one_check_is_bounded_and_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "MOST_PROBLEMS", 2)
    gpus = FILES["gpus.csv"] + "".join(f"g{n},x,1,1,1\n" for n in range(5))
    with pytest.raises(pk.StudyError, match="at most 2 problems are listed of one kind of check"):
        pk.load_study(write_study(tmp_path, gpus__csv=gpus))


def test_any_row_of_a_build_may_name_its_machine():
    rows = pd.DataFrame(
        {"build": ["b", "a", "b"], "system": ["", "s", "t"], "gpu": ["g", "", ""]}, dtype="str"
    )
    assert build_machines(rows).values.tolist() == [["b", "t", "g"], ["a", "s", ""]]
