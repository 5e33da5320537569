"""Find how a drop clamped in a span, and a ladder leaned there, displace the strand.

*Enters*: strands, clamp places, drops, ladder loads, wanted sags, as arrays over n clamps.
*Leaves*: `ClampStates`: displacement, sag and tensions without, with and after the ladder.
*Does not do*: choose sags; poles, guys and houses that give way; clamps that slip.

Axes: along the strand from its start, lateral positive toward the house, up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import (
    Array,
    Rule,
    checked,
    checked_fields,
    count_items,
    refuse,
    spread,
)
from geoplan.mechanics.catenary import CatenaryState
from geoplan.mechanics.equilibrium import AttachedDrop, DropRule, RestingPoints, solve_points
from geoplan.mechanics.ladder import LadderLoad
from geoplan.mechanics.strand import Strand, UnloadedStrand, strand_columns, unload_strand

MIN_LADDER_OFFSET_M = 0.01
"""A ladder nearer to the clamp than this, and not at it, is refused."""

_DROP_RULES: dict[str, Rule] = {
    "house_lateral_m": "positive",
    "weight_n_per_m": "positive",
    "stiffness_n": "positive",
}
_LADDER_RULES: dict[str, Rule] = {"down_n": "not_negative"}


@dataclass(frozen=True, slots=True)
class Drop:
    """Drops from span clamps to houses; fields broadcast over n.

    Attributes
    ----------
    house_along_m, house_lateral_m, house_rise_m : array_like of float
        House attachment less the clamp's place on the unloaded strand, m; lateral > 0.
    weight_n_per_m, stiffness_n : array_like of float
        Weight per unstressed metre, N/m, and EA, N, > 0.
    """

    house_along_m: npt.ArrayLike
    house_lateral_m: npt.ArrayLike
    house_rise_m: npt.ArrayLike
    weight_n_per_m: npt.ArrayLike
    stiffness_n: npt.ArrayLike


@dataclass(frozen=True, slots=True)
class ClampState:
    """Clamps, drops and strands in one state, arrays of shape (n,).

    Attributes
    ----------
    lateral_m, up_m, along_m : ndarray of float64
        Displacement of the clamp from its place on the unloaded strand, m; lateral is positive
        toward the house.
    air_span_m : ndarray of float64
        Horizontal distance from clamp to house, m.
    sag_m : ndarray of float64
        Greatest vertical sag of the drop below its chord, m.
    drop_tension_max_n : ndarray of float64
        Greatest tension of the drop, N.
    strand_tension_max_n : ndarray of float64
        Greatest tension of the strand, N.
    residual : ndarray of float64
        Greatest force out of balance over the strand's greatest tension.
    converged : ndarray of bool
        Whether the residual is 1e-8 or less.
    """

    lateral_m: Array
    up_m: Array
    along_m: Array
    air_span_m: Array
    sag_m: Array
    drop_tension_max_n: Array
    strand_tension_max_n: Array
    residual: Array
    converged: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ClampStates:
    """The three states of a clamp.

    Attributes
    ----------
    no_ladder : ClampState
        Drop tied off at the set sag or tension without a ladder, as from a bucket.
    with_ladder : ClampState
        Ladder and person on the strand, drop tied off at the set sag or tension.
    ladder_gone : ClampState
        Ladder taken away; the drop keeps the unstressed length it was tied off with.
    drop_length_m : ndarray of float64, shape (n,)
        Unstressed length of the drop as tied off with the ladder in place, m.
    """

    no_ladder: ClampState
    with_ladder: ClampState
    ladder_gone: ClampState
    drop_length_m: Array


@dataclass(frozen=True, slots=True)
class _Job:
    """Clamps of one kind: ladder before, at or after the clamp along the strand."""

    unloaded: UnloadedStrand
    drop: AttachedDrop
    push_n: Array

    def solve(self, rule: DropRule, kept: Array, *, ladder: bool) -> RestingPoints:
        """Return the points at rest with the drop's rule, with or without the ladder."""
        pieces = self.unloaded.pieces
        if ladder:
            pieces = replace(pieces, load_n=self.push_n)
        return solve_points(pieces, replace(self.drop, rule=rule, kept=kept), self.unloaded.point_m)

    def state(self, rest: RestingPoints) -> ClampState:
        """Return what is told of the points at rest."""
        drop = _drop_of(rest)
        moved = (rest.position_m - self.unloaded.point_m)[:, self.drop.point]
        return ClampState(
            lateral_m=moved[:, 1],
            up_m=moved[:, 2],
            along_m=moved[:, 0],
            air_span_m=drop.span_m,
            sag_m=drop.sag_m,
            drop_tension_max_n=drop.tension_max_n,
            strand_tension_max_n=rest.strand.tension_max_n.max(axis=1),
            residual=rest.residual,
            converged=rest.converged,
        )


