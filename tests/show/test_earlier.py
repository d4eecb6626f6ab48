"""A price edit fits nothing again, yet gives the bytes of a report made from nothing."""

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import perfkit.analysis
from perfkit.analysis import analyse
from perfkit.models.saved_fit import kept_text, made_from, recall, remember
from perfkit.show import stills
from perfkit.show.charts import averages, cost
from perfkit.show.earlier import KEPT, earlier_report, write_kept
from perfkit.show.output import whole_folder
from perfkit.show.stills import write_figures
from perfkit.show.tables import write_tables
from perfkit.study import Study
from perfkit.study.exact import frame_of, frame_record
from tests.value.market import BASE, CARDS, market, measured, priced

TARGETS = [{"system": "bench", "gpu": "Birch", "workload": "Fen", "width": 1920, "height": 1080}]


def report(study: Study, out: Path) -> dict[str, bytes]:
    earlier = earlier_report(out)
    analysis = analyse(study, kept=earlier.kept() if earlier else "")
    with whole_folder(out, study.path) as folder:
        write_tables(analysis, folder / "tables")
        figures = write_figures(analysis, folder / "figures", earlier=earlier)
        write_kept(analysis, folder, figures)
    return {str(path.relative_to(out)): path.read_bytes() for path in sorted(out.rglob("*.*"))}


