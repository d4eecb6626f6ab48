"""Numbers in sentences a person can say."""

from collections.abc import Iterable

import pandas as pd


def gain_sentence(variable: str, elasticity: float, step_pct: float = 10.0) -> str:
    """Say what a step in one variable does to FPS.

    Parameters
    ----------
    variable : str
        "bandwidth", "pixels drawn" ...
    elasticity : float
        d log FPS / d log variable.
    step_pct : float
        Step in percent.

    Returns
    -------
    str

    Examples
    --------
    >>> gain_sentence("bandwidth", 0.6)
    '10 % more bandwidth, 5.9 % more FPS'
    >>> gain_sentence("pixels drawn", -0.7)
    '10 % more pixels drawn, 6.5 % less FPS'
    """
    change = 100.0 * ((1.0 + step_pct / 100.0) ** elasticity - 1.0)
    adjective = "higher " if variable.endswith(("rate", "speed")) else "more "
    return (
        f"{step_pct:g} % {adjective}{variable}, "
        f"{abs(change):.2g} % {'more' if change >= 0 else 'less'} FPS"
    )


def filled(template: str, index: pd.Index, **columns: Iterable[object]) -> pd.Series:
    """Fill a sentence for each row.

    Parameters
    ----------
    template : str
        One of ours, as for `str.format`; never text from a study.
    index : Index
        Of the result.
    columns : iterable
        Values of each field, one a row.

    Returns
    -------
    Series of str

    Examples
    --------
    >>> filled("{gpu} has {gib:g} GiB", pd.RangeIndex(1), gpu=["G"], gib=[4.0]).tolist()
    ['G has 4 GiB']
    """
    rows = zip(*columns.values(), strict=True)
    texts = [template.format(**dict(zip(columns, row, strict=True))) for row in rows]
    return pd.Series(texts, index=index, dtype="str")
