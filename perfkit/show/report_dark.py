"""The page's pictures for a reader who prefers dark: the same bytes, seen through a filter.

A figure holds the hues of its theme and their mixtures along smooth edges. One affine map of
colours that takes the hues of the light theme to those of the dark one takes mixtures to the same
mixtures, so that a second picture would say nothing more and double the page's pictures.
"""

from dataclasses import astuple

import numpy as np
import numpy.typing as npt
from matplotlib.colors import to_rgb

from perfkit.show.style import THEMES

_WEIGHTS = {"ground": 1e6, "ink": 1e2, "first": 1e1, "second": 1e1}
"""How much it matters that a hue is met; 1 for the others. Twelve numbers cannot meet all eight."""


def night_matrix() -> npt.NDArray[np.float64]:
    """Find the map from the light theme's colours to the dark theme's, by least squares.

    Returns
    -------
    ndarray of float, shape (3, 4)
        Rows red, green, blue of the dark colour; columns red, green, blue of the light one, each
        0 to 1 in sRGB, and a constant.

    Examples
    --------
    >>> light = np.array([*to_rgb(THEMES["light"].ground), 1.0])
    >>> (255 * night_matrix() @ light).round().astype(int).tolist()
    [20, 23, 26]
    """
    light, dark = (np.array([to_rgb(hue) for hue in astuple(THEMES[t])]) for t in THEMES)
    weights = [_WEIGHTS.get(name, 1.0) for name in THEMES["light"].__dataclass_fields__]
    root = np.sqrt(np.array(weights))[:, None]
    seen = np.column_stack([light, np.ones(len(light))])
    found: npt.NDArray[np.float64] = np.linalg.lstsq(root * seen, root * dark, rcond=None)[0].T
    return found.round(4)


def night_filter() -> str:
    """Write the map as an SVG filter, named ``night``, for a style to refer to.

    Returns
    -------
    str
        HTML that takes no room.
    """
    rows = [f"{r:g} {g:g} {b:g} 0 {one:g}" for r, g, b, one in night_matrix()]
    return (
        '<svg class="unseen" width="0" height="0" aria-hidden="true" focusable="false">'
        '<filter id="night" color-interpolation-filters="sRGB">'
        f'<feColorMatrix values="{" ".join(rows)} 0 0 0 1 0"/></filter></svg>\n'
    )
