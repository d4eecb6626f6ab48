"""The few sentences that matter."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from perfkit.models.left_out_errors import CHOSEN_ANEW
from perfkit.show.summary import _modelled


def analysis(nested: float) -> SimpleNamespace:
    comparison = pd.DataFrame(
        {
            "family": ["limit", CHOSEN_ANEW],
            "median_abs_pct": [1.0, nested],
            "p90_abs_pct": [4.0, 3.0 * nested],
            "chosen": [True, False],
        }
    )
    return SimpleNamespace(
        model=SimpleNamespace(family="limit", comparison=comparison, warnings=("few GPUs",))
    )


def test_error_is_that_of_the_whole_procedure_not_of_the_family_it_chose():
    said = _modelled(analysis(2.0))
    assert "half were off by less than 2.0 %, nine in ten by less than 6 %" in said


def test_without_a_gpu_left_out_no_error_is_told():
    said = _modelled(analysis(np.nan))
    assert said == "No prediction was held against a GPU left out: few GPUs"
