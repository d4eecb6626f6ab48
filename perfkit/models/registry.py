"""The families and combinations that a fit tries. Adding one is one line here."""

from perfkit.models.family import Family
from perfkit.models.law_family import Blend, LawFamily
from perfkit.models.laws import Law
from perfkit.models.local_width import LocalT
from perfkit.models.power_law import PowerLaw
from perfkit.models.selection import Combination, OneFamily
from perfkit.models.stack import Stack
from perfkit.models.time_sum import TimeSum
from perfkit.models.train import Recipe
from perfkit.models.workload_slopes import WorkloadSlopes

ROOFLINE = Law(("k0", "kp", "k1", "k3", "k7", "k2", "k4"), competes=True, share_sd=1.5)
LIMIT = Law(("k0", "k1", "k3", "k7", "k2", "k4", "k5", "k6"), competes=True, share_sd=2.5)
CONTENDED_SUM = Law(("k0", "kp", "k1", "k3", "k7", "k2", "k4", "k5"), competes=False, share_sd=2.5)
"""Laws of `perfkit.models.laws` that a fit tries."""

FAMILIES: tuple[Family, ...] = (
    Blend("blend", (ROOFLINE, LIMIT, CONTENDED_SUM)),
    LawFamily("limit", LIMIT),
    LawFamily("roofline", ROOFLINE),
    LawFamily("contended sum", CONTENDED_SUM),
    TimeSum("time sum"),
    PowerLaw("power law"),
    WorkloadSlopes("power law, workload slopes"),
)
"""In the order of preference that holds when left-out errors cannot tell."""

MIXTURES: tuple[Combination, ...] = (
    Stack("stack", least_gpus=6, members=tuple(family.name for family in FAMILIES)),
)
"""Candidates made of several families."""

RECIPE = Recipe(
    families=FAMILIES,
    combinations=(*(OneFamily(f.name, least_gpus=1) for f in FAMILIES), *MIXTURES),
    width=LocalT(laws=(ROOFLINE, LIMIT, CONTENDED_SUM)),
)
"""What `perfkit.fit` does."""
