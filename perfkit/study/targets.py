"""A list of configurations to predict, from a file of the caller's own."""

import os
from dataclasses import replace
from pathlib import Path

import pandas as pd

from perfkit.errors import Problem, StudyError
from perfkit.study.between_files import cells_of, check_known
from perfkit.study.folder import TABLE_BYTES, Refused, read_inside
from perfkit.study.schema import TARGETS
from perfkit.study.study import Study
from perfkit.study.tables import in_order, parse_table


def read_targets(study: Study, path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read configurations by the rules of targets.csv, from a file anywhere.

    Parameters
    ----------
    study : Study
        Whose systems, GPUs and workloads the file names.
    path : path-like
        A CSV file with the columns of targets.csv.

    Returns
    -------
    DataFrame
        As `study.targets`.

    Raises
    ------
    StudyError
        With every problem of the file.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> bool((read_targets(study, find_demo() / "targets.csv") == study.targets).all(axis=None))
    True
    """
    name = os.fspath(path)
    real = Path(os.path.realpath(path))
    try:
        data = read_inside(real.parent, real.name, TABLE_BYTES)
    except Refused as refused:
        raise StudyError([Problem(name, None, "", "", refused.allowed, refused.action)]) from None
    read = parse_table(data, TARGETS)
    found = cells_of(read)
    homes = {"system": study.systems, "gpu": study.gpus, "workload": study.workloads}
    for column, home in homes.items():
        check_known(read.frame[column], set(home[column]), f"{column}s.csv", found)
    problems = in_order(read.problems + found.problems)
    if problems:
        raise StudyError(replace(problem, file=name) for problem in problems)
    return read.frame
