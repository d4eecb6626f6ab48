"""The families and combinations that a fit tries. Adding one is one line here."""

from perfkit.models.family import Family
from perfkit.models.intervals import LeftOutT, Width
from perfkit.models.power_law import PowerLaw
from perfkit.models.selection import Combination, OneFamily
from perfkit.models.time_sum import TimeSum

FAMILIES: tuple[Family, ...] = (
    TimeSum("time sum"),
    PowerLaw("power law"),
)
"""In the order of preference that holds when left-out errors cannot tell."""

COMBINATIONS: tuple[Combination, ...] = tuple(
    OneFamily(family.name, least_gpus=1) for family in FAMILIES
)
"""Candidates for the final predictor."""

WIDTH: Width = LeftOutT()
"""How ranges are learnt."""
