"""The main job, top to bottom: checked layers in, a finished plan out.

Enters: `Layers` and a `Project`.
Leaves: a `Plan`.
Does not do: open files, read the clock or print; progress is a callback.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geoplan.choice.cost import CENTS, cents, price_features
from geoplan.choice.drop_crossings import (
    Options,
    find_drop_crossings,
    reduce_drop_crossings,
)
from geoplan.choice.solve import Assignment, Ports, solve_assignment
from geoplan.model import Layers, Plan
from geoplan.plan_tables import Chosen, build_tables
from geoplan.project import Project
from geoplan.routes.graph import Reach, find_reach
from geoplan.routes.index import PlantIndex, build_index, row_numbers
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.search import Found, PairRules, best_per_pair, joined_found, search_routes
from geoplan.tables import LAYERS, TERRAIN_ABSENCE

CHUNK = 20_000
"""Addresses searched at once; bounds memory and has no say in the result."""

Progress = Callable[[str, int, int], None]
"""Called with the stage's name, steps done and steps in all."""


def _silent(stage: str, done: int, total: int) -> None:
    del stage, done, total


def make_plan(
    layers: Layers,
    project: Project,
    progress: Progress | None = None,
    *,
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
    rules = pair_rules(layers)
    found = _search_all(index, reach, rules, layers, project, tell, chunk)
    tell("choice", 0, 1)
    pairs = best_per_pair(found.routes, found.air, len(layers.poles))
    ports = terminal_ports(layers, project)
    assignment = solve_assignment(
        found.routes.address[pairs],
        found.routes.terminal[pairs],
        found.routes.cents[pairs],
        index.ports_needed,
        ports,
        lambda done, total: tell("choice", done, total),
    )
    route = np.where(assignment.pair >= 0, pairs[np.maximum(assignment.pair, 0)], -1)
    tell("drop crossings", 0, 1)
    recalled = _rechoose(route.astype(np.int64), found, index, ports, assignment, project)
    tell("tables", 0, 1)
    chosen = Chosen(index, reach, rules, found, assignment, ports, recalled.route)
    optimality = _optimality(assignment, recalled)
    tables = build_tables(chosen, layers, project)
    return Plan(
        project=project,
        layers=layers,
        **tables,
        set_aside=layers.set_aside,
        findings=layers.findings,
        optimality=optimality,
        unchecked=unchecked(layers),
        timings_s={},
    )


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


def unchecked(layers: Layers) -> tuple[str, ...]:
    """Say what this plan does not check, and why.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Returns
    -------
    tuple of str
        One sentence each; never empty while anything is left out.
    """
    lines = [
        "not checked: clearance, sag and tension of the drops; this plan holds no heights",
    ]
    lines += [
        f"not checked for want of the layer {name}: {LAYERS[name].absence}"
        for name in layers.absent
        if name in LAYERS and LAYERS[name].absence
    ]
    if layers.terrain is None:
        lines.append(TERRAIN_ABSENCE)
    return tuple(lines)


def _search_all(
    index: PlantIndex,
    reach: Reach,
    rules: PairRules,
    layers: Layers,
    project: Project,
    tell: Progress,
    chunk: int,
) -> Found:
    prices = price_features(layers.roads["road_class"], layers.power["power_kind"], project)
    count = index.address_count
    parts = []
    for start in range(0, count, chunk):
        tell("candidates", start, count)
        group = np.arange(start, min(start + chunk, count), dtype=np.int64)
        parts.append(search_routes(index, reach, rules, prices, project, group))
    tell("candidates", count, count)
    return joined_found(parts)


@dataclass(frozen=True)
class _Recalled:
    route: IntArray
    crossings_before: int
    crossings_after: int
    cents: int
    changed: int


def _rechoose(
    route: IntArray,
    found: Found,
    index: PlantIndex,
    ports: Ports,
    assignment: Assignment,
    project: Project,
) -> _Recalled:
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
    used = assignment.reserve_used.sum() * ports.reserve_cents
    return _Recalled(
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


def _optimality(assignment: Assignment, recalled: _Recalled) -> dict[str, Any]:
    return {
        "status": "optimal",
        "served": assignment.served,
        "assignment_cost": assignment.cents / CENTS,
        "lower_bound_cost": assignment.cents / CENTS,
        "gap": 0.0,
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
