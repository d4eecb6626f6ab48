"""What rules for widths share, on numbers worked by hand."""

import numpy as np
import pytest

from perfkit.models.intervals import device_share, disagreement
from tests.outside import as_cells


@pytest.mark.parametrize(
    ("gpus", "workloads", "errors", "share"),
    [
        # GPU a: workload means 1 and 3, so 2 squared, less their variance 2 over 2 of them; GPU b:
        # 1. Between (4 + 1)/2 - 1 = 3/2 of a mean square (11/3 + 1)/2 = 7/3, so 9/14; two GPUs
        # and two more that say a half: (2 * 9/14 + 1)/4.
        ("aaab", "vvwv", [1.0, 1.0, 3.0, -1.0], 4 / 7),
        # What is not known says nothing.
        ("aaabbc", "vvwvwv", [1.0, 1.0, 3.0, -1.0, np.nan, np.nan], 4 / 7),
        # Opposite errors share nothing: (0 + 1)/3; equal ones everything: (1 + 1)/3.
        ("aa", "vw", [1.0, -1.0], 1 / 3),
        ("aa", "vw", [0.5, 0.5], 2 / 3),
        # Nine cells of 1, one of 3: 2 squared less 2/2 is 3, more than the mean square of 1.8.
        ("a" * 10, "v" * 9 + "w", [1.0] * 9 + [3.0], 2 / 3),
        # One workload each: nothing but GPU means, (2 * 1 + 1)/4.
        ("ab", "vv", [1.0, 2.0], 0.75),
        # Without any error, a half.
        ("ab", "vv", [0.0, 0.0], 0.5),
    ],
)
def test_shared_part_of_the_error_is_what_gpu_means_hold(gpus, workloads, errors, share):
    cells = as_cells(np.zeros(len(gpus)), np.zeros(len(gpus)), list(gpus), list(workloads))
    assert device_share(np.array(errors), cells) == pytest.approx(share, rel=1e-12)
    assert device_share(1e-3 * np.array(errors), cells) == pytest.approx(share, rel=1e-9)


def test_families_disagree_by_the_variance_of_what_they_say():
    said = [[1.0, 3.0, np.nan, np.nan], [np.nan, 5.0, np.nan, np.nan], [2.0, 4.0, 6.0, 8.0]]
    said.append([np.nan] * 4)
    np.testing.assert_allclose(disagreement(np.array(said)), [2.0, 0.0, 20 / 3, 0.0], rtol=1e-12)
