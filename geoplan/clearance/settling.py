"""Where span clamps settle in a load case, all drops up and the ladder gone, or with the ladder.

Enters: solved clamps, load cases.
Leaves: `Settled`: height and air span of each clamp, tension of its drop; `Leaned` with a ladder.
Does not do: find the clamps; `clamps` does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from geoplan.clearance.clamps import Clamps, unloaded_up
from geoplan.clearance.shared_spans import spans_at_length
from geoplan.mechanics import (
    Drop,
    LadderLoad,
    Strand,
    length_at_temperature,
    load_wire,
    parabola_tension_after_change,
    solve_clamp_with_length,
)
from geoplan.mechanics.loading import ice_weight
from geoplan.routes.segments import FloatArray
from geoplan.standards import ClearanceCase, Standards, TensionCase


@dataclass(frozen=True)
class Settled:
    """Where clamps are in one load case."""

    start_z_m: FloatArray
    air_span_m: FloatArray
    drop_tension_n: FloatArray
    """Greatest tension of the drop."""


@dataclass(frozen=True)
class Leaned:
    """Drops from clamps with ladder and person on the strand, in one load case."""

    sag_m: FloatArray
    tension_n: FloatArray
    """Greatest tension of the drop."""


def settle_clamps(
    clamps: Clamps, case: ClearanceCase | TensionCase, standards: Standards
) -> Settled:
    """Find where clamps are in a load case, ladder gone, drops of their set length.

    Parameters
    ----------
    clamps : Clamps
        Solved clamps.
    case : ClearanceCase or TensionCase
        Load case. For tension the whole load of the drop, wind and constant too, is taken to pull
        straight down.
    standards : Standards
        The wire.

    Returns
    -------
    Settled
        Elevation of each clamp and its horizontal distance from the house.

    Notes
    -----
    Strand and drop carry the case's ice and have its temperature. A clamp that has its strand
    span to itself is solved in three dimensions; clamps that share one are moved sideways by all
    drops of the span together, and lowered by what the own drop, of the same sag at stringing,
    would do by itself and by what the others do to them at stringing.
    """
    return settle_in_cases(clamps, [case], standards)[0]


def settle_in_cases(
    clamps: Clamps, cases: Sequence[ClearanceCase | TensionCase], standards: Standards
) -> list[Settled]:
    """Find where clamps are in several load cases.

    Parameters
    ----------
    clamps : Clamps
        Solved clamps.
    cases : sequence of ClearanceCase or TensionCase
        Load cases, as in `settle_clamps`.
    standards : Standards
        The wire.

    Returns
    -------
    list of Settled
        What `settle_clamps` returns for each case.
    """
    times, count = len(cases), len(clamps.row)
    if count == 0 or times == 0:
        return [Settled(np.zeros(0), np.zeros(0), np.zeros(0))] * times
    on = _in_cases(clamps, cases, standards)
    strand, drop = on.strand, on.drop
    grown = on.grown(clamps.length_m)
    state = solve_clamp_with_length(strand, on.place_m, drop, on.grown(clamps.alone_length_m))
    alone_z = on.unloaded_z_m + state.up_m
    others = on.each(np.maximum(clamps.sink_m - clamps.alone_sink_m, 0.0))
    span, tension = state.air_span_m.copy(), state.drop_tension_max_n.copy()
    shared = clamps.shared.repeated(times, count)
    at = shared.row
    weight = np.asarray(strand.weight_n_per_m)
    pull = parabola_tension_after_change(
        strand.span_m,
        strand.horizontal_tension_n,
        weight,
        weight + np.asarray(strand.ice_n_per_m),
        on.warmer_c,
        strand.stiffness_n,
        strand.expansion_per_c,
    )
    span[at], tension[at] = spans_at_length(
        shared,
        np.hypot(drop.house_along_m, drop.house_lateral_m)[at],
        (on.each(clamps.house_z_m) - alone_z + others)[at],
        grown[at],
        np.asarray(drop.weight_n_per_m)[at],
        standards.entry.stiffness_n,
        pull[at],
    )
    columns = [np.split(column, times) for column in (alone_z - others, span, tension)]
    return [Settled(*parts) for parts in zip(*columns, strict=True)]


def lean_in_cases(
    clamps: Clamps,
    cases: Sequence[ClearanceCase | TensionCase],
    ladder: LadderLoad,
    standards: Standards,
) -> list[Leaned]:
    """Find sag and tension of drops of their set length with ladder and person on the strand.

    Parameters
    ----------
    clamps : Clamps
        Solved clamps, n of them.
    cases : sequence of ClearanceCase or TensionCase
        Load cases, as in `settle_clamps`.
    ladder : LadderLoad
        Fields of shape (n,).
    standards : Standards
        The wire.

    Returns
    -------
    list of Leaned
        One for each case; each drop by itself on its strand span.
    """
    times, count = len(cases), len(clamps.row)
    if count == 0 or times == 0:
        return [Leaned(np.zeros(0), np.zeros(0))] * times
    on = _in_cases(clamps, cases, standards)
    load = LadderLoad(*(on.each(getattr(ladder, field.name)) for field in fields(LadderLoad)))
    grown = on.grown(clamps.alone_length_m)
    state = solve_clamp_with_length(on.strand, on.place_m, on.drop, grown, load)
    columns = [np.split(column, times) for column in (state.sag_m, state.drop_tension_max_n)]
    return [Leaned(*parts) for parts in zip(*columns, strict=True)]


@dataclass(frozen=True)
class _InCases:
    """Strands and drops of n clamps in k load cases; columns of n k rows, case after case."""

    strand: Strand
    drop: Drop
    place_m: FloatArray
    unloaded_z_m: FloatArray
    """Elevation of the clamp's place on the strand without drops."""
    warmer_c: FloatArray
    expansion_per_c: float
    count: int
    times: int

    def each(self, column: npt.ArrayLike) -> FloatArray:
        """Return a column by clamp, once for each case."""
        return _each(column, self.count, self.times)

    def grown(self, length_m: FloatArray) -> FloatArray:
        """Return unstressed lengths of drops in each case."""
        return np.asarray(
            length_at_temperature(self.each(length_m), self.expansion_per_c, self.warmer_c)
        )


