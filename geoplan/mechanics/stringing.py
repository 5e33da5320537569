"""Tabulate the sag and tension to string drops to, by temperature.

*Enters*: spans, wires, unstressed lengths at a reference temperature, temperatures.
*Leaves*: `StringingTable`: sag and tension as (n, k) arrays.
*Does not do*: choose the sag, or round the table for print.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, checked
from geoplan.mechanics.catenary import CatenaryState
from geoplan.mechanics.change_of_state import Wire, solve_weather
from geoplan.mechanics.loading import LoadCase


@dataclass(frozen=True, slots=True)
class StringingTable:
    """Sag and tension of n drops at k temperatures, no ice and no wind.

    Attributes
    ----------
    temperature_c : ndarray of float64, shape (k,)
        Temperatures of the wire, C.
    sag_m : ndarray of float64, shape (n, k)
        Greatest vertical distance below the chord, m.
    horizontal_tension_n, tension_max_n : ndarray of float64, shape (n, k)
        Horizontal tension and greatest tension, N.
    converged : ndarray of bool, shape (n, k)
        Whether the solution is.
    wires : CatenaryState
        The wires, for their height at any place; arrays of shape (n, k).
    """

    temperature_c: Array
    sag_m: Array
    horizontal_tension_n: Array
    tension_max_n: Array
    converged: npt.NDArray[np.bool_]
    wires: CatenaryState


def build_stringing_table(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    unstressed_length_m: npt.ArrayLike,
    reference_temperature_c: npt.ArrayLike,
    wire: Wire,
    temperature_c: npt.ArrayLike,
) -> StringingTable:
    """Return sag and tension of each drop at each temperature.

    Parameters
    ----------
    span_m, rise_m : array_like of float, shape (n,) or ()
        Horizontal distance (> 0) and height difference of the supports, m.
    unstressed_length_m : array_like of float, shape (n,) or ()
        Length without tension at the reference temperature, m, > 0.
    reference_temperature_c : array_like of float, shape (n,) or ()
        Temperature that the length holds for, C.
    wire : Wire
        Fields of shape (n,) or ().
    temperature_c : array_like of float, shape (k,)
        Temperatures of the table, C.

    Returns
    -------
    StringingTable
        Arrays of shape (n, k).

    Raises
    ------
    ValueError
        If an item is out of range or the shapes don't fit.
    """
    temperatures = np.atleast_1d(checked("temperature_c", temperature_c, "finite"))
    state = solve_weather(
        span_m,
        rise_m,
        unstressed_length_m,
        reference_temperature_c,
        wire,
        LoadCase(temperature_c=temperatures),
    )
    return StringingTable(
        temperature_c=temperatures,
        sag_m=state.sag_m,
        horizontal_tension_n=state.horizontal_tension_n,
        tension_max_n=state.tension_max_n,
        converged=state.converged,
        wires=state.in_plane,
    )
