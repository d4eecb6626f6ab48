"""A ratio of means, by perfkit's closed forms and by the other ways to its uncertainty.

Source: A. C. Davison and D. V. Hinkley (1997), Bootstrap Methods and their Application (ten
cities of Cochran 1977; values by R's package boot, 99,999 resamples).
"""

import numpy as np
import pytest

from perfkit.value.ratio import fieller
from tests.reference import load_csv, load_json

CITY = load_json("city_ratio_expected")


def test_jackknife_and_bootstrap_of_ten_cities_agree_with_the_closed_forms() -> None:
    table, n = load_csv("city"), CITY["n"]
    cov = np.cov(table["x"], table["u"]) / n
    means = table["x"].mean(), table["u"].mean()
    # A narrow range of Fieller's is the first order: t is 1.25e-5, second order below 1e-10.
    narrow = fieller(*means, cov[0, 0], cov[1, 1], cov[0, 1], level=1e-5)
    variance = (float(narrow.high - narrow.low) / 2 / 1.2533141373426082e-5) ** 2
    # The infinitesimal jackknife divides by n where the sample variance divides by n - 1
    # (v_L = 0.0325 in the book, from memory).
    linear = variance * (n - 1) / n
    assert linear == pytest.approx(CITY["infinitesimal_jackknife_vL"], rel=1e-8)
    assert linear == pytest.approx(0.0325, abs=5e-5)
    # Second-order terms of ten values: 5 % for the jackknife, 20 % for the bootstrap.
    assert variance**0.5 == pytest.approx(CITY["jackknife_se"], rel=0.05)
    assert variance**0.5 == pytest.approx(CITY["bootstrap"]["boot_se"], rel=0.20)
    # On the log scale by first order: ratio x exp(-+ t se / ratio).
    ratio, t = means[0] / means[1], 2.2621571627982  # t at 0.975 with 9 degrees of freedom
    ends = ratio * np.exp(np.array([-1, 1]) * t * variance**0.5 / ratio)
    assert ends == pytest.approx(CITY["log_delta_ci95_t"], rel=1e-8)
    # Fieller's upper end is long, as the bootstrap's; a symmetric range would stop at 1.95.
    found = fieller(*means, cov[0, 0], cov[1, 1], cov[0, 1], dof=n - 1, level=0.95)
    assert float(found.high) > CITY["bootstrap"]["bca"][1] > CITY["delta_ci95_t"][1]
