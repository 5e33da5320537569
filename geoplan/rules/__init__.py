"""The figures of the trade as data, and their one reader.

Enters: the name of a rule set, wire or strand, or the user's own TOML.
Leaves: frozen objects in SI, every figure with document and status.
Does not do: fill a gap with a guess; a figure that is missing is None or NaN.
"""

from __future__ import annotations

from geoplan.rules.figures import Figure, Status
from geoplan.rules.kerb import KerbGrading
from geoplan.rules.keys import Approach, ClearanceKind, Purpose, SeparationKind, Where
from geoplan.rules.load_case import LoadCase
from geoplan.rules.lookup import (
    BandTable,
    ClearanceTable,
    approach_table,
    clearance_table,
    separation_table,
)
from geoplan.rules.reader import (
    available_rule_sets,
    available_strands,
    available_wires,
    load_rule_set,
    load_strand,
    load_wire,
)
from geoplan.rules.rule_set import NotCovered, RuleSet
from geoplan.rules.wires import Carries, Strand, Wire

__all__ = [
    "Approach",
    "BandTable",
    "Carries",
    "ClearanceKind",
    "ClearanceTable",
    "Figure",
    "KerbGrading",
    "LoadCase",
    "NotCovered",
    "Purpose",
    "RuleSet",
    "SeparationKind",
    "Status",
    "Strand",
    "Where",
    "Wire",
    "approach_table",
    "available_rule_sets",
    "available_strands",
    "available_wires",
    "clearance_table",
    "load_rule_set",
    "load_strand",
    "load_wire",
    "separation_table",
]
