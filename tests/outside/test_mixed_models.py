"""A mixed model with a random slope.

Source: D. Bates, M. Maechler, B. Bolker and S. Walker (2015), Fitting linear mixed-effects
models using lme4, J. Statistical Software 67(1); sleep deprivation data of Belenky et al. (2003);
values by R 4.2.2, lme4 1.1-31. The subject plays the workload, the day the log of a rate.
"""

import numpy as np
import pytest

from perfkit.models.moments import subset_moments
from perfkit.models.workload_slopes import WorkloadSlopes, mixed_slopes
from tests.outside import as_cells
from tests.reference import load_csv, load_json

EXPECTED = load_json("sleepstudy_expected")
MS_PER_UNIT = 100.0  # reaction times in units that make slopes of the size of elasticities


def components(kind: str) -> dict[tuple[str, str | None], float]:
    rows = EXPECTED[kind]["varcomp"]
    return {(r["grp"], r["var1"]): r["vcov"] for r in rows if r["var2"] is None}


def test_random_slopes_of_the_sleep_study() -> None:
    # Subjects have intercepts of their own here, random ones in lme4; every subject has the same
    # ten days, so slopes and their spread are the same by maximum likelihood.
    table = load_csv("sleepstudy")
    cells = as_cells(table["Reaction"] / MS_PER_UNIT, table["Days"], workloads=table["Subject"])
    found = mixed_slopes(subset_moments(cells, np.ones((1, len(table)), bool)))
    expected = components("random_slope_ML")
    fixed = EXPECTED["random_slope_ML"]["fixef"]["Days"]
    assert found.shared[0, 0] * MS_PER_UNIT == pytest.approx(fixed, rel=1e-8)
    # An iterative fit on either side: six digits.
    squared = MS_PER_UNIT**2
    assert found.variance[0, 0] * squared == pytest.approx(expected["Subject", "Days"], rel=1e-6)
    assert found.residual[0] * squared == pytest.approx(expected["Residual", None], rel=1e-6)


def test_predicted_random_slopes_of_the_first_subjects() -> None:
    """Shrinkage moves a subject's slope to the common one as lme4's does.

    By REML there and by maximum likelihood here, and with free intercepts, so to 3 ms a day only.
    """
    table = load_csv("sleepstudy")
    cells = as_cells(table["Reaction"] / MS_PER_UNIT, table["Days"], workloads=table["Subject"])
    fit = WorkloadSlopes("workload slopes").fit(cells)
    deviation = (fit.slopes.own[0, :3, 0] - fit.slopes.shared[0, 0]) * MS_PER_UNIT
    expected = [row["Days"] for row in EXPECTED["ranef_first3"]]
    assert deviation == pytest.approx(expected, abs=3.0)
    alone = [np.polyfit(one["Days"], one["Reaction"], 1)[0] for _, one in table.groupby("Subject")]
    raw = np.array(alone[:3]) - fit.slopes.shared[0, 0] * MS_PER_UNIT
    assert (np.abs(deviation) < np.abs(raw)).all()
