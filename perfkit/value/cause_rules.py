"""Which kinds of causes can move which published numbers."""

from collections.abc import Mapping

SPEED = frozenset({"pass", "specification", "model", "machine", "weight", "value_at", "logs"})
MONEY = frozenset({"price", "rate", "build", "currency", "price_date"})
EVERYTHING = frozenset({"version", "workload"})
GOALS = SPEED | {"goal"}

DEPENDS: Mapping[str, Mapping[str, frozenset[str]]] = {
    "passes": {"": SPEED - {"weight", "value_at"}, "over_": SPEED | {"targets_fps"}},
    "flags": {"": SPEED},
    "left_out": {"": SPEED},
    "versions": {"": SPEED},
    "sittings": {"": SPEED},
    "within_pass": {"": SPEED},
    "model_comparison": {"": SPEED},
    "predictions": {"": SPEED | {"target", "build"}},
    "value": {
        "": MONEY | SPEED,
        "price": MONEY, "currency": MONEY, "card_price": MONEY, "flags": MONEY,
        "fps": SPEED, "workloads": SPEED, "passes": SPEED, "basis": SPEED, "missing": SPEED,
        "share_": SPEED | {"targets_fps"},
    },
    "upgrades": {
        "": MONEY | SPEED | {"part"},
        "added_cost": MONEY, "spent": MONEY, "resale": MONEY, "bought": MONEY, "leaves": MONEY,
        "fps_": SPEED, "added_fps": SPEED, "added_low": SPEED, "added_high": SPEED,
        "added_pct": SPEED, "workloads": SPEED, "basis": SPEED,
        "goes_together": frozenset({"part", "specification", "build"}),
    },
    "upgrade_rivals": {"": MONEY | SPEED, "spent": MONEY, "workloads": SPEED},
    "upgrade_games": {"": GOALS | {"part", "build"}},
    "goals": {"": MONEY | GOALS | {"budget"}, "p_all": GOALS, "expected_share": GOALS,
              "hardest": GOALS, "games": GOALS, "price": MONEY},
    "goal_games": {"": GOALS | {"build"}},
    "settings": {"": GOALS | {"build", "target"}},
    "setting_steps": {"": GOALS | {"build", "target"}},
    "last_money": {"": MONEY | SPEED | {"budget"}},
    "give_up_first": {"": MONEY | SPEED | {"budget"}},
    "claims": {"": MONEY | SPEED | {"claim"}},
    "energy": {"": SPEED | {"build", "tariff_per_kwh", "hours_per_week"}},
    "goes_together": {"": frozenset({"part", "specification", "build", "machine"})},
    "memory": {"": frozenset({"specification"})},
}  # fmt: skip
"""Kinds of causes that can move a table's columns, by the start of their names ("" for others)."""

OF_ALL_BUILDS = {
    "value": ("on_frontier", "best_value", "overtakes_below"),
    "ranks": ("",),
    "goals": ("answer",),
    "last_money": ("",),
    "give_up_first": ("",),
    "upgrade_rivals": ("overtakes_", "change_pct", "now", "reason"),
    "claims": ("p_holm", "verdict", "passes_needed", "reason"),
}
"""Columns in which every build's price counts, not only those the row names."""
