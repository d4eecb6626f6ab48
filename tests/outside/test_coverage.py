"""How many cards a distribution-free range needs.

Source: V. Vovk, A. Gammerman and G. Shafer (2005), Algorithmic Learning in a Random World; J. Lei
et al. (2018), JASA 113:1094-1111: the k-th of n errors, k = ceil((n + 1) level), bounds a new one
with probability k / (n + 1), and nothing does where k > n.
"""

import math

from perfkit.defaults import LEVEL
from perfkit.models.advice import FREE_OF_SHAPE
from tests.reference import load_json

TABLE = load_json("conformal_theory")["split"]["table"]


def rank(n: int, level: float) -> int:
    return math.ceil(round((n + 1) * level, 9))


def test_the_rank_rule_meets_the_published_table() -> None:
    for row in TABLE:
        k = rank(row["n"], 1 - row["alpha"])
        assert k == row["k"]
        assert (k <= row["n"]) == row["finite"]


def test_below_nine_cards_ranges_are_called_model_based() -> None:
    enough = [n for n in range(1, 50) if rank(n, LEVEL) <= n]
    assert enough[0] == FREE_OF_SHAPE
