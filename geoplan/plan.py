"""The main job: from checked layers to a finished plan.

Enters: checked layers, settings.
Leaves: `Plan`.
Does not do: read or write files.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.candidates import BoolArray
from geoplan.choice.cost import CENTS, cents
from geoplan.choice.solve import Assignment, Ports
from geoplan.choosing import Book, choose_offers, value_ports
from geoplan.decision import Decision, Progress, stacked
from geoplan.finishing import Finished
from geoplan.gathering import Figures, gather, worth_gathering
from geoplan.memory import give_back
from geoplan.model import Layers, Plan
from geoplan.offers import Offers, same_offers
from geoplan.plan_tables import DROP_TABLES
from geoplan.plant import Plant, build_plant, without_search
from geoplan.project import Project
from geoplan.routes.crossings import AT_POLE_M
from geoplan.routes.segments import IntArray
from geoplan.standards import Standards, load_standards
from geoplan.tables import LAYERS, TERRAIN_ABSENCE
from geoplan.tiled import InTurn
from geoplan.uncrossing import Uncrossed, undo_crossings
from geoplan.units import ReportUnits, say
from geoplan.verdicts import Forbidden
from geoplan.working import CHUNK, Here, Tell, Worker

MOST_ROUNDS = 200
"""Rounds of the choice; each takes back a clamp or forbids an air span, so they end."""


def _silent(stage: str, done: int, total: int) -> None:
    del stage, done, total


def make_plan(
    layers: Layers,
    project: Project,
    progress: Progress | None = None,
    *,
    standards: Standards | None = None,
    chunk: int = CHUNK,
    worker: Worker | None = None,
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
        Addresses worked on at once; no say in the result.
    worker : Worker, optional
        Who searches and works drops out; by default this process. No say in the result either.

    Returns
    -------
    Plan
        Declared tables with the proof of optimality.

    Raises
    ------
    ArithmeticError
        If a proof fails; that would be a defect, never a property of the input.
    """
    decision = decide(layers, project, progress, standards=standards, chunk=chunk, worker=worker)
    parts = [decision.tables_of_drops(part) for part in decision.parts()]
    tables: dict[str, Any] = {}
    for name in DROP_TABLES:
        tables[name] = stacked([part.pop(name) for part in parts])
    return decision.as_plan({**tables, **decision.region_tables()})


def decide(
    layers: Layers,
    project: Project,
    progress: Progress | None = None,
    *,
    standards: Standards | None = None,
    chunk: int = CHUNK,
    worker: Worker | None = None,
) -> Decision:
    """Settle who is served and how, without building tables.

    Parameters
    ----------
    layers, project, progress, standards, chunk, worker
        As for `make_plan`.

    Returns
    -------
    Decision
        From which the tables can be built, all at once or a part at a time.

    Raises
    ------
    ArithmeticError
        If a proof fails; that would be a defect, never a property of the input.
    """
    tell = _Sparing(progress or _silent)
    tell("index", 0, 1)
    standards = standards or load_standards(project)
    sources = AirSources(build_plant(layers, project, standards), project)
    needed = sources.index.ports_needed
    ports = terminal_ports(layers, project)
    if worker is None and layers.shelves:
        worker = InTurn(layers, project, standards)
    worker = worker or Here(sources.plant, project, chunk)
    book = Book(worker, len(needed), project.choice.alternatives + 1, tell)
    outcome = _settle(book, sources, ports, tell)
    assignment = value_ports(book, needed, ports, outcome.assignment)
    tell("reasons", 0, 1)
    others = _others(book, outcome.finished, project)
    figures = Figures.of(outcome.uncrossed)
    finished = outcome.finished
    del book, outcome, worker
    plant = _with_outlines(without_search(sources.plant), layers, finished)
    sources = AirSources(plant, project)
    tell("tables", 0, len(needed))
    return Decision(
        layers,
        project,
        gather(finished, others, figures, assignment, ports, sources),
        _optimality(assignment, figures),
        describe_standards(standards, project),
        unchecked(layers, standards, project.units),
    )


def _with_outlines(plant: Plant, layers: Layers, finished: Finished) -> Plant:
    """Fetch the buildings of the unserved, which tables measure from, where they are put away."""
    shelf = layers.shelves.get("buildings")
    if shelf is None:
        return plant
    building = np.delete(plant.index.address_building, finished.offers.address)
    rows = np.unique(building[building >= 0])
    return replace(plant, index=plant.index.with_outlines(rows, shelf.take(rows)))


def _others(book: Book, finished: Finished, project: Project) -> Offers:
    """Return the offers not taken that the tables tell of; the unserved are searched to the end."""
    count = len(book.is_told)
    unserved = np.ones(count, dtype=bool)
    unserved[finished.offers.address] = False
    untold = unserved & ~book.is_told
    known = worth_gathering(book.offers, finished, count, project.choice.alternatives)
    known &= ~untold[book.offers.address]
    return Offers.joined(
        [
            book.offers.take(known),
            book.worker.explain(np.flatnonzero(untold).astype(np.int64)),
        ]
    )


class _Sparing:
    """Tells of progress, and gives memory back that the stage before has left free."""

    def __init__(self, tell: Progress) -> None:
        self.tell, self.stage = tell, ""

    def __call__(self, stage: str, done: int, total: int) -> None:
        if stage != self.stage:
            give_back()
        self.stage = stage
        self.tell(stage, done, total)


@dataclass(frozen=True)
class _Outcome:
    """The choice once no planned drop fails."""

    assignment: Assignment
    uncrossed: Uncrossed
    finished: Finished


