"""The size at which builds are compared when the study does not say."""

import pandas as pd

NO_PASSES = (1920, 1080)


def default_value_at(passes: pd.DataFrame, builds: pd.DataFrame) -> tuple[int, int]:
    """Size with passes for the most pairs of a workload and a build.

    Parameters
    ----------
    passes : DataFrame
        Rows of passes.csv.
    builds : DataFrame
        Rows of builds.csv.

    Returns
    -------
    tuple of (int, int)
        Width and height in pixels. Only passes that ran and are not void, at native scale and
        with nothing generated, count. Where no build was measured, pairs of a workload and a
        system with its GPU are counted instead. Ties go to more pixels, then to the wider size.

    Examples
    --------
    >>> passes = pd.DataFrame({"system": "s", "gpu": "g", "workload": ["a", "a", "b"],
    ...     "width": [1280, 1920, 1280], "height": [720, 1080, 720], "render_scale": 1.0,
    ...     "generated_per_drawn": 0.0, "outcome": "ran", "void_reason": ""})
    >>> default_value_at(passes, pd.DataFrame({"build": [], "system": [], "gpu": []}))
    (1280, 720)
    """
    ran = passes[(passes["outcome"] == "ran") & (passes["void_reason"] == "")]
    native = ran[(ran["render_scale"] == 1) & (ran["generated_per_drawn"] == 0)]
    cells = native[["system", "gpu", "workload", "width", "height"]].drop_duplicates()
    machines = build_machines(builds)
    pairs = machines[machines["gpu"] != ""].merge(cells, on=["system", "gpu"])
    counted = pairs if len(pairs) else cells
    if not len(counted):
        return NO_PASSES
    sizes = counted.groupby(["width", "height"]).size().rename("pairs").reset_index()
    sizes["pixels"] = sizes["width"] * sizes["height"]
    best = sizes.sort_values(["pairs", "pixels", "width"]).iloc[-1]
    return int(best["width"]), int(best["height"])


def build_machines(builds: pd.DataFrame) -> pd.DataFrame:
    """Tell the system and the GPU by which each build is compared.

    Parameters
    ----------
    builds : DataFrame
        Rows of builds.csv; any row of a build may name them.

    Returns
    -------
    DataFrame
        build, system, gpu: one row a build in file order, "" where no row names it.

    Examples
    --------
    >>> rows = pd.DataFrame({"build": ["b", "b"], "system": ["", "s"], "gpu": ["g", ""]})
    >>> build_machines(rows).values.tolist()
    [['b', 's', 'g']]
    """
    return builds.groupby("build", sort=False)[["system", "gpu"]].max().reset_index()
