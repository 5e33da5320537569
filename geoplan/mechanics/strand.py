"""Find how far point loads displace a strand.

*Enters*: strands between two poles, places and forces of point loads, as arrays over n strands.
*Leaves*: `StrandDisplacement`: displacements of the loaded points, and tensions.
*Does not do*: drops and ladders (see `clamp`); poles and guys that give way.

Axes: along the strand from its start, lateral positive toward the house, up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import (
    Array,
    Rule,
    broadcast,
    checked,
    checked_fields,
    count_items,
    refuse,
    spread,
)
from geoplan.mechanics.catenary import height_at, solve_catenary, unstressed_length_to
from geoplan.mechanics.change_of_state import length_at_temperature
from geoplan.mechanics.equilibrium import Pieces, solve_points
from geoplan.mechanics.unstressed_length import length_from_horizontal_tension


@dataclass(frozen=True, slots=True)
class Strand:
    """Strands between two poles with the cable lashed to them; fields broadcast over n.

    Attributes
    ----------
    span_m, rise_m : array_like of float
        Horizontal distance (> 0) and height difference of the attachments, m.
    weight_n_per_m : array_like of float
        Weight of strand and lashed cable per metre, N/m, > 0.
    stiffness_n : array_like of float
        EA of the strand, N, > 0.
    horizontal_tension_n : array_like of float
        Horizontal tension of the span at the reference temperature, without ice and drops, N.
    ice_n_per_m : array_like of float
        Ice on it now, N/m, zero or more.
    expansion_per_c : array_like of float
        Thermal expansion, 1/C.
    temperature_rise_c : array_like of float
        Temperature now less the reference, C.
    """

    span_m: npt.ArrayLike
    rise_m: npt.ArrayLike
    weight_n_per_m: npt.ArrayLike
    stiffness_n: npt.ArrayLike
    horizontal_tension_n: npt.ArrayLike
    ice_n_per_m: npt.ArrayLike = 0.0
    expansion_per_c: npt.ArrayLike = 0.0
    temperature_rise_c: npt.ArrayLike = 0.0


@dataclass(frozen=True, slots=True)
class StrandDisplacement:
    """Strand points under given loads.

    Attributes
    ----------
    along_m, lateral_m, up_m : ndarray of float64, shape (n, k)
        Displacement of the loaded points from the unloaded strand, m.
    tension_max_n : ndarray of float64, shape (n,)
        Greatest tension of the strand, N.
    residual : ndarray of float64, shape (n,)
        Greatest force out of balance over the greatest tension.
    converged : ndarray of bool, shape (n,)
        Whether the residual is 1e-8 or less.
    """

    along_m: Array
    lateral_m: Array
    up_m: Array
    tension_max_n: Array
    residual: Array
    converged: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class UnloadedStrand:
    """Unloaded strands cut at k points.

    Attributes
    ----------
    pieces : Pieces
        Pieces without loads.
    point_m : ndarray of float64, shape (n, k, 3)
        The points (along, lateral, up), m.
    """

    pieces: Pieces
    point_m: Array


_RULES: dict[str, Rule] = {
    "span_m": "positive",
    "weight_n_per_m": "positive",
    "stiffness_n": "positive",
    "horizontal_tension_n": "positive",
    "ice_n_per_m": "not_negative",
}


def strand_columns(strand: Strand) -> dict[str, Array]:
    """Return the checked fields of strands by name.

    Parameters
    ----------
    strand : Strand
        Fields of shape (n,) or ().

    Returns
    -------
    dict of str to ndarray of float64
        Arrays in their own shapes.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    return checked_fields(strand, _RULES)


