"""Near matches for a name that is not known."""

import difflib
from collections.abc import Collection

_LONGEST = 60
_MOST = 300


def nearest(name: str, known: Collection[str]) -> str | None:
    """Find the known name that `name` was most likely meant to be.

    Parameters
    ----------
    name : str
        A name that is not known.
    known : collection of str
        Names that are; of a very large collection only the first 300 are compared.

    Returns
    -------
    str or None
        None when nothing is near. Case and space variants come first.

    Examples
    --------
    >>> nearest("velm ", ["Velm", "Quarry"])
    'Velm'
    >>> nearest("Quary", ["Velm", "Quarry"])
    'Quarry'
    >>> nearest("x", ["Velm", "Quarry"]) is None
    True
    """
    if len(name) > _LONGEST:
        return None
    some = [other for other, _ in zip(known, range(_MOST), strict=False) if len(other) <= _LONGEST]
    plain = plainly(name)
    same = next((other for other in some if plainly(other) == plain), None)
    if same is not None:
        return same
    return next(iter(difflib.get_close_matches(name, some, n=1, cutoff=0.7)), None)


def plainly(name: str) -> str:
    """Strip a name of case, spaces, hyphens and underscores, for comparing only.

    Parameters
    ----------
    name : str

    Returns
    -------
    str

    Examples
    --------
    >>> plainly(" Velm_Circuit") == plainly("velm circuit")
    True
    """
    return "".join(sign for sign in name.casefold() if not sign.isspace() and sign not in "-_")