def _drop_of(rest: RestingPoints) -> CatenaryState:
    """Return the drop of points that have one."""
    if rest.drop is None:
        message = "the points at rest have no drop."
        raise ValueError(message)
    return rest.drop


def _job(
    strand: dict[str, Array], clamp: Array, drop: dict[str, Array], ladder: dict[str, Array]
) -> _Job:
    """Prepare clamps whose ladders all stand on the same side of the clamp."""
    n = clamp.shape[0]
    offset = ladder["offset_m"]
    side = float(np.sign(offset[0]))
    places = {-1.0: [clamp + offset, clamp], 0.0: [clamp], 1.0: [clamp, clamp + offset]}[side]
    point = 1 if side < 0.0 else 0
    ladder_point = 0 if side < 0.0 else len(places) - 1
    unloaded = unload_strand(strand, np.stack(places, axis=1))
    push = np.zeros((n, len(places), 3))
    push[:, ladder_point, 1] = ladder["toward_house_n"]
    push[:, ladder_point, 2] = -ladder["down_n"]
    reach = np.stack([drop["house_along_m"], drop["house_lateral_m"], drop["house_rise_m"]], axis=1)
    attached = AttachedDrop(
        point=point,
        house_m=unloaded.point_m[:, point] + reach,
        weight_n_per_m=drop["weight_n_per_m"],
        stiffness_n=drop["stiffness_n"],
        rule="sag",
        kept=np.zeros(n),
        factor=np.ones(n),
    )
    return _Job(unloaded, attached, push)


def _three_states(job: _Job, rule: DropRule, kept: Array) -> ClampStates:
    """Solve without ladder, with ladder, and after it, for a drop tied off with the ladder."""
    without = job.solve(rule, kept, ladder=False)
    tied = job.solve(rule, kept, ladder=True)
    length = _drop_of(tied).unstressed_length_m
    gone = job.solve("length", length, ladder=False)
    return ClampStates(job.state(without), job.state(tied), job.state(gone), length)


def _three_states_back(job: _Job, rule: DropRule, kept: Array) -> ClampStates:
    """Solve the same from the sag wanted after the ladder is gone."""
    gone = job.solve(rule, kept, ladder=False)
    length = _drop_of(gone).unstressed_length_m
    tied = job.solve("length", length, ladder=True)
    without = job.solve("sag", _drop_of(tied).sag_m, ladder=False)
    return ClampStates(job.state(without), job.state(tied), job.state(gone), length)


def _two_states_back(job: _Job, rule: DropRule, kept: Array) -> ClampStates:
    """Solve after the ladder and with it; the state without one is that after it."""
    gone = job.solve(rule, kept, ladder=False)
    length = _drop_of(gone).unstressed_length_m
    tied = job.solve("length", length, ladder=True)
    after = job.state(gone)
    return ClampStates(after, job.state(tied), after, length)


_NO_LADDER = LadderLoad(toward_house_n=0.0, down_n=0.0)


def _one_state(job: _Job, rule: DropRule, kept: Array) -> ClampStates:
    """Solve without a ladder only; all three states are that one."""
    rest = job.solve(rule, kept, ladder=False)
    state = job.state(rest)
    return ClampStates(state, state, state, _drop_of(rest).unstressed_length_m)


def _one_loaded_state(job: _Job, rule: DropRule, kept: Array) -> ClampStates:
    """Solve with a ladder only; all three states are that one."""
    rest = job.solve(rule, kept, ladder=True)
    state = job.state(rest)
    return ClampStates(state, state, state, _drop_of(rest).unstressed_length_m)


