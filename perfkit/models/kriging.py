"""Carry residuals of a law to neighbours: what a law misses, near GPUs miss alike.

Simple kriging with a Matern 3/2 kernel on ln-distances of rates and pixels. Far from every
measured GPU it adds nothing, so it changes no extrapolation.
"""

import numpy as np

from perfkit.models.family import FloatArray, Rows

RESIDUAL_SD = 0.05
"""Expected misses of a law, sd of log frame time."""

NOISE_SD = 0.03
"""Part of a cell's residual that no neighbour shares."""

NOISE_DOF = 4.0
"""Degrees of freedom of that noise: a disturbed cell is believed less."""

REACH = 1.0
"""ln-distance of rates over which a miss fades."""

PIXEL_REACH = 1.0
SAME_AT_ALL_SIZES = 0.7
"""Part of a miss that all sizes share; the rest fades over `PIXEL_REACH` in log pixels."""

OTHER_ARCHITECTURE = 1.0
"""Distance between GPUs of different kind or family, in units of `REACH` (common practice, no
source)."""

ROUNDS = 3


def kernel(one: Rows, other: Rows) -> FloatArray:
    """Correlation of misses between n and m configurations of one workload, shape (n, m)."""
    square = np.zeros((len(one), len(other)))
    for name in ("arithmetic_tflops", "bandwidth_gb_s", "cpu_speed"):
        a, b = np.log(getattr(one, name)), np.log(getattr(other, name))
        square += ((a[:, None] - b[None]) / REACH) ** 2
    alien = one.family[:, None] != other.family[None]
    alien |= one.integrated[:, None] != other.integrated[None]
    distance = np.sqrt(3.0 * (square + OTHER_ARCHITECTURE**2 * alien))
    pixels = np.log(one.drawn_mpx)[:, None] - np.log(other.drawn_mpx)[None]
    of_size = np.exp(-0.5 * (pixels / PIXEL_REACH) ** 2)
    shared = SAME_AT_ALL_SIZES + (1.0 - SAME_AT_ALL_SIZES) * of_size
    result: FloatArray = (1.0 + distance) * np.exp(-distance) * shared
    return result


def krige(correlation: FloatArray, residual: FloatArray, used: FloatArray) -> FloatArray:
    """Weights of the cells: a prediction adds `kernel(rows, cells) @ weights`.

    Parameters
    ----------
    correlation : ndarray, shape (n, n)
        `kernel` of the cells with themselves.
    residual : ndarray, shape (m, n)
        Log frame time less the law's, for m subsets of the cells.
    used : ndarray, shape (m, n)
        1 where a cell belongs to the subset, else 0.

    Returns
    -------
    ndarray, shape (m, n)
        Zero where a cell is not used.
    """
    held = residual * used
    joint = RESIDUAL_SD**2 * correlation[None] * used[:, :, None] * used[:, None, :]
    diagonal = np.arange(residual.shape[1])
    trust = np.ones_like(used)
    weights = np.zeros_like(residual)
    for _ in range(ROUNDS):
        matrix = joint.copy()
        noise = NOISE_SD**2 / trust
        matrix[:, diagonal, diagonal] += noise
        weights = np.linalg.solve(matrix, held[..., None])[..., 0] * used
        surprise = weights * noise / NOISE_SD
        trust = (NOISE_DOF + 1) / (NOISE_DOF + surprise**2)
    result: FloatArray = RESIDUAL_SD**2 * weights
    return result
