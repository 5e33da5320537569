"""Planned air spans worked out in full: the catenary, the strand that gives way, every margin.

Enters: chosen air spans, how they were hung, what they meet, rules and wire.
Leaves: `Final`: sags, tensions, margins with place, case and rule; clamps in all their states.
Does not do: choose; an air span that fails here goes back to the choice.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from geoplan.clearance.clamps import Clamps, find_clamps
from geoplan.clearance.demands import Demands
from geoplan.clearance.heights import LEAST_SAG_SHARE
from geoplan.clearance.hung import Hung
from geoplan.clearance.margins import Margins, add_power_margins
from geoplan.clearance.required import build_rows
from geoplan.clearance.settling import settle_in_cases
from geoplan.clearance.shared_spans import span_at_length
from geoplan.clearance.supports import Ends, Supports
from geoplan.mechanics import (
    LoadCase,
    solve_catenary,
    solve_weather,
)
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards

__all__ = [
    "CLOSE_YARD_PLACES",
    "TOLERANCE_M",
    "Final",
    "Margins",
    "add_power_margins",
    "finish",
    "finish_tuned",
    "fixed_sag",
    "tune_sags",
]

BoolArray = npt.NDArray[np.bool_]
_Work: TypeAlias = tuple[
    AirSpans, Crossings, Hung, Ends, PlantIndex, Supports, Demands, Standards, Project
]

TOLERANCE_M = 0.002
CLOSE_YARD_PLACES = np.linspace(0.025, 1.0, 40)
"""Close enough together that between two of them no yard is nearer by more than the tolerance."""
TUNINGS = 8


@dataclass(frozen=True)
class Final:
    """Planned air spans, one row each; heights in metres above the ground of each end."""

    start_m: FloatArray
    end_m: FloatArray
    start_z_m: FloatArray
    end_z_m: FloatArray
    span_m: FloatArray
    length_m: FloatArray
    """Unstressed, at the stringing temperature."""
    arc_m: FloatArray
    """Stretched length at stringing."""
    sag_m: FloatArray
    tension_n: FloatArray
    """Greatest tension at stringing."""
    sag_worst_m: FloatArray
    sag_worst_case: IntArray
    tension_worst_n: FloatArray
    tension_limit_n: FloatArray
    tension_case: IntArray
    swing_worst_m: FloatArray
    margin_m: FloatArray
    """Least of available less required clearance; NaN: nothing to compare."""
    required_m: FloatArray
    available_m: FloatArray
    margin_part: FloatArray
    margin_case: IntArray
    margin_crossing: IntArray
    """Row of the crossing that governs; -1: the yard."""
    margin_base_m: FloatArray
    """Elevation of what lies below the wire at the place of that margin; NaN for power above."""
    clamps: Clamps
    crossing_required_m: FloatArray
    """By row of the crossings handed in; NaN where nothing was computed."""
    crossing_available_m: FloatArray
    crossing_margin_m: FloatArray
    crossing_case: IntArray
    """Load case of that margin; -1: wire against plant at the stringing temperature or none."""

    def fails(self, margin_m: float) -> BoolArray:
        """Tell which air spans miss the margin asked for, or a tension limit."""
        low = self.margin_m < margin_m - TOLERANCE_M
        tight = self.tension_worst_n > self.tension_limit_n * 1.0005
        return np.asarray(low | tight)

    def replaced(self, rows: IntArray, crossings: IntArray, other: Final) -> Final:
        """Return these air spans with some of them as another has them.

        Parameters
        ----------
        rows, crossings : ndarray of int64
            Rows of the air spans and crossings that the other holds; whole strand spans.
        other : Final
            The others, by these rows.

        Returns
        -------
        Final
            A new one; neither is changed.
        """
        values: dict[str, Any] = {}
        for field in fields(Final):
            old, new = getattr(self, field.name), getattr(other, field.name)
            if field.name == "clamps":
                at = np.searchsorted(self.clamps.row, rows[other.clamps.row])
                values["clamps"] = self.clamps.replaced(at, other.clamps)
                continue
            values[field.name] = old.copy()
            values[field.name][crossings if field.name.startswith("crossing_") else rows] = new
        governs = np.append(crossings, -1)[other.margin_crossing]
        values["margin_crossing"][rows] = governs
        return Final(**values)


def finish(
    air: AirSpans,
    crossings: Crossings,
    hung: Hung,
    ends: Ends,
    index: PlantIndex,
    supports: Supports,
    demands: Demands,
    standards: Standards,
    project: Project,
    sag_m: FloatArray | None = None,
    *,
    with_ladder: bool = True,
) -> Final:
    """Work out n planned air spans in full.

    Parameters
    ----------
    air : AirSpans
        Planned air spans.
    crossings : Crossings
        What they meet; ``air`` counts from 0.
    hung : Hung
        Their heights and unstressed length.
    ends : Ends
        Their ends, as `hung` was worked out with.
    index : PlantIndex
        Rows of the layers.
    supports : Supports
        Heights of the plant.
    demands : Demands
        What has to be kept clear.
    standards : Standards
        Wire, strands, load cases and limits.
    project : Project
        Settings.
    sag_m : ndarray of float64, shape (n,), optional
        Sag wanted at stringing of drops from span clamps; by default that of fixed supports.
    with_ladder : bool
        Whether to work out the ladder's states too.

    Returns
    -------
    Final
        Arrays of shape (n,), and by crossing.

    Notes
    -----
    Clearances are those of the elastic catenary in each clearance case, and as strung, for drops
    that share a strand span can hang lower then; a span clamp is where
    the strand, the drop and that case's ice and temperature leave it. Places along the air span
    are kept as parts of it when the clamp moves. In the tension cases too the clamp is where
    strand and drop leave it.
    """
    rows = build_rows(air, crossings, ends, demands, supports, CLOSE_YARD_PLACES)
    wire = standards.wire
    end_z = hung.end_ground_m + hung.end_m
    low = hung.start_ground_m + hung.start_m
    span = air.length_m
    stringing = LoadCase(temperature_c=standards.stringing_c)
    if sag_m is None:
        sag_m = fixed_sag(air, hung, standards)
    over = crossings.over_streets(len(air))
    clamps = find_clamps(
        air, index, supports, ends, end_z, sag_m, over, project, standards, with_ladder=with_ladder
    )
    length = hung.length_m.copy()
    length[clamps.row] = clamps.length_m
    start_z = low.copy()
    start_z[clamps.row] = clamps.start_z_m
    spans = span.copy()
    spans[clamps.row] = clamps.air_span_m
    rise = end_z - start_z
    now = solve_weather(spans, rise, length, standards.stringing_c, wire, stringing)
    margins = Margins(rows, len(air), len(crossings))
    sags = []
    cases = len(standards.clearance)
    settled = settle_in_cases(clamps, [*standards.clearance, *standards.tension], standards)
    for number, (case, moved) in enumerate(zip(standards.clearance, settled[:cases], strict=True)):
        case_low, case_span = start_z.copy(), spans.copy()
        case_low[clamps.row], case_span[clamps.row] = moved.start_z_m, moved.air_span_m
        sags.append(margins.add(number, case, case_low, end_z, case_span, length, standards))
    sags.append(margins.add(cases, standards.stringing, start_z, end_z, spans, length, standards))
    sag = np.stack(sags, axis=1)
    tension = [
        solve_weather(spans, rise, length, standards.stringing_c, wire, limit.case)
        for limit in standards.tension
    ]
    pulls = [state.tension_max_n[:, 0].copy() for state in tension]
    for pull, moved in zip(pulls, settled[cases:], strict=True):
        pull[clamps.row] = moved.drop_tension_n
    worst = np.stack(pulls, axis=1)
    limits = np.array([limit.limit_n for limit in standards.tension])
    tightest = np.argmax(worst / limits, axis=1)
    each = np.arange(len(air))
    add_power_margins(
        air, crossings, ends, demands, supports, margins, start_z, rise, length, spans, standards
    )
    return Final(
        start_z - hung.start_ground_m,
        hung.end_m,
        start_z,
        end_z,
        spans,
        length,
        now.length_m[:, 0],
        now.sag_m[:, 0],
        now.tension_max_n[:, 0],
        sag.max(axis=1),
        np.argmax(sag, axis=1).astype(np.int64),
        worst[each, tightest],
        limits[tightest],
        tightest.astype(np.int64),
        np.max([state.swing_m[:, 0] for state in tension], axis=0),
        margins.least_m,
        margins.required_m,
        margins.available_m,
        margins.part,
        margins.case,
        margins.crossing,
        margins.base_m,
        clamps,
        margins.crossing_required_m,
        margins.crossing_available_m,
        margins.crossing_margin_m,
        margins.crossing_case,
    )


def fixed_sag(air: AirSpans, hung: Hung, standards: Standards) -> FloatArray:
    """Return the sags at stringing, clamps where the drop's pull takes them.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    hung : Hung
        Their heights and unstressed length.
    standards : Standards
        Wire and stringing temperature.

    Returns
    -------
    ndarray of float64, shape (n,)
        Sag in metres.
    """
    if len(air) == 0:
        return np.zeros(0)
    rise = hung.end_ground_m + hung.end_m - hung.start_ground_m - hung.start_m
    wire = standards.entry
    rows = np.flatnonzero(hung.give_m_per_n > 0)
    span = air.length_m.copy()
    span[rows] = span_at_length(
        air.length_m[rows],
        rise[rows],
        hung.length_m[rows],
        wire.weight_n_per_m,
        wire.stiffness_n,
        hung.give_m_per_n[rows],
    )
    state = solve_catenary(span, rise, hung.length_m, wire.weight_n_per_m, wire.stiffness_n)
    return np.asarray(state.sag_m)


def tune_sags(
    air: AirSpans,
    crossings: Crossings,
    hung: Hung,
    ends: Ends,
    index: PlantIndex,
    supports: Supports,
    demands: Demands,
    standards: Standards,
    project: Project,
    sag_m: FloatArray | None = None,
) -> FloatArray:
    """Find sags that keep every clearance where the strand gives way under the drop.

    Parameters
    ----------
    air, crossings, hung, ends, index, supports, demands, standards, project
        As in `finish`.
    sag_m : ndarray of float64, shape (n,), optional
        Sags to begin with; by default those of fixed supports.

    Returns
    -------
    ndarray of float64, shape (n,)
        Sag wanted at stringing. Where a margin is missed, the sag is lessened by what is missing
        there, up to `TUNINGS` times; what still fails is told by `Final.fails`.
    """
    work = (air, crossings, hung, ends, index, supports, demands, standards, project)
    return _finish_tuned(work, sag_m, with_ladder=False)[1]


def finish_tuned(
    air: AirSpans,
    crossings: Crossings,
    hung: Hung,
    ends: Ends,
    index: PlantIndex,
    supports: Supports,
    demands: Demands,
    standards: Standards,
    project: Project,
    sag_m: FloatArray | None = None,
) -> tuple[Final, FloatArray]:
    """Tune sags and work the air spans out in full, each but once where no sag has to change.

    Parameters
    ----------
    air, crossings, hung, ends, index, supports, demands, standards, project, sag_m
        As in `tune_sags`.

    Returns
    -------
    final : Final
        What `finish` returns for the tuned sags.
    sag_m : ndarray of float64, shape (n,)
        What `tune_sags` returns.
    """
    work = (air, crossings, hung, ends, index, supports, demands, standards, project)
    return _finish_tuned(work, sag_m, with_ladder=True)


def _finish_tuned(
    work: _Work, sag_m: FloatArray | None, *, with_ladder: bool
) -> tuple[Final, FloatArray]:
    """Finish all, then lessen sags and finish again the strand spans where a margin is missed."""
    air, hung, standards, project = work[0], work[2], work[7], work[8]
    sag = fixed_sag(air, hung, standards) if sag_m is None else sag_m.copy()
    final = finish(*work, sag, with_ladder=with_ladder)
    todo = np.flatnonzero(air.span >= 0).astype(np.int64)
    for _ in range(TUNINGS):
        less = _lessened(final, air, sag, project.heights.clearance_margin)
        bad = todo[less[todo] < sag[todo]]
        if len(bad) == 0:
            break
        sag[bad] = less[bad]
        todo = todo[np.isin(air.span[todo], air.span[bad])]
        some, met = _some_of(work, todo)
        final = final.replaced(todo, met, finish(*some, sag[todo], with_ladder=with_ladder))
    return final, sag


def _lessened(final: Final, air: AirSpans, sag: FloatArray, target_m: float) -> FloatArray:
    """Return sags lessened by what is missing; unchanged where nothing is."""
    short = target_m - final.margin_m
    bow = np.maximum(4 * final.margin_part * (1 - final.margin_part), 0.05)
    bad = (short > TOLERANCE_M / 2) & (final.margin_case >= 0)
    least = np.maximum(LEAST_SAG_SHARE * air.length_m, sag / 2)
    return np.where(bad, np.maximum(sag - 1.1 * short / bow - TOLERANCE_M, least), sag)


def _some_of(work: _Work, rows: IntArray) -> tuple[_Work, IntArray]:
    """Return the work of some air spans, and the rows of the crossings that they meet."""
    air, crossings, hung, ends, index, supports, demands, standards, project = work
    place = np.full(len(air), -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    met = np.flatnonzero(place[crossings.air] >= 0).astype(np.int64)
    taken = crossings.take(met)
    taken = replace(taken, air=place[taken.air])
    plant = (index, supports, demands, standards, project)
    return (air.take(rows), taken, hung.take(rows), ends.take(rows), *plant), met
