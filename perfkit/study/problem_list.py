"""A long list of problems in a length that a person reads."""

from collections.abc import Sequence

from perfkit.errors import Problem

MOST_LINES = 200


def listing(problems: Sequence[Problem], most: int = MOST_LINES) -> str:
    """Tell the problems of a study in at most about `most` lines.

    Parameters
    ----------
    problems : sequence of Problem
    most : int
        Problems shown. Each kind, that is each column of each file, gets its share, so that one
        kind in great number hides no other.

    Returns
    -------
    str
        The count, then the problems in their order; after each kind that is cut, how many more
        there are of it.

    Examples
    --------
    >>> many = [Problem("gpus.csv", n, "kind", "x", "one of a, b", "mend it") for n in range(2, 9)]
    >>> print(listing(many, most=1))
    7 problems in this study
      gpus.csv, line 2, kind: found 'x'; one of a, b; mend it
      gpus.csv, kind: and 6 more of the same kind
    """
    kinds: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        kinds.setdefault((problem.file, problem.column), []).append(problem)
    share = _share([len(kind) for kind in kinds.values()], most)
    count = len(problems)
    lines = [f"{count} problem{'' if count == 1 else 's'} in this study"]
    for (file, column), kind in kinds.items():
        lines += [f"  {problem}" for problem in kind[:share]]
        if len(kind) > share:
            place = f"{file}, {column}" if column else file
            lines.append(f"  {place}: and {len(kind) - share:,} more of the same kind")
    return "\n".join(lines)


def _share(sizes: Sequence[int], most: int) -> int:
    """Largest number that each kind may show, one at least, for `most` in all."""
    left = share = most
    for place, size in enumerate(sorted(sizes)):
        share = max(1, left // (len(sizes) - place))
        left -= min(size, share)
    return share
