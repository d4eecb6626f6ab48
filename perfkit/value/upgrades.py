"""What an upgrade gives for its money, or why that cannot be told."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.study import Study
from perfkit.value.arithmetic import central_range, mean_log_draws
from perfkit.value.builds import machines
from perfkit.value.parts import shelf
from perfkit.value.ratio import BOUNDED, EXCLUSIVE, WHOLE_LINE
from perfkit.value.speeds import BASES, HALF, BuildSpeeds, FloatArray, SpeedBook, speed_book
from perfkit.value.together import check_parts, overall
from perfkit.value.upgrade_paths import Candidate, candidates

UPGRADE_COLUMNS = (
    "from_build",
    "to_build",
    "added_cost",
    "fps_from",
    "fps_to",
    "added_fps",
    "added_low",
    "added_high",
    "cost_per_added_frame",
    "cost_low",
    "cost_high",
    "break_even_price",
    "goes_together",
    "reason",
)


@dataclass(frozen=True, slots=True)
class Gain:
    """Frames that a step adds, and what one of them costs.

    Attributes
    ----------
    fps_from, fps_to : float
        Weighted geometric means over the workloads both have.
    added_fps, added_low, added_high : float
        Their difference and its range.
    cost_per_added_frame, cost_low, cost_high : float
        NaN unless the gain is clearly above zero and the step costs something.
    break_even_price : float
        Price of what is bought at which a frame of the whole machine costs as much after the
        step as before; NaN unless the gain is clearly above zero.
    case : str
        Fieller's case of cost / gain: "bounded", "all but a range", "whole line"; "" unknown.
    workloads : int
        How many the means are over.
    basis : str
        The weakest behind the means.
    reason : str
        Why a number is missing.
    """

    fps_from: float
    fps_to: float
    added_fps: float
    added_low: float
    added_high: float
    cost_per_added_frame: float
    cost_low: float
    cost_high: float
    break_even_price: float
    case: str
    workloads: int
    basis: str
    reason: str


def gain_case(added_low: float, added_high: float, added_cost: float) -> str:
    """Fieller's case of cost / gain, the cost being known exactly.

    Parameters
    ----------
    added_low, added_high : float
        Ends of the gain's range.
    added_cost : float

    Returns
    -------
    str
        "bounded" when the gain's range leaves zero out; "all but a range" when it holds zero and
        the cost is not zero; "whole line" for no cost and perhaps no gain; "" when not known.

    References
    ----------
    Fieller (1954), *JRSS B* 16:175-185, with no variance in the numerator.

    Examples
    --------
    >>> gain_case(5.0, 9.0, 100.0), gain_case(-1.0, 9.0, 100.0), gain_case(-1.0, 9.0, 0.0)
    ('bounded', 'all but a range', 'whole line')
    """
    if not np.isfinite([added_low, added_high, added_cost]).all():
        return ""
    if added_low > 0 or added_high < 0:
        return BOUNDED
    return EXCLUSIVE if added_cost != 0 else WHOLE_LINE


def gain_of_step(
    step: Candidate, fps: tuple[float, float], drawn: FloatArray, workloads: int, basis: str
) -> Gain:
    """Set the price of a step against the frames it adds.

    Parameters
    ----------
    step : Candidate
    fps : tuple of float
        Mean FPS before and after.
    drawn : ndarray, shape (2, draws)
        Draws of the same.
    workloads : int
        How many the means are over.
    basis : str
        The weakest behind them.

    Returns
    -------
    Gain
    """
    before, after = fps
    added = after - before
    low, high = (float(end) for end in central_range(drawn[1] - drawn[0], LEVEL))
    cost = step.added_cost
    case = gain_case(low, high, cost)
    clear = low > 0
    told = clear and cost > 0
    return Gain(
        fps_from=before,
        fps_to=after,
        added_fps=added,
        added_low=low,
        added_high=high,
        cost_per_added_frame=cost / added if told else np.nan,
        cost_low=cost / high if told else np.nan,
        cost_high=cost / low if told else np.nan,
        break_even_price=step.price_from * added / before + step.resale if clear else np.nan,
        case=case,
        workloads=workloads,
        basis=basis,
        reason=_why_not_told(added, low, high, cost),
    )


def _why_not_told(added: float, low: float, high: float, cost: float) -> str:
    if np.isnan(added):
        return ""
    if np.isnan(low):
        return "not determinable: the spread between passes is not known"
    if high < 0:
        return f"not determinable: it is slower, by {-high:.3g} to {-low:.3g} FPS"
    if low <= 0:
        return (
            f"not determinable: the gain is not clearly above zero ({low:.3g} to {high:.3g} FPS "
            f"at {LEVEL:.0%})"
        )
    if cost <= 0:
        return "not determinable: resale covers the cost"
    return ""


def _pair(speeds: BuildSpeeds, before: int, after: int, step: Candidate) -> Gain:
    pair = np.array([before, after])
    shared = np.isfinite(speeds.fps[pair]).all(axis=0)
    unknown = np.nan, np.nan
    if shared.mean() < HALF:
        count = f"{shared.sum()} of {len(shared)} workloads have a number on both"
        gain = gain_of_step(step, unknown, np.full((2, 2), np.nan), int(shared.sum()), "")
        return replace(gain, reason=count)
    weights = speeds.weights[shared]
    means = np.exp(np.log(speeds.fps[np.ix_(pair, shared)]) @ weights / weights.sum())
    drawn = np.exp(mean_log_draws(speeds.log_draws[np.ix_(pair, shared)], weights))
    used = set(speeds.basis[np.ix_(pair, shared)].ravel())
    basis = next(name for name in reversed(BASES) if name in used)
    return gain_of_step(step, (means[0], means[1]), drawn, int(shared.sum()), basis)


def candidate_speeds(
    study: Study, book: SpeedBook, steps: list[Candidate]
) -> tuple[BuildSpeeds, list[tuple[int, int]]]:
    """Speeds of every machine that steps start from or lead to.

    Parameters
    ----------
    study : Study
    book : SpeedBook
    steps : list of Candidate

    Returns
    -------
    speeds : BuildSpeeds
    places : list of (int, int)
        For each step the machines before and after it, as positions in `speeds`.
    """
    built = machines(study).rename(columns={"build": "name"})[["name", "system", "gpu"]]
    built = built[built["system"] != ""]
    reached = pd.DataFrame(
        [(step.to_build, step.system, step.gpu) for step in steps],
        columns=["name", "system", "gpu"],
        dtype="str",
    )
    # a machine is its system and GPU: names that build the same one share its draws
    rows = pd.concat([built, reached]).drop_duplicates(["name", "system", "gpu"])
    place = {key: at for at, key in enumerate(rows.itertuples(index=False, name=None))}
    start = {name: (name, system, gpu) for name, system, gpu in place}
    speeds = book.speeds(rows)
    places = [
        (place[start[step.from_build]], place[(step.to_build, step.system, step.gpu)])
        for step in steps
    ]
    return speeds, places


def upgrade_table(study: Study, passes: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Say what each step from a build to a faster machine costs per added frame.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    table : DataFrame
        Predictions, as made by ``model.predict``; used only where nothing was measured.

    Returns
    -------
    DataFrame
        One row per step (see :mod:`perfkit.value.upgrade_paths` for the rule): `UPGRADE_COLUMNS`,
        then kind (card or machine), bought, leaves, spent, resale, added_pct, workloads, basis,
        case, level. Costs in the study's currency. `break_even_price` is the price of what is
        bought at which a frame of the whole machine costs as much after as before.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> passes = pk.summarize_passes(study)
    >>> upgrades = pk.upgrade_table(study, passes, pk.fit(study, passes).predict(study.targets))
    >>> bool((upgrades["cost_per_added_frame"].dropna() > 0).all())
    True
    """
    return upgrades_of(study, speed_book(study, passes, table))


