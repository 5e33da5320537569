"""The main job, top to bottom: checked layers in, a finished plan out.

Enters: `Layers` and a `Project`.
Leaves: a `Plan`.
Does not do: open files, read the clock or print; progress is a callback.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geoplan.candidates import Found, PairRules, best_per_pair, joined_found
from geoplan.choice.cost import CENTS, cents, price_features
from geoplan.choice.drop_crossings import (
    Options,
    find_drop_crossings,
    reduce_drop_crossings,
)
from geoplan.choice.solve import Assignment, Ports, solve_assignment
from geoplan.chosen import Chosen, Recalled
from geoplan.clearance.demands import build_demands
from geoplan.clearance.final import finish, fixed_sag, tune_sags
from geoplan.clearance.supports import build_supports, find_ends
from geoplan.model import Layers, Plan
from geoplan.plan_tables import build_tables
from geoplan.project import Project
from geoplan.routes.graph import find_reach
from geoplan.routes.index import PlantIndex, build_index, row_numbers
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.search import Plant, search_routes
from geoplan.standards import Standards, load_standards
from geoplan.tables import LAYERS, TERRAIN_ABSENCE
from geoplan.verdicts import Forbidden

MOST_ROUNDS = 200
"""Choices made again because a planned air span failed when worked out in full."""

CHUNK = 2_500
"""Addresses searched at once; bounds memory and has no say in the result."""
THREADS = 2
"""Groups searched side by side; no say in the result either."""

Progress = Callable[[str, int, int], None]
"""Called with the stage's name, steps done and steps in all."""


def _silent(stage: str, done: int, total: int) -> None:
    del stage, done, total


def make_plan(
    layers: Layers,
    project: Project,
    progress: Progress | None = None,
    *,
    standards: Standards | None = None,
    chunk: int = CHUNK,
) -> Plan:
    """Plan a drop for every address that can have one.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    project : Project
        Settings.
    progress : callable, optional
        Called with stage, steps done, steps in all.
    standards : Standards, optional
        Rules, wire and strands; by default those that the project names are loaded.
    chunk : int
        Addresses searched at once.

    Returns
    -------
    Plan
        Declared tables with the proof of optimality.
    """
    tell = progress or _silent
    tell("index", 0, 1)
    limits = project.limits
    index = build_index(layers, near_power_m=limits.near_power, near_tree_m=limits.near_tree)
    tell("reach", 0, 1)
    reach = find_reach(
        index.terminal_pole,
        index.span_ends,
        index.span_length_m,
        max_run_m=limits.max_strand_run,
        max_spans=limits.max_spans_passed,
    )
    standards = standards or load_standards(project)
    plant = Plant(
        index,
        reach,
        pair_rules(layers),
        price_features(layers.roads["road_class"], layers.power["power_kind"], project),
        build_supports(layers, index, project, standards),
        build_demands(layers, project.heights, standards.rule_set),
        standards,
    )
    found = _search_all(plant, project, tell, chunk)
    ports = terminal_ports(layers, project)
    sags = np.full(len(found.air), np.nan)
    for _ in range(MOST_ROUNDS):
        chosen = _choose(plant, found, ports, project, tell, sags)
        found, is_sound = _without_failures(found, chosen, project)
        if is_sound:
            break
    else:
        message = "planned drops still fail their clearances after every round of the choice"
        raise ArithmeticError(message)
    tell("port values", 0, 1)
    chosen = replace(
        chosen, assignment=_assign(plant, found, ports, tell, known=chosen.assignment)[0]
    )
    tell("tables", 0, 1)
    tables = build_tables(chosen, layers, project)
    return Plan(
        project=project,
        layers=layers,
        **tables,
        set_aside=layers.set_aside,
        findings=layers.findings,
        optimality=_optimality(chosen),
        standards=describe_standards(standards, project),
        unchecked=unchecked(layers, standards),
        timings_s={},
    )