def _solve_sides(
    strand: Strand,
    clamp_m: npt.ArrayLike,
    drop: Drop,
    ladder: LadderLoad,
    rule: DropRule,
    kept: Array,
    solve: Callable[[_Job, DropRule, Array], ClampStates],
) -> ClampStates:
    """Solve clamps by the side that the ladder stands on, and put them back in order."""
    groups = [
        strand_columns(strand),
        checked_fields(drop, _DROP_RULES),
        checked_fields(ladder, _LADDER_RULES),
        {"clamp_m": checked("clamp_m", clamp_m, "positive"), "kept": kept},
    ]
    n = count_items(*groups)
    strands, drops, ladders, rest = (spread(n, group) for group in groups)
    offset = ladders["offset_m"]
    near = (offset != 0.0) & (np.abs(offset) < MIN_LADDER_OFFSET_M)
    refuse("offset_m", near, offset, f"0, or at least {MIN_LADDER_OFFSET_M} from the clamp")
    parts: list[tuple[npt.NDArray[np.intp], ClampStates]] = []
    for side in (-1.0, 0.0, 1.0):
        chosen = np.flatnonzero(np.sign(offset) == side)
        if chosen.size:
            s, d, lad = ({k: v[chosen] for k, v in g.items()} for g in (strands, drops, ladders))
            job = _job(s, rest["clamp_m"][chosen], d, lad)
            parts.append((chosen, solve(job, rule, rest["kept"][chosen])))
    order = np.argsort(np.concatenate([chosen for chosen, _ in parts]))

    def joined(states: list[ClampState]) -> ClampState:
        """Return the states of all sides in the order of the input."""
        return ClampState(
            *(
                np.concatenate([getattr(state, f.name) for state in states])[order]
                for f in fields(ClampState)
            )
        )

    solved = [states for _, states in parts]
    return ClampStates(
        no_ladder=joined([s.no_ladder for s in solved]),
        with_ladder=joined([s.with_ladder for s in solved]),
        ladder_gone=joined([s.ladder_gone for s in solved]),
        drop_length_m=np.concatenate([s.drop_length_m for s in solved])[order],
    )


def solve_clamp(
    strand: Strand,
    clamp_m: npt.ArrayLike,
    drop: Drop,
    ladder: LadderLoad,
    *,
    sag_m: npt.ArrayLike | None = None,
    horizontal_tension_n: npt.ArrayLike | None = None,
) -> ClampStates:
    """Solve n clamps for a drop tied off while ladder and person are on the strand.

    Parameters
    ----------
    strand : Strand
        Fields of shape (n,) or ().
    clamp_m : array_like of float, shape (n,) or ()
        Places of the clamps along the unloaded strand, m, inside the span.
    drop : Drop
        Fields of shape (n,) or ().
    ladder : LadderLoad
        Fields of shape (n,) or ().
    sag_m : array_like of float or None
        Greatest sag that the drop is tied off at, m, > 0.
    horizontal_tension_n : array_like of float or None
        Horizontal tension that the drop is tied off at, N, > 0, instead of a sag.

    Returns
    -------
    ClampStates
        Without ladder (tied off at the same sag or tension), with it, and after it is gone.

    Raises
    ------
    ValueError
        If an item is out of range, or not just one of sag and tension is given.

    Notes
    -----
    Strand pieces and drop are exact elastic catenaries in three dimensions, so the drop may
    leave at any angle. Poles are taken as rigid, and the clamp as held on the strand.
    """
    if sag_m is not None and horizontal_tension_n is None:
        kept = checked("sag_m", sag_m, "positive")
        return _solve_sides(strand, clamp_m, drop, ladder, "sag", kept, _three_states)
    if horizontal_tension_n is not None and sag_m is None:
        kept = checked("horizontal_tension_n", horizontal_tension_n, "positive")
        return _solve_sides(strand, clamp_m, drop, ladder, "tension", kept, _three_states)
    message = "give just one of sag_m and horizontal_tension_n."
    raise ValueError(message)


