"""The rule set, wire and strands that a project asks for, ready for arithmetic.

Enters: a `Project`.
Leaves: `Standards`.
Does not do: look at any layer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geoplan.errors import ProjectFileError, nearest_name
from geoplan.mechanics import LoadCase, Wire
from geoplan.project import Project
from geoplan.rules import LoadCase as RuleCase
from geoplan.rules import RuleSet, available_strands, load_rule_set, load_strand, load_wire
from geoplan.rules import Strand as StrandSize
from geoplan.rules import Wire as WireEntry

UNDESCRIBED_LIMIT = "drop_loaded"


@dataclass(frozen=True)
class TensionCase:
    """One load case for tension with its limit."""

    name: str
    temperature_c: float
    case: LoadCase
    limit_n: float
    rule: str


@dataclass(frozen=True)
class ClearanceCase:
    """One load case for clearance, and the part of the table value that it asks for."""

    name: str
    temperature_c: float
    case: LoadCase
    fraction: float
    rule: str


@dataclass(frozen=True)
class Standards:
    """Figures of the trade in force for a project."""

    rule_set: RuleSet
    entry: WireEntry
    wire: Wire
    tension: tuple[TensionCase, ...]
    clearance: tuple[ClearanceCase, ...]
    stringing_c: float
    stringing: ClearanceCase
    """The wire as strung; the whole clearance is asked for."""
    max_air_span_m: float
    """The lesser of the project's limit and the wire's own in the district."""
    max_route_m: float
    strands: Mapping[str, StrandSize]


def load_standards(project: Project) -> Standards:
    """Load what a project asks for.

    Parameters
    ----------
    project : Project
        Settings; ``rule_set``, ``loading_district``, ``wire`` and the user's own entries.

    Returns
    -------
    Standards
        In SI.

    Raises
    ------
    RuleDataError
        If a rule set, wire or strand is unknown or incomplete.
    ProjectFileError
        If the rule set has no such loading district.
    """
    rules = load_rule_set(project.rule_set)
    district = project.loading_district
    if district not in rules.districts:
        where = "project, key loading_district"
        raise ProjectFileError(
            where,
            f"rule set '{rules.name}' has no district '{district}'",
            nearest_name(district, rules.districts),
        )
    entry = load_wire(project.wire, project.wires)
    strength = entry.breaking_strength_n
    cases = rules.load_cases(district)
    limits = {
        "tension_loaded": rules.tension_limit("drop_loaded"),
        "tension_unloaded": rules.tension_limit("drop_unloaded_initial"),
    }
    tension = tuple(
        TensionCase(
            case.name,
            case.temperature_c,
            _mechanical(case),
            strength * limit.value_si,
            limit.citation(),
        )
        for case in cases
        if case.purpose == "tension" and (limit := limits.get(case.name)) is not None
    )
    clearance = tuple(
        ClearanceCase(
            case.name,
            case.temperature_c,
            _mechanical(case),
            1.0 if case.clearance_fraction is None else case.clearance_fraction.value_si,
            case.temperature.citation(),
        )
        for case in cases
        if case.purpose == "clearance"
    )
    stringing = [case.temperature_c for case in cases if case.purpose == "stringing"]
    extra: Mapping[str, Any] = project.strand_sizes
    return Standards(
        rules,
        entry,
        Wire(
            entry.weight_n_per_m,
            entry.width_m,
            entry.stiffness_n,
            entry.thermal_expansion_per_c,
        ),
        tension,
        clearance,
        stringing[0],
        ClearanceCase("stringing", stringing[0], LoadCase(temperature_c=stringing[0]), 1.0, ""),
        min(project.limits.max_air_span, entry.max_air_span(district).value_si),
        min(project.limits.max_route, entry.max_total_length_m),
        {name: load_strand(name, extra) for name in available_strands(extra)},
    )


def _mechanical(case: RuleCase) -> LoadCase:
    return LoadCase(
        temperature_c=case.temperature_c,
        ice_thickness_m=case.ice_thickness_m,
        ice_density_kg_per_m3=case.ice_density_kg_per_m3,
        wind_pa=case.wind_pa,
        constant_n_per_m=case.constant_n_per_m,
    )