def upgrades_of(study: Study, book: SpeedBook) -> pd.DataFrame:
    """Make the table of :func:`upgrade_table` from speeds already gathered.

    Parameters
    ----------
    study : Study
    book : SpeedBook

    Returns
    -------
    DataFrame
    """
    steps = candidates(study)
    speeds, places = candidate_speeds(study, book, steps)
    known = shelf(study)
    rows = []
    for step, (before, after) in zip(steps, places, strict=True):
        gain = _pair(speeds, before, after, step)
        discrete = known.gpus[step.gpu]["kind"] == "discrete"
        checks = check_parts(known.build(step.lines, step.system), discrete=discrete)
        rows.append(_row(step, gain, overall(check.verdict for check in checks)))
    more = ["kind", "bought", "leaves", "spent", "resale", "added_pct"]
    more += ["workloads", "basis", "case", "level"]
    return pd.DataFrame(rows, columns=[*UPGRADE_COLUMNS, *more])


def _row(step: Candidate, gain: Gain, fits: str) -> dict[str, object]:
    return {
        "from_build": step.from_build,
        "to_build": step.to_build,
        "added_cost": step.added_cost,
        "fps_from": gain.fps_from,
        "fps_to": gain.fps_to,
        "added_fps": gain.added_fps,
        "added_low": gain.added_low,
        "added_high": gain.added_high,
        "cost_per_added_frame": gain.cost_per_added_frame,
        "cost_low": gain.cost_low,
        "cost_high": gain.cost_high,
        "break_even_price": gain.break_even_price,
        "goes_together": fits,
        "reason": "; ".join(filter(None, [gain.reason, step.reason])),
        "kind": step.kind,
        "bought": "; ".join(step.bought),
        "leaves": "; ".join(step.leaves),
        "spent": step.spent,
        "resale": step.resale,
        "added_pct": 100 * gain.added_fps / gain.fps_from,
        "workloads": gain.workloads,
        "basis": gain.basis,
        "case": gain.case,
        "level": LEVEL,
    }
