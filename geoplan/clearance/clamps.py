"""Span clamps of planned drops: how strand and drop settle, with and without the ladder.

Enters: planned air spans from span clamps, strands, the sag wanted.
Leaves: `Clamps`: sag to set, sag after, displacements, strand tension, whether a ladder may lean.
Does not do: choose the sag.

The ladder stands on the field side: the house's side of the strand, so that it pushes away from
the house, or the other side where the drop goes over a street, so that it pushes toward the house.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geoplan.clearance.shared_spans import (
    SharedSpans,
    find_shared_spans,
    sink_by_others,
    spans_at_sag,
)
from geoplan.clearance.supports import Ends, Supports
from geoplan.mechanics import (
    Drop,
    LadderLoad,
    Strand,
    decide_ladder,
    ladder_load,
    solve_clamp_at_sag,
)
from geoplan.mechanics.clamp import solve_clamp_before_and_after
from geoplan.mechanics.strand import strand_columns, unload_strand
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards

BoolArray = npt.NDArray[np.bool_]

LEAST_LATERAL_M = 0.05
"""A house nearer to the line of the strand than this is taken to stand this far off it."""


@dataclass(frozen=True)
class Clamps:
    """Span clamps of planned air spans, one row each."""

    row: IntArray
    """Row of the air span."""
    start_z_m: FloatArray
    """Elevation of the clamp with the drop on it and the ladder gone, all drops together."""
    air_span_m: FloatArray
    length_m: FloatArray
    """Unstressed length of the drop at the stringing temperature."""
    alone_length_m: FloatArray
    """The same if it were the only drop of its strand span."""
    is_over_street: BoolArray
    """Whether the drop goes over a street, so that the ladder stands away from the house."""
    sag_with_ladder_m: FloatArray
    sag_after_m: FloatArray
    lateral_with_ladder_m: FloatArray
    """Positive toward the house."""
    lateral_after_m: FloatArray
    sink_m: FloatArray
    """How far the clamp is below the unloaded strand, all drops of the span together."""
    alone_sink_m: FloatArray
    drop_tension_with_ladder_n: FloatArray
    strand_tension_n: FloatArray
    """Greatest, with the ladder on."""
    strand_share: FloatArray
    """Of the strand's breaking strength; infinite where that is unknown."""
    ladder: npt.NDArray[np.str_]
    """A word of `LadderReason`, or ``drop_overstressed``."""
    strand: Strand
    place_m: FloatArray
    """Place of the clamp from the strand span's first pole."""
    strand_base_z_m: FloatArray
    """Elevation of the strand's attachment at that pole."""
    house_along_m: FloatArray
    house_lateral_m: FloatArray
    house_z_m: FloatArray
    diameter_m: FloatArray
    converged: BoolArray
    table_sag_m: FloatArray
    """Sag by temperature (columns), ladder gone; no columns until `stringing` has filled them."""
    table_tension_n: FloatArray
    table_ladder_sag_m: FloatArray
    table_ladder_tension_n: FloatArray
    table_place_z_m: FloatArray
    """Elevation of the wire at the place of the least margin, ladder gone."""
    shared: SharedSpans
    """Clamps that share their strand span with others."""

    def replaced(self, rows: IntArray, other: Clamps) -> Clamps:
        """Return these clamps with some as they are for other sags.

        Parameters
        ----------
        rows : ndarray of int64
            Rows here of the other's clamps, those of whole strand spans.
        other : Clamps
            The same clamps with other sags.

        Returns
        -------
        Clamps
            A new table; strands, places and who shares a span with whom stay.
        """
        values: dict[str, Any] = {}
        for field in fields(Clamps):
            if field.name not in ("row", "strand", "shared"):
                values[field.name] = getattr(self, field.name).copy()
                values[field.name][rows] = getattr(other, field.name)
        return replace(self, **values)


