"""Mixed models by restricted maximum likelihood.

Sources: D. Bates, M. Maechler, B. Bolker and S. Walker (2015), Fitting linear mixed-effects models
using lme4, J. Statistical Software 67(1), with the sleep deprivation data of Belenky et al. (2003);
O. L. Davies and P. L. Goldsmith (1972), Statistical Methods in Research and Production (dyestuff).
Values by R 4.2.2, lme4 1.1-31.
"""

import numpy as np
import pytest

from perfkit.models.workload_slopes import WorkloadSlopes, mixed_slopes
from tests.outside import as_cells
from tests.reference import load_csv, load_json

EXPECTED = load_json("sleepstudy_expected")
MS_PER_UNIT = 100.0  # reaction times in units that make slopes of the size of elasticities
SLOPES_ONLY = np.array([[True, True, True, True, False]])
GPUS_ONLY = ~SLOPES_ONLY


def components(kind: dict) -> dict[tuple[str, str | None], float]:
    return {(r["grp"], r["var1"]): r["vcov"] for r in kind["varcomp"] if r["var2"] is None}


def everything(cells) -> np.ndarray:
    return np.ones((1, len(cells.gpus)), dtype=bool)


def test_random_slopes_of_the_sleep_study() -> None:
    # Subjects have intercepts of their own here, random ones in lme4; every subject has the same
    # ten days, so slopes and their spread are the same.
    table = load_csv("sleepstudy")
    cells = as_cells(table["Reaction"] / MS_PER_UNIT, table["Days"], workloads=table["Subject"])
    found = mixed_slopes(cells, everything(cells), SLOPES_ONLY)
    expected = components(EXPECTED["random_slope_REML"])
    fixed = EXPECTED["random_slope_REML"]["fixef"]["Days"]
    assert found.shared[0, 0] * MS_PER_UNIT == pytest.approx(fixed, rel=1e-8)
    # An iterative fit on either side: six digits.
    squared = MS_PER_UNIT**2
    assert found.variance[0, 0] * squared == pytest.approx(expected["Subject", "Days"], rel=1e-6)
    assert found.residual[0] * squared == pytest.approx(expected["Residual", None], rel=1e-6)


def test_random_intercepts_of_the_sleep_study() -> None:
    """The subject as the GPU: groups that deviate, beside a slope."""
    table = load_csv("sleepstudy")
    cells = as_cells(table["Reaction"] / MS_PER_UNIT, table["Days"], gpus=table["Subject"])
    found = mixed_slopes(cells, everything(cells), GPUS_ONLY)
    kind = EXPECTED["random_intercept_REML"]
    expected, squared = components(kind), MS_PER_UNIT**2
    intercept = found.intercepts[0, 0] * MS_PER_UNIT
    assert intercept == pytest.approx(kind["fixef"]["(Intercept)"], rel=1e-8)
    assert found.shared[0, 0] * MS_PER_UNIT == pytest.approx(kind["fixef"]["Days"], rel=1e-8)
    of_subjects = expected["Subject", "(Intercept)"]
    assert found.device[0] * squared == pytest.approx(of_subjects, rel=1e-6)
    assert found.residual[0] * squared == pytest.approx(expected["Residual", None], rel=1e-6)
    # 180 rows less two fixed effects are scored; their unit is put back.
    deviance = found.deviance[0] + 178 * np.log(squared)
    assert deviance == pytest.approx(kind["criterion"], rel=1e-10)


def test_dyestuff_batches() -> None:
    table = load_csv("dyestuff")
    cells = as_cells(table["Yield"] / MS_PER_UNIT, np.zeros(len(table)), gpus=table["Batch"])
    found = mixed_slopes(cells, everything(cells), GPUS_ONLY)
    kind = load_json("dyestuff_expected")["REML"]
    squared = MS_PER_UNIT**2
    # Balanced, so the closed form (MSB - MSW) / 5 is exact; lme4 stops at eight digits.
    assert found.device[0] * squared == pytest.approx(1764.05, rel=1e-7)
    assert found.residual[0] * squared == pytest.approx(2451.25, rel=1e-7)
    assert found.intercepts[0, 0] * MS_PER_UNIT == pytest.approx(1527.5, rel=1e-12)
    deviance = found.deviance[0] + 29 * np.log(squared)
    assert deviance == pytest.approx(kind["criterion"], rel=1e-10)


def test_a_new_batch_of_dyestuff_has_the_textbook_range() -> None:
    """Balanced one-way: a new batch's mean varies by t^2 (1 + 1/6) + s^2 / 30 about the average."""
    table = load_csv("dyestuff")
    cells = as_cells(table["Yield"] / MS_PER_UNIT, np.zeros(len(table)), gpus=table["Batch"])
    new = WorkloadSlopes("workload slopes").fit(cells).new_gpu(cells.rows.take(np.array([0])))
    standard_error = load_json("dyestuff_expected")["REML"]["se"][0]
    assert new.line[0] * MS_PER_UNIT == pytest.approx(standard_error, rel=1e-6)
    mean = np.sqrt(1764.05 * (1 + 1 / 6) + 2451.25 / 30)
    assert new.mean_scale[0] * MS_PER_UNIT == pytest.approx(mean, rel=1e-6)
    # Cells of one pass each: a future pass deviates by s^2 more.
    assert new.scale[0] * MS_PER_UNIT == pytest.approx(np.sqrt(mean**2 + 2451.25), rel=1e-6)
    assert new.dof == 5


def test_predicted_random_slopes_of_the_first_subjects() -> None:
    """Shrinkage moves a subject's slope to the common one as lme4's does.

    Intercepts are free here and random there, so to 3 ms a day only.
    """
    table = load_csv("sleepstudy")
    cells = as_cells(table["Reaction"] / MS_PER_UNIT, table["Days"], workloads=table["Subject"])
    slopes = WorkloadSlopes("workload slopes").fit(cells).slopes
    deviation = (slopes.own[0, :3, 0] - slopes.shared[0, 0]) * MS_PER_UNIT
    expected = [row["Days"] for row in EXPECTED["ranef_first3"]]
    assert deviation == pytest.approx(expected, abs=3.0)
    alone = [np.polyfit(one["Days"], one["Reaction"], 1)[0] for _, one in table.groupby("Subject")]
    raw = np.array(alone[:3]) - slopes.shared[0, 0] * MS_PER_UNIT
    assert (np.abs(deviation) < np.abs(raw)).all()
