"""Means of ratios and of rates.

Sources: P. J. Fleming and J. J. Wallace (1986), How not to lie with statistics, CACM
29(3):218-221; times of J. R. Heath (1984) as reprinted in W. Stallings, Computer Organization and
Architecture, problem 2.14.
"""

import numpy as np
import pandas as pd
import pytest

from perfkit.frames.statistics import frame_statistics
from perfkit.frames.usable import combine
from perfkit.value.arithmetic import mean_log_draws
from tests.reference import load_json

MEANS = load_json("benchmark_means")
TIMES = pd.DataFrame(MEANS["times_textbook"], index=MEANS["benchmarks"])


def speed(machine: str, base: str) -> float:
    """Geometric mean of time ratios, as perfkit averages FPS over workloads."""
    ratios = (TIMES[machine] / TIMES[base]).to_numpy()
    logs = np.log(ratios)[None, :, None]
    return float(np.exp(mean_log_draws(logs, np.ones(len(ratios))))[0, 0])


def test_the_base_turns_the_order_of_arithmetic_means_only() -> None:
    for base in "RMZ":
        assert speed("M", base) < speed("R", base)
    arithmetic = {
        base: (TIMES["M"] / TIMES[base]).mean() < (TIMES["R"] / TIMES[base]).mean() for base in "RM"
    }
    assert arithmetic == {"R": False, "M": True}


def test_average_is_total_frames_over_total_time() -> None:
    expected = MEANS["harmonic"]
    times = np.array(expected["frame_times_ms"], float)
    found = frame_statistics(times).avg_fps
    assert found == pytest.approx(expected["total_frames_over_total_time_fps"], rel=1e-12)
    assert found == pytest.approx(expected["harmonic_mean_fps"], rel=1e-12)
    assert found < expected["arithmetic_mean_fps"]


def test_passes_of_equal_work_combine_harmonically_and_of_equal_time_arithmetically() -> None:
    fps = np.array(MEANS["harmonic"]["fps_each"], float)
    table = pd.DataFrame({"gpu": "a", "avg_fps": fps, "low_1pct_fps": np.nan})
    work = table.assign(frames=600.0, seconds=600.0 / fps)
    time = table.assign(frames=10.0 * fps, seconds=10.0)
    expected = MEANS["harmonic"]
    found = combine(work, ["gpu"])["avg_fps"].tolist()
    assert found == pytest.approx([expected["harmonic_mean_fps"]], rel=1e-12)
    found = combine(time, ["gpu"])["avg_fps"].tolist()
    assert found == pytest.approx([expected["arithmetic_mean_fps"]], rel=1e-12)