def find_clamps(
    air: AirSpans,
    index: PlantIndex,
    supports: Supports,
    ends_of_air: Ends,
    house_z_m: FloatArray,
    sag_m: FloatArray,
    is_over_street: BoolArray,
    project: Project,
    standards: Standards,
    *,
    with_ladder: bool = True,
) -> Clamps:
    """Solve the clamps of planned air spans for the sag wanted when the ladder is gone.

    Parameters
    ----------
    air : AirSpans
        Planned air spans; those from poles are passed over.
    index : PlantIndex
        Rows of the layers.
    supports : Supports
        Strand heights, tensions and sizes.
    ends_of_air : Ends
        Ends of the air spans; strand and house are put on the ground that these are on.
    house_z_m : ndarray of float64, shape (n,)
        Elevation of the premises attachments.
    sag_m : ndarray of float64, shape (n,)
        Sag wanted at the stringing temperature, ladder gone.
    is_over_street : ndarray of bool, shape (n,)
        Whether the air span crosses a road's centre-line.
    project : Project
        Ladder, cable and assumed strand.
    standards : Standards
        Strand sizes, small-strand limit, design factor.
    with_ladder : bool
        Whether to solve the state with the ladder on; without, its columns repeat the other.

    Returns
    -------
    Clamps
        In the order of the air spans. Where several drops share a strand span, the place after
        is that under the pull of all of them, and the drop's length the one that leaves the sag
        wanted when all are up. The ladder's states are of the drop by itself.
    """
    row = np.flatnonzero(air.span >= 0).astype(np.int64)
    span, place = air.span[row], air.clamp_from_m[row]
    ends = index.span_ends[span] if len(row) else np.zeros((0, 2), dtype=np.int64)
    ground = supports.pole_ground_m[ends]
    known = ends_of_air.ground_is_known[row] & np.isfinite(ground).all(axis=1)
    z = supports.strand_height_m[ends] + np.where(
        known[:, None], ground, ends_of_air.start_ground_m[row][:, None]
    )
    length = index.span_length_m[span]
    stiffness, expansion, strength, diameter = strand_figures(supports, span, project, standards)
    strand = Strand(
        length,
        z[:, 1] - z[:, 0],
        supports.span_weight_n_per_m[span],
        stiffness,
        supports.span_tension_n[span],
        np.zeros(len(row)),
        expansion,
        np.zeros(len(row)),
    )
    ux = (index.pole_x[ends[:, 1]] - index.pole_x[ends[:, 0]]) / length
    uy = (index.pole_y[ends[:, 1]] - index.pole_y[ends[:, 0]]) / length
    dx, dy = air.ex[row] - air.sx[row], air.ey[row] - air.sy[row]
    along = dx * ux + dy * uy
    lateral = np.maximum(np.abs(dx * uy - dy * ux), LEAST_LATERAL_M)
    hang = unloaded_up(strand, place)
    drop = Drop(
        along,
        lateral,
        house_z_m[row] - z[:, 0] - hang,
        standards.entry.weight_n_per_m,
        standards.entry.stiffness_n,
    )
    if len(row) == 0:
        none = np.zeros(0)
        words = np.zeros(0, dtype="<U20")
        return Clamps(
            row,
            *(none,) * 4,
            np.zeros(0, dtype=bool),
            *(none,) * 9,
            words,
            strand,
            *(none,) * 6,
            np.zeros(0, dtype=bool),
            *(np.zeros((0, 0)),) * 5,
            find_shared_spans(row, none, none, none),
        )
    over = is_over_street[row]
    load = leaned_ladder(over, project)
    if with_ladder:
        on, after, alone_length = solve_clamp_before_and_after(
            strand, place, drop, load, sag_m[row]
        )
    else:
        after, alone_length = solve_clamp_at_sag(strand, place, drop, sag_m[row])
        on = after
    far = np.hypot(along, lateral)
    shared = find_shared_spans(span, place, length, (dx * uy - dy * ux) / far)
    reach, drop_length = np.asarray(after.air_span_m).copy(), np.asarray(alone_length).copy()
    moved = np.asarray(after.lateral_m).copy()
    alone_sink = -np.asarray(after.up_m)
    others = sink_by_others(shared, alone_sink)
    at = shared.row
    reach[at], drop_length[at] = spans_at_sag(
        shared,
        far[at],
        (house_z_m[row] - z[:, 0] - hang + alone_sink + others)[at],
        sag_m[row][at],
        standards.entry.weight_n_per_m,
        standards.entry.stiffness_n,
        supports.span_tension_n[span][at],
    )
    moved[at] = far[at] - reach[at]
    decision = decide_ladder(
        strength,
        supports.span_is_sound[span],
        on.strand_tension_max_n,
        small_strand_n=standards.rule_set.require("limits.ladder_strand_strength").value_si,
        design_factor=1.0 / standards.rule_set.require("tension.strand_loaded").value_si,
    )
    most = min(limit.limit_n for limit in standards.tension)
    words = np.where(
        decision.is_allowed & (on.drop_tension_max_n > most), "drop_overstressed", decision.reason
    )
    return Clamps(
        row,
        z[:, 0] + hang - alone_sink - others,
        reach,
        drop_length,
        np.asarray(alone_length),
        over,
        on.sag_m,
        after.sag_m,
        np.asarray(on.lateral_m) + moved - np.asarray(after.lateral_m),
        moved,
        alone_sink + others,
        alone_sink,
        on.drop_tension_max_n,
        on.strand_tension_max_n,
        decision.used_fraction,
        words,
        strand,
        place,
        z[:, 0],
        along,
        lateral,
        house_z_m[row],
        diameter,
        after.converged & on.converged,
        *(np.zeros((len(row), 0)),) * 5,
        shared,
    )


