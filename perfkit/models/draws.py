"""Random futures of a table of predictions, with one device term shared by all rows of a device."""

import hashlib

import numpy as np
import pandas as pd
from scipy.special import chdtri

from perfkit.defaults import DRAWS, SEED
from perfkit.models.family import FloatArray

LARGEST = 50.0
"""Draws of log FPS stay this close to the median, so that none overflows."""

ROW_KEY = ("system", "gpu", "workload", "width", "height", "render_scale")


def _stream(seed: int, *key: object) -> np.random.Generator:
    text = "\x1f".join(str(part) for part in key)
    digest = hashlib.blake2b(text.encode(), digest_size=16).digest()
    return np.random.default_rng([seed, int.from_bytes(digest, "little")])


def draw_fps(table: pd.DataFrame, n: int = DRAWS, seed: int = SEED) -> FloatArray:
    """Draw FPS of future passes from a table of predictions.

    Parameters
    ----------
    table : DataFrame
        As from `Fit.predict`; read are the configuration, `fps`, `scale_device`, `scale_own` and
        `dof`.
    n : int
        Number of draws.
    seed : int
        Same seed, same draws.

    Returns
    -------
    ndarray, shape (n, rows)
        log FPS = log fps + (scale_device Z_gpu + scale_own Z_row) sqrt(dof / chi2), Z standard
        normal, one Z_gpu and one chi-square variate per GPU and draw. Each GPU and each row has a
        stream seeded by its own name, so further or reordered rows leave the others' draws as
        they were. NaN where `fps` is.

    Examples
    --------
    >>> table = pd.DataFrame({"system": "S", "gpu": "G", "workload": ["A", "B"], "width": 1920,
    ...     "height": 1080, "render_scale": 1.0, "fps": [60.0, np.nan], "scale_device": 0.1,
    ...     "scale_own": 0.0, "dof": 9.0})
    >>> draws = draw_fps(table, n=5, seed=1)
    >>> draws.shape, bool(np.isnan(draws[:, 1]).all())
    ((5, 2), True)
    """
    result = np.full((n, len(table)), np.nan, order="F")
    shared: dict[str, tuple[FloatArray, FloatArray]] = {}
    roots: dict[tuple[str, float], FloatArray] = {}
    columns = ["fps", "scale_device", "scale_own", "dof"]
    numbers = table[columns].to_numpy(float)
    keys = list(zip(*(table[name] for name in ROW_KEY), strict=True))
    for row, ((_, gpu, workload, width, height, scale), (fps, device, own, dof)) in enumerate(
        zip(keys, numbers, strict=True)
    ):
        if not np.isfinite([fps, device, own, dof]).all():
            continue
        if gpu not in shared:
            stream = _stream(seed, "gpu", gpu)
            shared[gpu] = stream.standard_normal(n), stream.random(n)
        normal, uniform = shared[gpu]
        if (gpu, dof) not in roots:
            roots[gpu, dof] = np.sqrt(dof / chdtri(dof, uniform))
        key = (keys[row][0], gpu, workload, int(width), int(height), f"{scale:.9g}")
        mine = _stream(seed, "row", *key).standard_normal(n)
        step = (device * normal + own * mine) * roots[gpu, dof]
        result[:, row] = fps * np.exp(np.clip(step, -LARGEST, LARGEST))
    return result