def unload_strand(strand: dict[str, Array], place_m: Array) -> UnloadedStrand:
    """Cut unloaded strands, as they hang now, at places along them.

    Parameters
    ----------
    strand : dict of str to ndarray of float64, shape (n,)
        Columns of `Strand`, as from `strand_columns`.
    place_m : ndarray of float64, shape (n, k)
        Horizontal distances from the start, m, rising, inside the span.

    Returns
    -------
    UnloadedStrand
        Pieces and points.

    Raises
    ------
    ValueError
        If a place is outside the span.
    """
    span, rise = strand["span_m"], strand["rise_m"]
    wrong = (place_m <= 0.0) | (place_m >= span[:, None])
    refuse("position_m", wrong, place_m, "within the strand's span")
    length = length_from_horizontal_tension(
        span,
        rise,
        strand["horizontal_tension_n"],
        strand["weight_n_per_m"],
        strand["stiffness_n"],
    )
    length = length_at_temperature(length, strand["expansion_per_c"], strand["temperature_rise_c"])
    weight = strand["weight_n_per_m"] + strand["ice_n_per_m"]
    state = solve_catenary(span, rise, length, weight, strand["stiffness_n"])
    cut = unstressed_length_to(state, place_m)
    zero = np.zeros_like(span)
    cuts = np.concatenate([zero[:, None], cut, length[:, None]], axis=1)
    up = height_at(state, place_m)
    pieces = Pieces(
        start_m=np.stack([zero, zero, zero], axis=1),
        end_m=np.stack([span, zero, rise], axis=1),
        length_m=np.diff(cuts, axis=1),
        weight_n_per_m=weight,
        stiffness_n=strand["stiffness_n"],
        load_n=np.zeros((*place_m.shape, 3)),
    )
    return UnloadedStrand(pieces, np.stack([place_m, np.zeros_like(up), up], axis=2))


def displace_strand(
    strand: Strand,
    position_m: npt.ArrayLike,
    lateral_n: npt.ArrayLike,
    down_n: npt.ArrayLike,
    along_n: npt.ArrayLike = 0.0,
) -> StrandDisplacement:
    """Return how far point loads displace strands.

    Parameters
    ----------
    strand : Strand
        Fields of shape (n,) or ().
    position_m : array_like of float, shape (n, k) or (k,)
        Places of the loads along the unloaded strand, m, rising, inside the span.
    lateral_n, down_n, along_n : array_like of float, shape (n, k), (k,) or ()
        Forces on the strand: toward the house, downward, and toward the strand's end, N.

    Returns
    -------
    StrandDisplacement
        Displacements from the unloaded strand, n by k, and tensions.

    Raises
    ------
    ValueError
        If an item is out of range or the places don't rise.

    Notes
    -----
    Each piece of strand between loads is an exact elastic catenary of the unstressed length it
    had before, so length compatibility and elastic stretch hold piece by piece and the
    horizontal tension may differ between pieces when a load pulls along the strand.
    """
    columns = strand_columns(strand)
    place, lateral, down, along = broadcast(
        position_m=np.atleast_1d(checked("position_m", position_m, "finite")),
        lateral_n=checked("lateral_n", lateral_n, "finite"),
        down_n=checked("down_n", down_n, "finite"),
        along_n=checked("along_n", along_n, "finite"),
    )
    n = count_items(columns, {"position_m": place[..., 0]})
    shape = (n, place.shape[-1])
    place, lateral, down, along = (np.broadcast_to(a, shape) for a in (place, lateral, down, along))
    falls = np.diff(place, axis=1) <= 0.0
    refuse("position_m", falls, place[:, 1:], "rising along the strand")
    unloaded = unload_strand(spread(n, columns), place)
    pieces = replace(unloaded.pieces, load_n=np.stack([along, lateral, -down], axis=2))
    rest = solve_points(pieces, None, unloaded.point_m)
    moved = rest.position_m - unloaded.point_m
    return StrandDisplacement(
        along_m=moved[..., 0],
        lateral_m=moved[..., 1],
        up_m=moved[..., 2],
        tension_max_n=rest.strand.tension_max_n.max(axis=1),
        residual=rest.residual,
        converged=rest.converged,
    )
