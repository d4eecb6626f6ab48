"""Predictions and prices to decisions: what a machine is worth, and what to do next."""

from perfkit.value.builds import needed_targets
from perfkit.value.decisions import decision_tables
from perfkit.value.upgrades import upgrade_table
from perfkit.value.worth import value_table

__all__ = ["decision_tables", "needed_targets", "upgrade_table", "value_table"]