def leaned_ladder(is_over_street: BoolArray, project: Project) -> LadderLoad:
    """Return the load of the project's ladder and person, leaned from the field side.

    Parameters
    ----------
    is_over_street : ndarray of bool, shape (n,)
        Whether the drop goes over a street: the field side is then not the house's.
    project : Project
        Ladder and person.

    Returns
    -------
    LadderLoad
        Positive toward the house.

    References
    ----------
    A ladder never stands in the street: common practice, no source.
    """
    ladder = project.ladder
    return ladder_load(ladder.person, ladder.ladder, ladder.angle, is_on_house_side=~is_over_street)


def unloaded_up(strand: Strand, place_m: FloatArray) -> FloatArray:
    """Return the height of strands without drops above their first attachment.

    Parameters
    ----------
    strand : Strand
        n strands in a load case.
    place_m : ndarray of float64, shape (n,)
        Places from their first attachments, in metres.

    Returns
    -------
    ndarray of float64, shape (n,)
        In metres, positive up.
    """
    if len(place_m) == 0:
        return np.zeros(0)
    points = unload_strand(_spread(strand, len(place_m)), place_m[:, None]).point_m
    return np.asarray(points[:, 0, 2])


def _spread(strand: Strand, count: int) -> dict[str, FloatArray]:
    return {
        name: np.broadcast_to(np.asarray(column, dtype=np.float64), (count,))
        for name, column in strand_columns(strand).items()
    }


def strand_figures(
    supports: Supports, span: IntArray, project: Project, standards: Standards
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Look up the strands of strand spans.

    Parameters
    ----------
    supports : Supports
        Sizes by strand span.
    span : ndarray of int64, shape (n,)
        Rows of strand spans.
    project : Project
        The strand assumed where none is recorded.
    standards : Standards
        Strand sizes.

    Returns
    -------
    tuple of ndarray of float64, shape (n,)
        Stiffness, N; expansion, 1/C; breaking strength, N, NaN where no size is recorded; and
        diameter of strand and lashed cable together, for ice, m.
    """
    sizes = supports.span_size[span] if len(span) else np.zeros(0, dtype=object)
    names, code = np.unique(
        np.array([name or "" for name in sizes], dtype=str), return_inverse=True
    )
    entries = [standards.strands[name or project.ladder.assumed_strand] for name in names]
    strength = [
        entry.breaking_strength_n if name else np.nan
        for name, entry in zip(names.tolist(), entries, strict=True)
    ]
    columns = (
        [entry.stiffness_n for entry in entries],
        [entry.thermal_expansion_per_c for entry in entries],
        strength,
        [entry.diameter_m + project.ladder.cable_diameter for entry in entries],
    )
    stiffness, expansion, broken, diameter = (
        np.array(column, dtype=np.float64)[code] for column in columns
    )
    return stiffness, expansion, broken, diameter