def _choose(
    plant: Plant, found: Found, ports: Ports, project: Project, tell: Progress, sags: FloatArray
) -> Chosen:
    """Assign, undo crossings of drops, and work the planned air spans out in full.

    `sags` keeps the sags found so far, by air span, for the next round.
    """
    tell("choice", 0, 1)
    index = plant.index
    assignment, pairs = _assign(plant, found, ports, tell, known=None)
    route = np.append(pairs, -1)[assignment.pair]
    tell("drop crossings", 0, 1)
    recalled = _rechoose(route.astype(np.int64), found, index, ports, project)
    tell("final", 0, 1)
    served = np.flatnonzero(recalled.route >= 0)
    rows = found.routes.air[recalled.route[served]]
    place = np.full(len(found.air), -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    met = np.flatnonzero(place[found.crossings.air] >= 0).astype(np.int64)
    crossings = found.crossings.take(met)
    crossings = replace(crossings, air=place[crossings.air])
    air = found.air.take(rows)
    hung = found.hung.take(rows)
    ends = find_ends(air, index, plant.supports, project.heights.clamp_settlement)
    work = (
        air,
        crossings,
        hung,
        ends,
        index,
        plant.supports,
        plant.demands,
        plant.standards,
        project,
    )
    begin = fixed_sag(air, hung, plant.standards)
    begin = np.where(np.isnan(sags[rows]), begin, sags[rows])
    sags[rows] = tune_sags(*work, begin)
    final = finish(*work, sags[rows])
    return Chosen(plant, found, assignment, ports, recalled, rows, met, crossings, ends, final)


def _assign(
    plant: Plant, found: Found, ports: Ports, tell: Progress, *, known: Assignment | None
) -> tuple[Assignment, IntArray]:
    """Assign addresses to terminals; return the optimum and the route of each pair.

    With the optimum known already, only the value of one more port is worked out.
    """
    index = plant.index
    pairs = best_per_pair(found.routes, found.air, len(index.pole_x))
    assignment = solve_assignment(
        found.routes.address[pairs],
        found.routes.terminal[pairs],
        found.routes.cents[pairs],
        index.ports_needed,
        ports,
        lambda done, total: tell("choice", done, total),
        with_values=known is not None,
        known=known,
    )
    return assignment, pairs


def _without_failures(found: Found, chosen: Chosen, project: Project) -> tuple[Found, bool]:
    """Forbid planned air spans that fail when worked out in full, so that others are chosen."""
    fails = chosen.final.fails(project.heights.clearance_margin)
    if not fails.any():
        return found, True
    final, rows = chosen.final, chosen.air_rows[fails]
    short = project.heights.clearance_margin - final.margin_m[fails]
    is_low = short > 0
    bad = np.zeros(len(found.air), dtype=np.int64)
    bad[rows] = np.where(is_low, int(Forbidden.CLEARANCE), int(Forbidden.TENSION))
    hung = found.hung
    miss, part, crossing = hung.miss_m.copy(), hung.miss_part.copy(), hung.miss_crossing.copy()
    miss[rows] = np.where(is_low, short, np.nan)
    part[rows] = final.margin_part[fails]
    crossing[rows] = np.append(chosen.crossing_rows, -1)[final.margin_crossing[fails]]
    return replace(
        found,
        price=replace(found.price, forbidden=found.price.forbidden | bad),
        hung=replace(
            hung,
            forbidden=hung.forbidden | bad,
            miss_m=miss,
            miss_part=part,
            miss_crossing=crossing,
        ),
        routes=replace(found.routes, forbidden=found.routes.forbidden | bad[found.routes.air]),
    ), False


def pair_rules(layers: Layers) -> PairRules:
    """Read locked terminals and forbidden pairs from the addresses.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Returns
    -------
    PairRules
        By row of address and pole; a lock on a pole without ports counts as unknown.
    """
    addresses, poles = layers.addresses, layers.poles
    wanted = addresses["locked_terminal_id"]
    locked = row_numbers(wanted, poles.index)
    has_ports = poles["ports_total"].to_numpy(dtype=np.int64) > 0
    bad = wanted.notna().to_numpy() & ((locked < 0) | ~has_ports[np.maximum(locked, 0)])
    lists = addresses["forbidden_terminal_ids"].dropna().str.split(";").explode().str.strip()
    rows = row_numbers(lists.index.to_series(), addresses.index)
    barred = row_numbers(lists, poles.index)
    known = barred >= 0
    return PairRules(
        np.where(wanted.isna().to_numpy(), -1, np.where(bad, -2, locked)).astype(np.int64),
        np.unique(rows[known] * len(poles) + barred[known]),
    )


def terminal_ports(layers: Layers, project: Project) -> Ports:
    """Count the ports that may be planned, by row of pole.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    project : Project
        Settings.

    Returns
    -------
    Ports
        Free and reserved ports, never below 0.
    """
    poles = layers.poles
    total = poles["ports_total"].to_numpy(dtype=np.int64)
    left = np.maximum(total - poles["ports_in_use"].to_numpy(dtype=np.int64), 0)
    kept = np.minimum(poles["ports_reserved"].to_numpy(dtype=np.int64), left)
    usable = kept if project.choice.use_reserve else np.zeros_like(kept)
    return Ports(left - kept, usable, int(cents(project.costs.reserve_port)))


def unchecked(layers: Layers, standards: Standards) -> tuple[str, ...]:
    """Say what this plan does not check, and why.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    standards : Standards
        Rules in force, with what they don't cover.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    lines = [
        f"not checked for want of the layer {name}: {LAYERS[name].absence}"
        for name in layers.absent
        if name in LAYERS and LAYERS[name].absence
    ]
    if layers.terrain is None:
        lines.append(TERRAIN_ABSENCE)
    if len(layers.existing_drops) and layers.existing_drops["height_m"].isna().any():
        lines.append("not checked: separation from existing drops without a height")
    lines.append(
        "not checked: heights where two planned drops cross; growth of trees; creep of the wire; "
        "poles and guys under the new loads"
    )
    if "water" not in layers.absent and len(layers.water):
        lines.append(
            f"not checked: clearance over water; rule set '{standards.rule_set.name}' holds no "
            "figure that could be read"
        )
    return tuple(lines)


def describe_standards(standards: Standards, project: Project) -> dict[str, Any]:
    """Name the rules, wire and load cases behind a plan, and what they don't cover.

    Parameters
    ----------
    standards : Standards
        Rules in force.
    project : Project
        Settings.

    Returns
    -------
    dict
        Plain values, for reports.
    """
    rules = standards.rule_set
    return {
        "rule_set": rules.name,
        "title": rules.title,
        "jurisdiction": rules.jurisdiction,
        "edition_note": " ".join(rules.edition_note.split()),
        "caution": " ".join(rules.caution.split()),
        "loading_district": project.loading_district,
        "tension_cases": {case.name: case.limit_n for case in standards.tension},
        "clearance_cases": {case.name: case.fraction for case in standards.clearance},
        "stringing_temperature_c": standards.stringing_c,
        "wire": standards.entry.title,
        "max_air_span_m": standards.max_air_span_m,
        "max_route_m": standards.max_route_m,
        "figures_by_status": _by_status(standards),
        "covers_not": list(rules.covers_not),
    }


def _by_status(standards: Standards) -> dict[str, int]:
    counts: dict[str, int] = {}
    for figure in standards.rule_set.figures.values():
        counts[figure.status.label] = counts.get(figure.status.label, 0) + 1
    return dict(sorted(counts.items()))


def _search_all(plant: Plant, project: Project, tell: Progress, chunk: int) -> Found:
    """Search groups of addresses side by side; numpy and GEOS let go of the interpreter."""
    count = plant.index.address_count
    groups = [
        np.arange(start, min(start + chunk, count), dtype=np.int64)
        for start in range(0, count, chunk)
    ]
    tell("candidates", 0, count)
    parts = []
    with ThreadPoolExecutor(THREADS) as pool:
        for group, found in zip(
            groups, pool.map(lambda one: search_routes(plant, project, one), groups), strict=True
        ):
            parts.append(found)
            tell("candidates", int(group[-1]) + 1, count)
    return joined_found(parts)


def _rechoose(
    route: IntArray,
    found: Found,
    index: PlantIndex,
    ports: Ports,
    project: Project,
) -> Recalled:
    """Undo crossings of planned drops where that costs little; keep locked pairs as they are."""
    routes, air = found.routes, found.air
    before = _chosen_segments(route, found)
    load = np.zeros(len(ports.free), dtype=np.int64)
    served = route >= 0
    np.add.at(load, routes.terminal[route[served]], index.ports_needed[served])
    crossings_before = _count_crossings(before, served)
    after = route
    if crossings_before:
        others = np.flatnonzero(routes.forbidden == 0)
        others = others[served[routes.address[others]]]
        others = others[others != route[routes.address[others]]]
        order = np.lexsort((others, routes.cents[others], routes.address[others]))
        others = others[order]
        after = reduce_drop_crossings(
            route,
            np.where(served, routes.terminal[np.maximum(route, 0)], 0),
            np.where(served, routes.cents[np.maximum(route, 0)], 0),
            before,
            index.ports_needed,
            np.maximum(ports.free - load, 0),
            Options(
                others,
                routes.address[others],
                routes.terminal[others],
                routes.cents[others],
                air.segment[routes.air[others]],
            ),
            crossing_cents=int(cents(project.costs.drop_crossing)),
            most_extra_cents=int(cents(project.choice.max_extra_per_drop_crossing)),
        )
    load = np.zeros(len(ports.free), dtype=np.int64)
    np.add.at(load, routes.terminal[after[served]], index.ports_needed[served])
    used = int(np.maximum(load - ports.free, 0).sum()) * ports.reserve_cents
    return Recalled(
        after,
        crossings_before,
        _count_crossings(_chosen_segments(after, found), served),
        int(routes.cents[after[served]].sum() + used),
        int(np.count_nonzero(after != route)),
    )


def _chosen_segments(route: IntArray, found: Found) -> FloatArray:
    segment = np.full((len(route), 4), np.nan)
    served = route >= 0
    segment[served] = found.air.segment[found.routes.air[route[served]]]
    return segment


def _count_crossings(segment: FloatArray, served: npt.NDArray[np.bool_]) -> int:
    return len(find_drop_crossings(segment[served], segment[served], same=True)[0])


def _optimality(chosen: Chosen) -> dict[str, Any]:
    assignment, recalled = chosen.assignment, chosen.recalled
    return {
        "status": "optimal" if assignment.gap_cents == 0 else "feasible",
        "served": assignment.served,
        "assignment_cost": assignment.cents / CENTS,
        "lower_bound_cost": (assignment.cents - assignment.gap_cents) / CENTS,
        "gap": assignment.gap_cents / max(assignment.cents, 1),
        "proof": dict(assignment.proof),
        "drop_crossings_before": recalled.crossings_before,
        "drop_crossings_after": recalled.crossings_after,
        "drops_rechosen": recalled.changed,
        "plan_cost": recalled.cents / CENTS,
    }


def with_timings(plan: Plan, timings_s: dict[str, float]) -> Plan:
    """Return the plan with the seconds that its stages took.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    timings_s : dict of str to float
        Seconds by stage.

    Returns
    -------
    Plan
        The same plan otherwise.
    """
    return replace(plan, timings_s=timings_s)