def _each(column: npt.ArrayLike, count: int, times: int) -> FloatArray:
    return np.tile(np.broadcast_to(np.asarray(column, dtype=np.float64), (count,)), times)


def _in_cases(
    clamps: Clamps, cases: Sequence[ClearanceCase | TensionCase], standards: Standards
) -> _InCases:
    """Load strands and drops as each case asks."""
    times, count = len(cases), len(clamps.row)
    warmer = np.repeat([case.temperature_c - standards.stringing_c for case in cases], count)
    load = np.repeat([_load_n_per_m(case, standards) for case in cases], count)
    ice = np.concatenate(
        [
            ice_weight(
                clamps.diameter_m, case.case.ice_thickness_m, case.case.ice_density_kg_per_m3
            )
            for case in cases
        ]
    )
    strand = Strand(
        *(_each(getattr(clamps.strand, field.name), count, times) for field in fields(Strand))
    )
    strand = replace(strand, ice_n_per_m=ice, temperature_rise_c=warmer)
    place, base, house_z, along, lateral = (
        _each(column, count, times)
        for column in (
            clamps.place_m,
            clamps.strand_base_z_m,
            clamps.house_z_m,
            clamps.house_along_m,
            clamps.house_lateral_m,
        )
    )
    hang = unloaded_up(strand, place)
    drop = Drop(along, lateral, house_z - base - hang, load, standards.entry.stiffness_n)
    return _InCases(
        strand,
        drop,
        place,
        base + hang,
        warmer,
        standards.entry.thermal_expansion_per_c,
        count,
        times,
    )


def _load_n_per_m(case: ClearanceCase | TensionCase, standards: Standards) -> float:
    """Return the drop's load: its weight with ice, for tension with wind and constant too."""
    wire = standards.wire
    loads = load_wire(wire.weight_n_per_m, wire.diameter_m, case.case)
    is_clearance = isinstance(case, ClearanceCase)
    return float(np.max(loads.vertical_n_per_m if is_clearance else loads.total_n_per_m))
