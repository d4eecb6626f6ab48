"""What a study may get wrong about money and claims: refused or flagged, each by its name."""

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from perfkit.errors import StudyError
from perfkit.study import load_study
from perfkit.study.ledger import keep_forecasts
from perfkit.value.claim_sides import record_of
from perfkit.value.claims import check_claims
from perfkit.value.scores import score_forecasts
from perfkit.value.worth import value_table
from tests.value.market import (
    BASE,
    booked,
    market,
    measured,
    no_predictions,
    predictions,
    priced,
    runs,
    summary,
)

PRICES = priced(*BASE, ("Alder", "", 150), ("Birch", "", 300))
ALDER_LINE, FIRST_LINE = 7, 2


def alder(**changed: object) -> list[dict]:
    return [row | changed if row["item"] == "Alder" else row for row in PRICES]


@pytest.mark.parametrize(
    ("rows", "line", "column", "allowed"),
    [
        (alder(currency="CHF"), ALDER_LINE, "currency",
         "EUR, or a currency with a rate on or before 2026-11-01"),
        (alder(price=0), ALDER_LINE, "price", "a number above 0, at most 1000000000000"),
        (alder(price=-5), ALDER_LINE, "price", "a number above 0, at most 1000000000000"),
        (alder(tax_included="yes"), FIRST_LINE, "tax_included",
         "yes or no in every row, since other rows have it"),
        ([row | {"tax_included": "yes" if at else "no"} for at, row in enumerate(PRICES)],
         FIRST_LINE, "tax_pct",
         "a percentage where the price is without tax, since others are with tax"),
    ],
    ids=["currency without a rate", "zero price", "negative price", "mixed tax", "tax unknown"],
)  # fmt: skip
def test_refused_by_line_and_column(
    tmp_path: Path, rows: list[dict], line: int, column: str, allowed: str
) -> None:
    with pytest.raises(StudyError) as refused:
        market(tmp_path, prices=rows)
    problem = refused.value.problems[0]
    assert (problem.file, problem.line, problem.column) == ("prices.csv", line, column)
    assert problem.allowed == allowed
    assert problem.action


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        (alder(date="2026-12-01"),
         "Alder: its first new price is of 2026-12-01, after 2026-11-01"),
        ([*alder(bundle="kit"), {"item": "Stranger", "date": "2026-10-20", "price": 10,
                                 "bundle": "kit"}],
         "Alder: it has a price only inside a bundle (kit) that this build does not buy whole"),
    ],
    ids=["price only in the future", "bundle with a stranger"],
)  # fmt: skip
def test_flagged_and_no_cost_is_made_up(tmp_path: Path, rows: list[dict], reason: str) -> None:
    study = market(tmp_path, prices=rows)
    found = value_table(study, summary(study), no_predictions()).set_index("build")
    assert np.isnan(found.loc["with Alder", ["price", "cost_per_frame"]].astype(float)).all()
    assert found.loc["with Alder", "reason"] == reason
    assert found.loc["bare", "price"] == 350


@pytest.mark.parametrize(
    ("left", "right", "measure", "reason"),
    [
        ("Nobody", "Ember", "average", "Nobody is no build, GPU or priced item of this study"),
        ("Alder", "Nobody", "price", "Nobody is no build, GPU or priced item of this study"),
        ("Alder", "", "average", "the claim names nothing on the right"),
    ],
)
def test_claim_that_names_nothing_is_open_and_says_so(
    tmp_path: Path, left: str, right: str, measure: str, reason: str
) -> None:
    claims = [{"claim": "c", "left": left, "measure": measure, "relation": "above", "right": right}]
    study = market(tmp_path, claims=claims)
    found = check_claims(record_of(study, summary(study), booked(study))).iloc[0]
    assert (found["verdict"], found["reason"]) == ("open", reason)


def kept(folder: Path) -> Path:
    """Keep forecasts of Birch in a study in which it never ran."""
    study = market(folder)
    table = predictions("Birch", {"Fen": 60.0, "Moor": 120.0}, level=0.9)
    keep_forecasts(
        study, table.assign(model="power law", pred_low=50.0, pred_high=70.0, mean_low=55.0)
    )
    return folder / "forecasts.csv"


@pytest.mark.parametrize("spoil", ["edited", "removed"])
def test_forecast_changed_or_removed_by_hand_is_refused(tmp_path: Path, spoil: str) -> None:
    ledger = kept(tmp_path)
    lines = ledger.read_text("utf-8").splitlines(keepends=True)
    assert len(lines) == 3
    lines[1] = lines[1].replace("Fen", "Tarn") if spoil == "edited" else ""
    ledger.write_text("".join(lines), "utf-8")
    with pytest.raises(StudyError) as refused:
        load_study(tmp_path)
    assert {problem.file for problem in refused.value.problems} == {"forecasts.csv"}
    assert refused.value.problems[0].line == 2


def test_late_and_repeated_forecasts_are_kept_and_one_counts(tmp_path: Path) -> None:
    later = runs("Birch", {"Fen": [66.0]}, date="2026-10-05")
    study = market(tmp_path, passes=measured() + later)
    days = ["2026-10-02", "2026-10-01", "2026-10-05", "2026-10-09"]
    row = {"inputs_sha256": "0" * 64, "model": "time sum", "system": "bench", "gpu": "Birch",
           "workload": "Fen", "width": 1920, "height": 1080, "render_scale": 1.0, "fps": 60.0,
           "pred_low": 50.0, "pred_high": 70.0, "level": 0.9}  # fmt: skip
    frame = pd.DataFrame([row | {"made_on": pd.Timestamp(day)} for day in days])
    frame["made_on"] = frame["made_on"].astype("datetime64[s]")
    found = score_forecasts(dataclasses.replace(study, forecasts=frame), summary(study))
    assert found.rows["reason"].tolist() == [
        "an earlier forecast for this card counts",
        "",
        "made on the day of the card's first pass",
        "made after the card's first pass",
    ]
    assert found.cards["rows"].tolist() == [1]
