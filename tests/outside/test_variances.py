"""Spread within and between groups.

Sources: NIST Statistical Reference Datasets, Analysis of Variance (certified); components by ISO
5725-2:1994, clause 7.4 (formulas from memory, standard identities); O. L. Davies and P. L.
Goldsmith (1972), Statistical Methods in Research and Production (dyestuff; by R's lme4).
"""

import numpy as np
import pytest

from perfkit.frames.usable import pooled_log_spread
from perfkit.value.sittings import sitting_spread
from tests.reference import load_csv, load_json
from tests.value.test_sittings import table as passes

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


@pytest.mark.parametrize("name", ANOVA)
def test_repeatability_and_spread_between_groups(name: str) -> None:
    table, certified = load_csv(ANOVA[name]["file"]), ANOVA[name]["derived"]
    scale = table["y"].abs().max()
    group = table["group"].to_numpy()
    found = sitting_spread(passes(table["y"].to_numpy() / scale, group, np.zeros(len(group))))
    between, within = found.between * scale**2, found.within * scale**2
    tolerance = {"SiRstv": 1e-8, "SmLs01": 1e-8, "SmLs07": 0.1}[name]
    assert between == pytest.approx(certified["s_L2_between"], rel=tolerance)
    assert within == pytest.approx(certified["s_r2_repeatability"], rel=tolerance)
    assert between + within == pytest.approx(certified["s_R2_reproducibility"], rel=tolerance)


def test_dyestuff_between_batches_is_what_reml_finds() -> None:
    table, expected = load_csv("dyestuff"), load_json("dyestuff_expected")
    batch = table["Batch"].astype("category").cat.codes.to_numpy()
    spread = sitting_spread(passes(table["Yield"].to_numpy() / 1000, batch, np.zeros(len(batch))))
    found = [1e6 * spread.between, 1e6 * spread.within]
    # Balanced, so the closed form equals REML; lme4 stops at seven digits.
    fitted = [row["vcov"] for row in expected["REML"]["varcomp"]]
    assert found == pytest.approx(fitted, rel=1e-7)
    assert found == pytest.approx((1764.05, 2451.25), rel=1e-9)