def dearer(folder: Path) -> Study:
    cards = [(card, "", price + 40) for card, price in CARDS.items()]
    return market(folder, targets=TARGETS, prices=priced(*BASE, *cards))


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count the fits; draw two charts, one with prices in it and one without."""
    made: list[int] = []
    real = perfkit.analysis.fit
    monkeypatch.setattr(perfkit.analysis, "fit", lambda *a, **k: made.append(1) or real(*a, **k))
    monkeypatch.setattr(stills, "CHARTS", (averages, cost))
    return made


def test_price_edit_fits_nothing_and_gives_the_same_bytes(
    tmp_path: Path, fits: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    report(market(tmp_path / "study", targets=TARGETS), tmp_path / "over")
    before = pd.read_csv(tmp_path / "over" / "tables" / "value.csv")
    assert len(fits) == 1
    study = dearer(tmp_path / "study")
    drawn: list[str] = []
    real = stills.pictures
    monkeypatch.setattr(stills, "pictures", lambda job: drawn.append(job.name) or real(job))
    over = report(study, tmp_path / "over")
    assert len(fits) == 1
    assert drawn == ["cost"]
    fresh = report(study, tmp_path / "fresh")
    assert len(fits) == 2
    assert over == fresh
    assert {"kept/averages.png", "kept/cost.png"} <= over.keys()
    after = pd.read_csv(tmp_path / "over" / "tables" / "value.csv")
    speed = ["fps", "fps_low", "fps_high"]
    pd.testing.assert_frame_equal(after[speed], before[speed], check_exact=True)
    assert after["cost_per_frame"].iloc[1] > before["cost_per_frame"].iloc[1]


def test_changed_pass_is_measured_and_fitted_anew(tmp_path: Path, fits: list[int]) -> None:
    study = market(tmp_path / "study", targets=TARGETS)
    report(study, tmp_path / "out")
    first, *others = measured()
    faster = [first | {"avg_fps": first["avg_fps"] * 1.001}, *others]
    report(market(tmp_path / "study", targets=TARGETS, passes=faster), tmp_path / "out")
    assert len(fits) == 2


def test_answers_that_nobody_asks_for_any_more_are_not_kept(
    tmp_path: Path, fits: list[int]
) -> None:
    other = [TARGETS[0] | {"width": 2560, "height": 1440}]
    report(market(tmp_path / "study", targets=other), tmp_path / "over")
    study = market(tmp_path / "study", targets=TARGETS)
    assert report(study, tmp_path / "over") == report(study, tmp_path / "fresh")


def test_what_was_kept_is_taken_only_where_the_manifest_vouches(
    tmp_path: Path, fits: list[int]
) -> None:
    study, out = market(tmp_path / "study", targets=TARGETS), tmp_path / "out"
    whole = report(study, out)
    told = json.loads((out / KEPT).read_text())
    told["passes"]["columns"]["avg_fps"][1][0] = 999.0
    (out / KEPT).write_text(json.dumps(told))
    assert earlier_report(out) is None
    assert report(study, out) == whole
    assert len(fits) == 2


def test_picture_touched_by_hand_is_drawn_again(tmp_path: Path, fits: list[int]) -> None:
    study, out = market(tmp_path / "study", targets=TARGETS), tmp_path / "out"
    whole = report(study, out)
    next((out / "figures").glob("averages*.png")).write_bytes(b"no picture")
    assert report(study, out) == whole


def test_other_code_takes_nothing(tmp_path: Path, fits: list[int]) -> None:
    study, out = market(tmp_path / "study"), tmp_path / "out"
    report(study, out)
    told = json.loads((out / KEPT).read_text())
    told["made_by"] = "another version"
    with whole_folder(out, study.path) as folder:
        (folder / "kept").mkdir()
        (folder / KEPT).write_text(json.dumps(told))
    assert earlier_report(out) is None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "1", '{"key": 1}', "[" * 100_000, '{"key": "k", "passes": {}}']
)
def test_broken_text_recalls_nothing(tmp_path: Path, text: str) -> None:
    study = market(tmp_path)
    assert recall(text, "k", study, lambda passes: pytest.fail("fitted")) is None


def test_new_question_is_answered_by_a_new_fit(tmp_path: Path, fits: list[int]) -> None:
    study = market(tmp_path, targets=TARGETS)
    first = analyse(study, kept="")
    text = kept_text(first.key, perfkit.analysis.summarize(study), remember(first.model))
    taken = recall(text, first.key, study, lambda passes: perfkit.analysis.fit(study, passes))
    assert taken is not None
    asked = study.targets.assign(width=2560, height=1440)
    expected = first.model.predict(asked)
    assert len(fits) == 1
    pd.testing.assert_frame_equal(taken[1].predict(asked), expected, check_exact=True)
    assert len(fits) == 2


def test_key_covers_specifications_but_not_prices(tmp_path: Path) -> None:
    key = made_from(market(tmp_path / "a", targets=TARGETS))
    assert key == made_from(dearer(tmp_path / "b"))
    gpus = [{"gpu": name, "kind": "discrete", "compute_units": 9, "lanes_per_unit": 64,
             "clock_mhz": 2100} for name in ("Ember", "Alder", "Birch")]  # fmt: skip
    assert key != made_from(market(tmp_path / "c", targets=TARGETS, gpus=gpus))


def test_nothing_of_unknown_columns_is_kept(tmp_path: Path, fits: list[int]) -> None:
    rows = [row | {"diary": "a secret"} for row in measured()]
    files = report(market(tmp_path / "study", passes=rows), tmp_path / "out")
    assert [name for name, content in files.items() if b"a secret" in content] == []


def test_what_no_text_can_hold_costs_no_report(tmp_path: Path) -> None:
    study = market(tmp_path, targets=TARGETS)
    analysis = analyse(study, kept="")
    strange = replace(analysis, flags=pd.DataFrame({"measured": [{}]}))
    write_kept(strange, tmp_path)
    assert not (tmp_path / KEPT).exists()


def test_frames_come_back_to_the_last_bit() -> None:
    frame = pd.DataFrame(
        {
            "x": [0.1 + 0.2, float("nan"), float("inf")],
            "n": [1, 2**60, -3],
            "yes": [True, False, True],
            "text": pd.Series(["", "a\u2028;", "NaN"], dtype="str"),
            "day": pd.to_datetime(["2026-01-01", None, "1999-12-31"]).astype("datetime64[s]"),
        }
    )
    again = frame_of(json.loads(json.dumps(frame_record(frame))))
    pd.testing.assert_frame_equal(again, frame, check_exact=True)
    with pytest.raises(TypeError, match="column 'x' is object, which is not kept"):
        frame_record(pd.DataFrame({"x": [{}]}))
