"""Which passes teach, and how they combine."""

import numpy as np
import pandas as pd
import pytest

from perfkit.models.observations import gather
from tests.models.worlds import cells_of, pass_frame, world


def sample(count: int = 3, **columns: object) -> pd.DataFrame:
    rows = {"system": "S0", "gpu": "G00", "workload": "W00", "width": 1920, "height": 1080}
    frame = pd.DataFrame({**rows, "avg_fps": 60.0 + np.arange(count)})
    return pass_frame(frame.assign(**columns))


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ({"outcome": "crashed", "avg_fps": np.nan}, "crashed"),
        ({"void_reason": "wrong preset"}, "void: wrong preset"),
        ({"generated_per_drawn": 1.0}, "generated frames: drawing pays for them too"),
        ({"state": "cold"}, "cold: caches were still filling"),
        ({"avg_fps": np.nan}, "no average FPS"),
        ({"avg_fps": np.nan, "reason": "log is empty"}, "no average FPS: log is empty"),
        ({"cap_fps": 60.0}, "held by a cap: counts as at least 60"),
        ({"flags": "drift; cap"}, "held by a cap: counts as at least 60"),
        ({"flags": "sync"}, "held by a cap: counts as at least 60"),
        ({"flags": "cumulative"}, "the log looks like running totals, not frame times"),
    ],
)
def test_each_pass_left_out_has_its_reason(columns, reason):
    seen = gather(world(gpus=2, workloads=1).study, sample(1, **columns))
    assert seen.left_out.to_dict("list") == {"pass_id": ["p0000"], "reason": [reason]}


def test_a_cap_that_was_missed_by_far_does_not_hold():
    seen = gather(world(gpus=2, workloads=1).study, sample(1, cap_fps=90.0))
    assert len(seen.left_out) == 0
    assert not seen.table["at_least"].any()


def test_flags_are_matched_as_whole_codes():
    seen = gather(world(gpus=2, workloads=1).study, sample(1, flags="recapped"))
    assert len(seen.left_out) == 0


def test_passes_combine_as_total_frames_over_total_time():
    passes = sample(2, frames=[100.0, 600.0], seconds=[10.0, 10.0], avg_fps=[10.0, 60.0])
    seen = gather(world(gpus=2, workloads=1).study, passes)
    assert len(seen.table) == 1
    np.testing.assert_allclose(seen.table["log_fps"], np.log(35.0))


def test_a_copied_pass_is_not_evidence():
    once = sample(2, frames=[100.0, 110.0], seconds=[2.0, 2.0], avg_fps=[50.0, 55.0])
    twice = pd.concat([once, once.head(1).assign(pass_id="copy")])
    study = world(gpus=2, workloads=1).study
    a, b = gather(study, once), gather(study, twice)
    assert b.left_out.to_dict("list") == {
        "pass_id": ["copy"],
        "reason": ["the same frames as another pass"],
    }
    assert a.pass_sd == b.pass_sd
    pd.testing.assert_frame_equal(a.table, b.table)


def test_typed_copies_do_not_lower_the_spread():
    study = world(gpus=2, workloads=1).study
    once, twice = sample(2), pd.concat([sample(2), sample(2)])
    assert gather(study, once).pass_sd == gather(study, twice).pass_sd


def test_pass_spread_is_recovered():
    cells = cells_of(world(1, pass_sd=0.02))
    assert cells.pass_sd == pytest.approx(0.02, rel=0.1)


def test_a_free_pass_makes_a_capped_one_superfluous():
    passes = sample(2, cap_fps=[60.0, np.nan], avg_fps=[60.0, 95.0])
    seen = gather(world(gpus=2, workloads=1).study, passes)
    assert seen.table["at_least"].tolist() == [False]
    np.testing.assert_allclose(seen.table["log_fps"], np.log(95.0))


def test_row_order_does_not_matter():
    w = world(2, gpus=4, workloads=3)
    keys = ["gpu", "workload", "height"]
    a = gather(w.study, w.passes).table.sort_values(keys, ignore_index=True)
    shuffled = w.passes.sample(frac=1.0, random_state=1)
    b = gather(w.study, shuffled).table.sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(a, b, rtol=1e-13)
