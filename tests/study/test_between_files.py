"""What one file says held against another: each rule alone, with its line and its words."""

from perfkit.study.between_files import (
    check_builds,
    check_claims,
    check_names,
    check_passes,
    check_weights,
)
from perfkit.study.schema import TABLES
from perfkit.study.tables import parse_table


def tables(**texts):
    absent = {name: parse_table(b"", table, absent=True) for name, table in TABLES.items()}
    return absent | {name: parse_table(text.encode(), TABLES[name]) for name, text in texts.items()}


def said(problems):
    return [(p.file, p.line, p.column, p.value, p.allowed, p.action) for p in problems]


MEND = "add it to {0}, or mend it"


def names_said(**texts):
    given = {
        "gpus": "gpu\nEmber\nBrazier\n",
        "systems": "system\nbench\n",
        "workloads": "workload\nVelm\n",
    }
    return said(check_names(tables(**(given | texts))))


def test_names_that_another_file_must_hold():
    passes = "pass_id,system,gpu,workload\na,bench,Ember,Velm\nb,Bench,Brasier,Moor\nc,,,\n"
    assert names_said(passes=passes) == [
        ("passes.csv", 3, "system", "Bench", "a name from systems.csv", "is it 'bench'? Mend it"),
        ("passes.csv", 3, "gpu", "Brasier", "a name from gpus.csv", "is it 'Brazier'? Mend it"),
        ("passes.csv", 3, "workload", "Moor", "a name from workloads.csv",
         MEND.format("workloads.csv")),
    ]  # fmt: skip


def test_a_file_that_was_not_read_whole_is_not_held_against_another():
    passes = "pass_id,system,gpu,workload\nb,Bench,Brasier,Moor\n"
    found = names_said(passes=passes, gpus='gpu\n"', systems="name\nbench\n")
    assert [problem[2] for problem in found] == ["workload"]


def test_near_names_are_looked_for_twenty_times_in_one_column():
    rows = "".join(f"{at},bench,Ember{at},Velm\n" for at in range(22))
    found = names_said(passes="pass_id,system,gpu,workload\n" + rows)
    assert [problem[5] for problem in found] == ["is it 'Ember'? Mend it"] * 20 + [
        MEND.format("gpus.csv")
    ] * 2


def passes_said(folder, text, logs=None, no_logs=False):
    return said(check_passes(folder, tables(passes=text)["passes"], logs, no_logs))


HEAD = "pass_id,outcome,void_reason,log,avg_fps,generated_per_drawn\n"
NO_TIMES = (
    "frame times or an average for each pass that ran",
    "name its log or fill avg_fps; set outcome or void_reason if it does not count",
)


def test_every_pass_that_counts_needs_times_or_an_average(tmp_path):
    (tmp_path / "a.csv").write_text("t\n1\n")
    rows = "a,ran,,,,\nb,ran,void,,,\nc,crashed,,,,\nd,,,,60,\ne,,,a.csv,,\nf,,,,,\ng,,,,x,\n"
    assert passes_said(tmp_path, HEAD + rows, no_logs=False) == [
        ("passes.csv", line, "log", "", *NO_TIMES) for line in (2, 7)
    ]
    (tmp_path / "all.parquet").write_bytes(b"")
    logs = {"combined": "all.parquet", "counts": "drawn"}
    assert passes_said(tmp_path, HEAD + rows, logs) == []


def test_logs_are_opened_once_and_inside(tmp_path):
    (tmp_path / "a.csv").write_text("t\n1\n")
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "b.csv").write_text("t\n1\n")
    rows = "a,,,a.csv,,\nb,,,deep/b.csv,,\nc,,,./a.csv,,\nd,,,c.csv,,\ne,,,,60,\n"
    rows += "f,,,deep//b.csv,,\ng,,,none/b.csv,,\nh,,,a.csv,,\n"
    once, own = "each log once; line {} names it already", "name this pass's own log"
    there = "the file is not there", "add it, or mend its name"
    assert passes_said(tmp_path, HEAD + rows) == [
        ("passes.csv", 4, "log", "./a.csv", once.format(2), own),
        ("passes.csv", 5, "log", "c.csv", *there),
        ("passes.csv", 7, "log", "deep//b.csv", once.format(3), own),
        ("passes.csv", 8, "log", "none/b.csv", *there),
        ("passes.csv", 9, "log", "a.csv", once.format(2), own),
    ]


