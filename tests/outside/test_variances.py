"""Spread within groups, pooled.

Sources: NIST Statistical Reference Datasets, Analysis of Variance (certified residual standard
deviation); O. L. Davies and P. L. Goldsmith (1972), Statistical Methods in Research and Production
(dyestuff; mean squares by R).
"""

import numpy as np
import pytest

from perfkit.value.cells import pooled_log_spread
from tests.reference import load_csv, load_json

ANOVA = load_json("nist_anova_certified")


@pytest.mark.parametrize("name", ANOVA)
def test_certified_spread_within_groups(name: str) -> None:
    table, certified = load_csv(ANOVA[name]["file"]), ANOVA[name]
    # The function pools logs: handed exp(y / c), it must give back the spread of y / c. SmLs07
    # carries 0.1 on values near 1e12, of which doubles keep four digits.
    scale = table["y"].abs().max()
    spread, dof = pooled_log_spread(np.exp(table["y"] / scale), table["group"])
    tolerance = {"SiRstv": 1e-8, "SmLs01": 1e-8, "SmLs07": 5e-2}[name]
    assert dof == certified["df_within"]
    assert spread * scale == pytest.approx(certified["residual_sd"], rel=tolerance)


def test_dyestuff_within_batches() -> None:
    table = load_csv("dyestuff")
    expected = load_json("dyestuff_expected")["anova"]
    spread, dof = pooled_log_spread(np.exp(table["Yield"] / 1000), table["Batch"])
    assert dof == expected["df"][1]
    assert (1000 * spread) ** 2 == pytest.approx(expected["MSW"], rel=1e-9)
