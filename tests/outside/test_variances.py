"""Spread within and between groups.

Sources: NIST Statistical Reference Datasets, Analysis of Variance (certified); components by ISO
5725-2:1994, clause 7.4 (formulas from memory, standard identities); O. L. Davies and P. L.
Goldsmith (1972), Statistical Methods in Research and Production (dyestuff; by R's lme4).
"""

import numpy as np
import pytest

from perfkit.frames.usable import pooled_log_spread
from perfkit.value.sittings import nested_components
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


@pytest.mark.parametrize("name", ANOVA)
def test_repeatability_and_spread_between_groups(name: str) -> None:
    certified = ANOVA[name]
    squares = [certified["ms_between"], certified["ms_within"]]
    between, within = nested_components(squares, [certified["groups"], certified["per_group"]])
    # Arithmetic on the certified mean squares: 1e-9.
    assert between == pytest.approx(certified["derived"]["s_L2_between"], rel=1e-9)
    assert within == pytest.approx(certified["derived"]["s_r2_repeatability"], rel=1e-9)
    total = certified["derived"]["s_R2_reproducibility"]
    assert between + within == pytest.approx(total, rel=1e-9)


def test_dyestuff_between_batches_is_what_reml_finds() -> None:
    expected = load_json("dyestuff_expected")
    squares = [expected["anova"]["MSB"], expected["anova"]["MSW"]]
    found = nested_components(squares, [6, 5])
    # Balanced, so the closed form equals REML; lme4 stops at seven digits.
    fitted = [row["vcov"] for row in expected["REML"]["varcomp"]]
    assert found == pytest.approx(fitted, rel=1e-7)
    assert found == pytest.approx((1764.05, 2451.25), rel=1e-12)
