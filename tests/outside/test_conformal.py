"""Ranges without a distribution, on 209 processors of 1987.

Sources: V. Vovk, A. Gammerman and G. Shafer (2005), Algorithmic Learning in a Random World (split);
R. F. Barber, E. J. Candes, A. Ramdas and R. J. Tibshirani (2021), Annals of Statistics 49:486-507
(jackknife+). Expected values computed by hand and with MAPIE 1.6.0, equal to the last digit.
"""

import numpy as np
import pytest
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict

from perfkit.models.jackknife import free_range, jackknife_plus, rank
from perfkit.models.power_law import PowerLaw
from tests.outside import as_cells
from tests.outside.test_cpus import columns
from tests.reference import load_csv, load_json

EXPECTED = load_json("conformal_split_cpus")
FAMILY = PowerLaw("power law")


@pytest.mark.parametrize("alpha", [0.1, 0.2])
def test_split_ranges_of_five_processors(alpha: float) -> None:
    cpus = load_csv("cpus")
    cells = as_cells(np.log(cpus["perf"]), columns(cpus))
    row = np.arange(len(cpus))
    test = np.array(EXPECTED["test_rows_1based"]) - 1
    held = (row % 3 == 0) & ~np.isin(row, test)
    fit = FAMILY.fit(cells.take(~held & ~np.isin(row, test)))
    said = fit.log_fps(cells.rows)
    expected = EXPECTED["results"][f"alpha_{alpha}"]["split"]
    assert rank(int(held.sum()), 1 - alpha) == expected["k"]
    errors = np.abs(said - cells.log_fps)[held]
    # Where every fit says the same, jackknife+ is the split range.
    shape = (len(errors), len(test))
    found = jackknife_plus(
        np.broadcast_to(said[test], shape), np.broadcast_to(errors[:, None], shape), 1 - alpha
    )
    low, high = np.transpose(expected["interval_log"])
    assert found[0] == pytest.approx(low, rel=1e-9)
    assert found[1] == pytest.approx(high, rel=1e-9)
    assert (found[1] - found[0]) / 2 == pytest.approx(expected["q"], rel=1e-9)


def test_leaving_out_groups_and_jackknife_plus_are_those_of_scikit_learn() -> None:
    cpus = load_csv("cpus")
    x, y = columns(cpus), np.log(cpus["perf"].to_numpy(float))
    cells = as_cells(y, x, cpus["vendor"])
    group, outside = LeaveOneGroupOut(), x[:5] + 0.1
    left = cross_val_predict(LinearRegression(), x, y, groups=cpus["vendor"], cv=group)
    assert FAMILY.left_out_each(cells) == pytest.approx(left, rel=1e-9)
    fits = [
        LinearRegression().fit(x[train], y[train]) for train, _ in group.split(x, y, cpus["vendor"])
    ]
    said = np.array([fit.predict(outside) for fit in fits])
    asked = as_cells(np.zeros(5), outside).rows
    assert np.array(FAMILY.left_out_at(cells, list(cells.gpus[:, None]), asked)) == pytest.approx(
        said, rel=1e-9
    )


def test_jackknife_plus_by_its_definition() -> None:
    rng = np.random.default_rng(1)
    said, errors = rng.normal(size=(12, 4)), np.abs(rng.normal(size=(12, 4)))
    low, high = jackknife_plus(said, errors, 0.8)
    k = rank(12, 0.8)
    for row in range(4):
        assert high[row] == np.sort(said[:, row] + errors[:, row])[k - 1]
        assert low[row] == np.sort(said[:, row] - errors[:, row])[12 - k]
    assert np.isinf(jackknife_plus(said[:8], errors[:8], 0.9)).all()


def test_eight_gpus_have_no_range_and_nine_do() -> None:
    cpus = load_csv("cpus")
    cells = as_cells(np.log(cpus["perf"]), columns(cpus))
    for count in (8, 9):
        some = cells.take(np.arange(0, 10 * count, 10))
        found = free_range(FAMILY, some, some.rows, 0.9)
        assert (found.gpus == count).all()
        assert np.isfinite(found.low).all() == (count == 9)
    assert found.guaranteed == pytest.approx(0.8)
