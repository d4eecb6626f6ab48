"""Which columns of each pinned table the page shows, and in which words."""

import pandas as pd

from perfkit.show.report_html import stranger
from perfkit.show.report_sheets import (
    Column,
    amount,
    dates,
    fps,
    general,
    money,
    number,
    ranged,
    share,
    size,
    text,
)
from perfkit.show.summary import counted

COST = ("cost_per_frame", "cost_low", "cost_high")


def value_columns(value: pd.DataFrame) -> list[Column]:
    """Columns of the builds: price, speed, cost, and what stands behind each."""
    shares = [name for name in value.columns if name.startswith("share_")]
    return [
        text("Machine", value["build"]),
        ranged("Cost per frame", value, COST, money),
        ranged("Average FPS", value, ("fps", "fps_low", "fps_high"), fps),
        _priced(value),
        number("On the frontier", value["on_frontier"], share),
        *(number(f"Games at {name[6:]}", value[name], share) for name in shares),
        _basis(value),
        text("Remarks", _joined(value, ["missing", "reason"]), wordy=True),
        _folded("About its prices", value["flags"], "price"),
    ]


def _folded(title: str, lists: pd.Series, what: str) -> Column:
    """Make a column of lists that open on demand."""
    cells = []
    for listed in lists:
        items = [item for item in listed.split("; ") if item]
        lines = "".join(f"<div>{stranger(item)}</div>" for item in items)
        head = f"{counted(len(items), 'remark')}"
        cells.append(
            f'<details class="prints"><summary aria-label="{head} on the {what}">{head}</summary>'
            f"{lines}</details>"
            if items
            else ""
        )
    return Column(title, cells, None, wordy=False)


def upgrade_columns(upgrades: pd.DataFrame) -> list[Column]:
    """Columns of the ways from one build to another."""
    return [
        text("From", upgrades["from_build"]),
        text("To", upgrades["to_build"]),
        number("Added cost", upgrades["added_cost"], amount),
        ranged("Added FPS", upgrades, ("added_fps", "added_low", "added_high"), fps),
        ranged("Cost per added frame", upgrades, ("cost_per_added_frame", *COST[1:]), money),
        number("Breaks even at a price of", upgrades["break_even_price"], amount),
        text("Goes together", upgrades["goes_together"]),
        text("Basis", upgrades.get("basis", pd.Series([""] * len(upgrades)))),
        text("Remarks", upgrades["reason"], wordy=True),
    ]


def prediction_columns(predictions: pd.DataFrame) -> list[Column]:
    """Columns of the predicted configurations."""
    return [
        text("Game and preset", predictions["workload"]),
        text("GPU", predictions["gpu"]),
        text("System", predictions["system"]),
        size(predictions),
        ranged("Average FPS", predictions, ("fps", "pred_low", "pred_high"), fps),
        ranged("1 % low", predictions, ("low_1pct_fps", "low_1pct_low", "low_1pct_high"), fps),
        text("Basis", predictions["basis"]),
        text("Limited by", predictions["limited_by"]),
        Column("Inside the range seen", _inside(predictions), wordy=True),
        text("Remarks", predictions["reason"], wordy=True),
    ]


def pass_columns(passes: pd.DataFrame) -> list[Column]:
    """Columns of the measured passes."""
    return [
        text("Pass", passes["pass_id"]),
        text("Game and preset", passes["workload"]),
        text("GPU", passes["gpu"]),
        text("System", passes["system"]),
        size(passes),
        dates("Date", passes["date"]),
        number("Average FPS", passes["avg_fps"], fps),
        number("1 % low", passes["low_1pct_fps"], fps),
        number("Slowest 1 %, mean", passes["slowest_1pct_mean_fps"], fps),
        number("Hitches a minute", passes["hitches_per_min"], fps),
        number("Frames", passes["frames"], amount),
        text("Flags", passes["flags"]),
        text(
            "Remarks", _joined(passes, ["outcome", "void_reason", "source", "reason"]), wordy=True
        ),
    ]


def claim_columns(claims: pd.DataFrame) -> list[Column]:
    """Columns of the checked sentences: verdict first, then what it rests on."""
    passes = zip(claims["passes_left"], claims["passes_right"], strict=True)
    behind = [f"<small>{_count(left)} and {_count(right)} passes</small>" for left, right in passes]
    basis = zip(claims["basis"], behind, strict=True)
    return [
        text("Sentence", claims["claim"]),
        text("Verdict", claims["verdict"]),
        ranged("Ratio", claims, ("estimate", "low", "high"), general),
        number("Further passes needed", claims["passes_needed"], amount, ""),
        number("Flips at a price of", claims["flip_price"], amount, ""),
        number("Games to turn it", claims["games_to_turn"], amount, ""),
        Column("Basis", [stranger(what) + count for what, count in basis]),
        text("Remarks", claims["reason"], wordy=True),
    ]


def goal_columns(goals: pd.DataFrame) -> list[Column]:
    """Columns of the builds against the goals of the games."""
    return [
        text("Machine", goals["build"]),
        number("Price", goals["price"], amount),
        text("Within the budget", goals["within_budget"]),
        number("All goals reached", goals["p_all"], share),
        number("Expected share of goals", goals["expected_share"], share),
        text("Hardest", goals["hardest"]),
        text("Answer", goals["answer"]),
        text("Remarks", _joined(goals, ["reason"]), wordy=True),
    ]


def _count(value: float) -> str:
    return "0" if pd.isna(value) else f"{value:.0f}"


def _priced(value: pd.DataFrame) -> Column:
    price = number(f"Price, {value['currency'].iloc[0]}", value["price"], amount)
    days = dates("", value["price_date"]).cells
    cells = [
        f"{cell}<small>oldest {day}</small>" if key else cell
        for cell, key, day in zip(price.cells, price.keys or [], days, strict=True)
    ]
    return Column(price.title, cells, price.keys)


def _basis(value: pd.DataFrame) -> Column:
    counts = value["passes"] if "passes" in value else [0] * len(value)
    cells = []
    for basis, count in zip(value["basis"], counts, strict=True):
        behind = f"<small>{counted(int(count), 'pass', 'passes')} measured</small>"
        cells.append(f"{stranger(basis)}{behind}" if basis else "")
    return Column("Basis", cells)


def _joined(frame: pd.DataFrame, names: list[str]) -> list[str]:
    dull = {"ran", "own"}
    label = {"missing": "no number for "}
    there = [name for name in names if name in frame]
    return [
        "; ".join(
            label.get(name, "") + str(row[name])
            for name in there
            if isinstance(row[name], str) and row[name] and row[name] not in dull
        )
        for row in frame[there].to_dict("records")
    ]


def _inside(predictions: pd.DataFrame) -> list[str]:
    told = zip(
        predictions["fps"].notna(),
        predictions["inside_range"],
        predictions["left_range"],
        strict=True,
    )
    return [
        "" if not known else "yes" if inside else f"no: {stranger(left)}"
        for known, inside, left in told
    ]
