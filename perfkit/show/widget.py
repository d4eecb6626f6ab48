"""The explorer as a notebook widget: the page's module, with its state in Python.

Needs the extra ``lab``.
"""

from typing import TYPE_CHECKING, Any

import pandas as pd

from perfkit.errors import MissingExtra
from perfkit.show.explorer import explore, payload
from perfkit.show.report_html import page_part

try:
    import anywidget
    import traitlets
except ModuleNotFoundError as error:
    raise MissingExtra("the explorer needs the extra `lab`: pip install 'perfkit[lab]'") from error

if TYPE_CHECKING:
    from perfkit.analysis import Analysis


class Explorer(anywidget.AnyWidget):
    """Move prices, weigh games, leave machines out; table and chart follow at once.

    Parameters
    ----------
    analysis : Analysis

    Attributes
    ----------
    payload : dict
        What the browser needs; see :func:`perfkit.show.explorer.payload`.
    state : dict
        What the controls say; empty until one is moved.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> explorer = Explorer(pk.analyse(pk.load_study(find_demo())))
    >>> explorer.choice()
    {}
    """

    _esm = page_part("explorer.js")
    _css = page_part("explorer.css")
    payload = traitlets.Dict().tag(sync=True)
    state = traitlets.Dict().tag(sync=True)

    def __init__(self, analysis: "Analysis") -> None:
        super().__init__(payload=payload(analysis))
        self._analysis = analysis

    def choice(self) -> dict[str, Any]:
        """Give what the controls say, as the arguments of :func:`perfkit.show.explorer.explore`.

        Returns
        -------
        dict
            prices, weights, builds and goal_fps; empty until a control is moved.
        """
        if not self.state:
            return {}
        return choice_of(self.payload, self.state)

    def table(self) -> pd.DataFrame:
        """Compute in Python the table that the widget shows.

        Returns
        -------
        DataFrame
            As made by :func:`perfkit.show.explorer.explore`.
        """
        return explore(self._analysis, **self.choice())

    def __repr__(self) -> str:
        """Say what can be explored; the browser shows the rest."""
        machines, games = len(self.payload["builds"]), len(self.payload["workloads"])
        return f"Explorer of {machines} machines over {games} games; run the cell to use it"


def choice_of(payload: dict[str, Any], state: dict[str, Any]) -> dict[str, Any]:
    """Turn a widget's state, which counts positions, into names.

    Parameters
    ----------
    payload : dict
    state : dict
        prices, weights, compared (lists in the payload's order) and goal.

    Returns
    -------
    dict
        prices, weights, builds and goal_fps.

    Examples
    --------
    >>> payload = {"builds": [{"name": "a", "price": 1.0}], "workloads": [{"name": "w"}]}
    >>> choice_of(payload, {"prices": [2], "weights": [1], "compared": [True], "goal": 60})
    {'prices': {'a': 2.0}, 'weights': {'w': 1.0}, 'builds': ['a'], 'goal_fps': 60.0}
    """
    builds = [build["name"] for build in payload["builds"]]
    games = [workload["name"] for workload in payload["workloads"]]
    prices = dict(zip(builds, state["prices"], strict=True))
    return {
        "prices": {name: float(price) for name, price in prices.items() if price is not None},
        "weights": dict(zip(games, map(float, state["weights"]), strict=True)),
        "builds": [name for name, yes in zip(builds, state["compared"], strict=True) if yes],
        "goal_fps": float(state["goal"]),
    }