def test_logs_need_their_section_and_generated_frames_what_a_row_counts(tmp_path):
    (tmp_path / "a.csv").write_text("t\n1\n")
    section = (
        "study.toml", None, "logs", "", "a [logs] section, since passes.csv names logs",
        "add [logs] with frame_time_column, frame_time_unit",
    )  # fmt: skip
    named, typed = HEAD + "a,,,a.csv,,\nb,,,,60,\n", HEAD + "b,,,,60,1\n"
    assert passes_said(tmp_path, named, no_logs=True) == [section]
    assert passes_said(tmp_path, named, no_logs=False) == []
    assert passes_said(tmp_path, typed, no_logs=True) == []
    counts = [
        ("study.toml", None, "logs.counts", "", "one of drawn, shown in quotes",
         "passes.csv has generated frames: say what one row of a log is")
    ]  # fmt: skip
    open_, drawn = ({"combined": None, "counts": what} for what in (None, "drawn"))
    assert passes_said(tmp_path, typed, open_) == counts
    assert passes_said(tmp_path, typed.replace(",1\n", ",0\n"), open_) == []
    assert passes_said(tmp_path, typed, drawn) == []


def test_a_combined_file_that_is_not_there_is_told_and_the_rows_are_not(tmp_path):
    logs = {"combined": "none.parquet", "counts": None}
    assert passes_said(tmp_path, HEAD + "a,,,,,\n", logs) == [
        ("study.toml", None, "logs.combined", "none.parquet", "the file is not there",
         "add it, or mend its name")
    ]  # fmt: skip


def test_some_workload_must_count():
    def found(text):
        return said(check_weights(tables(workloads=text)["workloads"]))

    assert found("workload,weight\nVelm,0\nMoor,0\n") == [
        ("workloads.csv", None, "weight", "0", "a weight above 0 for at least one workload",
         "raise one of them")
    ]  # fmt: skip
    assert found("workload,weight\nVelm,0\nMoor,0.5\n") == []
    assert found("workload,weight\n") == []


def builds_said(builds, prices="item\nCase\nBoard\n", parts="item\nFan\n"):
    given = tables(builds=builds, prices=prices, parts=parts)
    return said(check_builds(given["builds"], given["prices"], given["parts"]))


def test_what_a_build_buys_must_have_a_price_or_be_a_part():
    rows = "build,item,obtained\nA,Case,\nA,Fan,bought\nA,Desk,lent\nA,Gift,given\n"
    rows += "A,Cast,bought\nA,Nil,\n"
    assert builds_said(rows) == [
        ("builds.csv", 6, "item", "Cast", "a name from prices.csv", "is it 'Case'? Mend it"),
        ("builds.csv", 7, "item", "Nil", "a name from prices.csv", MEND.format("prices.csv")),
    ]
    # Neither where prices nor where parts were not read whole.
    assert builds_said(rows, prices='item\nCase\n"') == []
    assert builds_said(rows, parts='item\nFan\n"') == []


def test_builds_without_prices_are_one_problem():
    allowed = "prices of the items in builds.csv"
    action = "add a price for each item, or remove the rows of builds.csv"
    none = [("prices.csv", None, "", "", allowed, action)]
    assert builds_said("build,item\nA,Case\n", prices="item\n") == none
    assert builds_said("build,item\n", prices="item\n") == []
    assert builds_said("build,item\nA,Case\n", prices='item\n"') == []


def test_a_build_is_one_machine():
    rows = "build,item,system,gpu\nA,Case,,Ember\nB,Case,t,Brazier\nA,Board,s,\nA,Fan,t,Brazier\n"
    one = "one {} for a build; this one has {!r} above"
    same = "write the same {}, or leave the cell empty"
    assert builds_said(rows) == [
        ("builds.csv", 5, column, value, one.format(column, first), same.format(column))
        for column, value, first in (("system", "t", "s"), ("gpu", "Brazier", "Ember"))
    ]


def claims_said(rows, **texts):
    given = {
        "builds": "build,item,condition\nPlain,Case,new\n",
        "gpus": "gpu\nEmber\n",
        "prices": "item\nCase\n",
    } | texts
    text = "claim,left,measure,relation,right\n" + rows
    return said(check_claims(tables(**given, claims=text)))


def test_a_claim_names_builds_or_gpus_and_a_price_items_too():
    rows = "a,Plain,average,above,Ember\nb,Case,average,above,60\nc,Case,price,below,1e3\n"
    rows += "d,Ember,cost_per_frame,above,Case\ne,Desk,price,above,Plane\nf,Plain,average,above,\n"
    two, three = "builds.csv or gpus.csv", "builds.csv or gpus.csv or prices.csv"
    assert claims_said(rows) == [
        ("claims.csv", 3, "left", "Case", f"a name from {two}", MEND.format(two)),
        ("claims.csv", 6, "left", "Desk", f"a name from {three}", MEND.format(three)),
        ("claims.csv", 6, "right", "Plane", f"a name from {three}", "is it 'Plain'? Mend it"),
        ("claims.csv", 5, "right", "Case", f"a name from {two}", MEND.format(two)),
    ]
    assert claims_said(rows, prices='item\n"') == []
