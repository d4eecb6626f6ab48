"""The block bootstrap against explicit resampling and a closed form."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.value.bootstrap import block_starts, bootstrap_pass
from tests.reference import load_csv


@pytest.mark.parametrize(
    ("frames", "block"),
    [(1000, 7), (1500, 50), (333, 300), (101, 1), (2000, 2000), (1, 1), (2, 1), (3, 2), (50, 7)],
)
def test_same_as_writing_every_resample_out(frames: int, block: int) -> None:
    times = np.random.default_rng(frames).lognormal(2, 0.3, frames)
    starts = block_starts(frames, block, 40)
    found = bootstrap_pass(times, starts, block)
    for row, begins in enumerate(starts):
        at = (begins[:, None] + np.arange(block)) % frames
        drawn = times[at].ravel()[:frames]
        assert_allclose(found.avg_fps[row], 1000 / drawn.mean(), rtol=1e-12)
        assert_allclose(found.low_1pct_fps[row], 1000 / np.quantile(drawn, 0.99), rtol=1e-12)


def test_ties_and_runs_of_slow_frames() -> None:
    """Slow frames stand together, so resamples often hold too few or too many of them."""
    times = np.where(np.arange(1200) < 30, 50.0, 10.0)
    starts = block_starts(1200, 60, 200)
    found = bootstrap_pass(times, starts, 60)
    at = (starts[:, :, None] + np.arange(60)) % 1200
    expected = 1000 / np.quantile(times[at].reshape(200, -1), 0.99, axis=1)
    assert_allclose(found.low_1pct_fps, expected, rtol=1e-12)
    assert len(set(expected)) > 1


def test_block_of_one_is_the_plain_bootstrap() -> None:
    """SD x sqrt((n - 1) / n) / sqrt(n) for white noise: the closed form, 3 % with 20,000 draws."""
    noise = load_csv("white_noise").iloc[:, -1].to_numpy(float)
    found = bootstrap_pass(noise, block_starts(len(noise), 1, 20_000), 1)
    spread = np.std(1000 / found.avg_fps)
    assert_allclose(spread, noise.std() / np.sqrt(len(noise)), rtol=0.03)


def test_same_seed_same_starts() -> None:
    assert (block_starts(100, 7, 3) == block_starts(100, 7, 3)).all()
    assert (block_starts(100, 7, 3, seed=1) != block_starts(100, 7, 3, seed=2)).any()


def test_no_resample_of_even_times_is_written_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr("perfkit.value.bootstrap._resample")
    times = np.random.default_rng(6).lognormal(2, 0.3, 2000)
    assert np.isfinite(bootstrap_pass(times, block_starts(2000, 9, 70), 9).low_1pct_fps).all()


def test_any_frame_may_begin_a_block() -> None:
    assert set(block_starts(3, 1, 50).ravel()) == {0, 1, 2}


def test_blocks_of_a_long_pass_that_run_on_over_the_end_hold_its_first_frames_once() -> None:
    """More frames and block than 16 bits count; the longest frames are the first ones."""
    frames, block = 60_000, 6_000
    times = 10.0 + np.arange(frames, 0, -1.0) ** 2 / frames**2
    starts = block_starts(frames, block, 8)
    starts[:, 2] = 59_900 + np.arange(8)
    starts[:4, -1] = 59_999
    found = bootstrap_pass(times, starts, block).low_1pct_fps
    at = (starts[:, :, None] + np.arange(block)) % frames
    expected = 1000 / np.quantile(times[at].reshape(8, -1), 0.99, axis=1)
    assert_allclose(found, expected, rtol=1e-12)