def _settle(book: Book, sources: AirSources, ports: Ports, tell: Progress) -> _Outcome:
    """Choose, shift clamps, undo crossings, work out in full; until nothing planned fails."""
    needed, project = sources.index.ports_needed, sources.project
    stays = np.zeros(len(needed), dtype=bool)
    before: list[Finished] = []
    shifted: _Shifted | None = None
    for _ in range(MOST_ROUNDS):
        assignment, row = choose_offers(book, needed, ports)
        served = np.flatnonzero(row >= 0)
        tell("clamps", 0, 1)
        chosen = book.offers.take(row[served])
        shifted = _shifted(chosen, stays, book.worker, shifted)
        tell("drop crossings", 0, 1)
        uncrossed = undo_crossings(shifted.to, book, sources, needed, ports, project)
        tell("final", 0, 1)
        finished = _finish_changed(
            uncrossed.offers, before, book.worker, lambda done, total: tell("final", done, total)
        )
        fails = np.flatnonzero(finished.fails(project))
        if len(fails) == 0:
            return _Outcome(assignment, uncrossed, finished)
        _send_back(finished, fails, stays, book, project)
        before.append(finished)
        del finished
    message = "planned drops still fail their clearances after every round of the choice"
    raise ArithmeticError(message)


@dataclass(frozen=True)
class _Shifted:
    """Chosen offers with their clamps where they were found, and where they cost least."""

    of: Offers
    may: BoolArray
    to: Offers


def _shifted(offers: Offers, stays: BoolArray, worker: Worker, before: _Shifted | None) -> _Shifted:
    """Shift clamps, except of those that failed once where they had been shifted to."""
    may = ~stays[offers.address] & (offers.span >= 0)
    known, at = np.zeros(len(offers), dtype=bool), np.zeros(len(offers), dtype=np.int64)
    if before is not None and len(before.of):
        at = _places_in(before.of, offers)
        known = may & same_offers(offers, before.of, at) & before.may[at]
    fresh = np.flatnonzero(may & ~known)
    moved = worker.shift(offers.take(fresh))
    place = np.arange(len(offers))
    place[fresh] = len(offers) + np.arange(len(fresh))
    place[known] = len(offers) + len(fresh) + at[known]
    old = [] if before is None else [before.to]
    return _Shifted(offers, may, Offers.joined([offers, moved, *old]).take(place))


def _places_in(before: Offers, offers: Offers) -> IntArray:
    """Return the row before of each offer's address, or of one after it; any if there is none."""
    return np.minimum(np.searchsorted(before.address, offers.address), max(len(before) - 1, 0))


def _finish_changed(offers: Offers, before: list[Finished], worker: Worker, tell: Tell) -> Finished:
    """Work out drops that are new, and all that share a strand span with a change.

    What was worked out before is taken off the list, so that its memory is free soon.
    """
    if not before:
        return worker.finish(offers, tell)
    old = before.pop()
    at = _places_in(old.offers, offers)
    is_new = ~same_offers(offers, old.offers, at)
    gone = np.ones(len(old), dtype=bool)
    gone[at[~is_new]] = False
    spans = np.union1d(offers.span[is_new], old.offers.span[gone])
    touched = is_new | ((offers.span >= 0) & np.isin(offers.span, spans))
    at[touched] = len(old) + np.arange(np.count_nonzero(touched))
    parts = [old, worker.finish(offers.take(touched), tell)]
    del old
    return Finished.gathered(parts, at)


def _send_back(
    finished: Finished, fails: IntArray, stays: BoolArray, book: Book, project: Project
) -> None:
    """Take shifted clamps back; forbid what fails where the search had put it."""
    failed = finished.offers.take(fails)
    row = book.row_of(failed)
    stays[failed.address[row < 0]] = True
    fails, row = fails[row >= 0], row[row >= 0]
    if len(row) == 0:
        return
    final, crossings = finished.final, finished.crossings
    short = project.heights.clearance_margin - final.margin_m[fails]
    is_low = short > 0
    crossing = final.margin_crossing[fails]
    book.bar(
        row,
        replace(
            finished.offers.take(fails),
            forbidden=np.where(is_low, int(Forbidden.CLEARANCE), int(Forbidden.TENSION)),
            miss_m=np.where(is_low, short, np.nan),
            miss_kind=np.append(crossings.kind, -1)[crossing],
            miss_feature=np.append(crossings.feature, -1)[crossing],
        ),
    )


def _optimality(assignment: Assignment, uncrossed: Figures) -> dict[str, Any]:
    return {
        "status": "optimal" if assignment.gap_cents == 0 else "feasible",
        "served": assignment.served,
        "assignment_cost": assignment.cents / CENTS,
        "lower_bound_cost": (assignment.cents - assignment.gap_cents) / CENTS,
        "gap": assignment.gap_cents / max(assignment.cents, 1),
        "proof": dict(assignment.proof),
        "drop_crossings_before": uncrossed.crossings_before,
        "drop_crossings_after": uncrossed.crossings_after,
        "drops_rechosen": uncrossed.changed,
        "plan_cost": uncrossed.cents / CENTS,
    }


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


def unchecked(layers: Layers, standards: Standards, units: ReportUnits) -> tuple[str, ...]:
    """Say what this plan does not check, and why.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    standards : Standards
        Rules in force, with what they don't cover.
    units : {'us', 'metric'}
        System of the reports.

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
        "poles and guys under the new loads; walls and roofs that a wire passes beside; clearance "
        "below wire along a strand"
    )
    if len(layers.power):
        near = say(AT_POLE_M, "length", units)
        lines.append(
            "not checked: separation from power along the strand in the first "
            f"{near} from a span clamp"
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