def solve_clamp_for_final_sag(
    strand: Strand,
    clamp_m: npt.ArrayLike,
    drop: Drop,
    ladder: LadderLoad,
    sag_after_m: npt.ArrayLike,
) -> ClampStates:
    """Solve n clamps for the sag that is wanted once the ladder is gone.

    Parameters
    ----------
    strand, clamp_m, drop, ladder : as in `solve_clamp`
        Strands, clamps, drops and ladder loads.
    sag_after_m : array_like of float
        Greatest sag wanted after the ladder is gone, m, > 0.

    Returns
    -------
    ClampStates
        `with_ladder.sag_m` is the sag to set while the ladder is in place; `no_ladder` holds
        the drop tied off at that same sag without a ladder.

    Raises
    ------
    ValueError
        If an item is out of range.

    Notes
    -----
    Not a search: the state without ladder gives the drop's unstressed length, and that length
    with the ladder gives the sag to set.
    """
    kept = checked("sag_after_m", sag_after_m, "positive")
    return _solve_sides(strand, clamp_m, drop, ladder, "sag", kept, _three_states_back)


def solve_clamp_before_and_after(
    strand: Strand,
    clamp_m: npt.ArrayLike,
    drop: Drop,
    ladder: LadderLoad,
    sag_after_m: npt.ArrayLike,
) -> tuple[ClampState, ClampState, Array]:
    """Solve n clamps for the sag wanted once the ladder is gone, with the ladder and after it.

    Parameters
    ----------
    strand, clamp_m, drop, ladder, sag_after_m
        As in `solve_clamp_for_final_sag`.

    Returns
    -------
    with_ladder, ladder_gone : ClampState
        The same as there; the state tied off without a ladder is not worked out.
    drop_length_m : ndarray of float64, shape (n,)
        Unstressed length of each drop, m.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    kept = checked("sag_after_m", sag_after_m, "positive")
    states = _solve_sides(strand, clamp_m, drop, ladder, "sag", kept, _two_states_back)
    return states.with_ladder, states.ladder_gone, states.drop_length_m


def solve_clamp_at_sag(
    strand: Strand, clamp_m: npt.ArrayLike, drop: Drop, sag_m: npt.ArrayLike
) -> tuple[ClampState, Array]:
    """Solve n clamps without a ladder for drops of known sag.

    Parameters
    ----------
    strand, clamp_m, drop : as in `solve_clamp`
        Strands, clamps and drops.
    sag_m : array_like of float
        Greatest sag of the drop, m, > 0.

    Returns
    -------
    state : ClampState
        The clamps at rest.
    drop_length_m : ndarray of float64, shape (n,)
        Unstressed length of each drop, m.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    kept = checked("sag_m", sag_m, "positive")
    states = _solve_sides(strand, clamp_m, drop, _NO_LADDER, "sag", kept, _one_state)
    return states.ladder_gone, states.drop_length_m


def solve_clamp_with_length(
    strand: Strand,
    clamp_m: npt.ArrayLike,
    drop: Drop,
    drop_length_m: npt.ArrayLike,
    ladder: LadderLoad | None = None,
) -> ClampState:
    """Solve n clamps for drops of known unstressed length, with a ladder or without.

    Parameters
    ----------
    strand : Strand
        Fields of shape (n,) or (); ice and warming as in the load case.
    clamp_m : array_like of float, shape (n,) or ()
        Places of the clamps along the unloaded strand, m, inside the span.
    drop : Drop
        Fields of shape (n,) or (); the house is placed from the clamp on the unloaded strand in
        the same load case, the weight holds any ice.
    drop_length_m : array_like of float, shape (n,) or ()
        Unstressed length of the drop in the load case, m, > 0.
    ladder : LadderLoad or None
        Fields of shape (n,) or (); None: nothing leans on the strand.

    Returns
    -------
    ClampState
        Displacements from the strand as it hangs unloaded in that load case.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    kept = checked("drop_length_m", drop_length_m, "positive")
    load, solve = (_NO_LADDER, _one_state) if ladder is None else (ladder, _one_loaded_state)
    return _solve_sides(strand, clamp_m, drop, load, "length", kept, solve).with_ladder
