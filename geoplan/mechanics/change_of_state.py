"""Find how hung wires lie and pull in any weather, from their unstressed length.

*Enters*: spans, wires, their unstressed length at a reference temperature, weather cases.
*Leaves*: `WeatherState`: tensions, vertical sag, sideways swing, low point, as (n, m) arrays.
*Does not do*: creep or other lasting stretch; movement of the supports.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, broadcast, checked, refuse
from geoplan.mechanics.catenary import CatenaryState, point_at_slope, sag_at, solve_catenary
from geoplan.mechanics.loading import LoadCase, LoadedWire, load_wire


@dataclass(frozen=True, slots=True)
class Wire:
    """Properties of wires; the fields broadcast against each other.

    Attributes
    ----------
    weight_n_per_m : array_like of float
        Weight per unstressed metre, N/m, > 0.
    diameter_m : array_like of float
        Diameter, or the larger width of a flat wire, m, > 0.
    stiffness_n : array_like of float
        EA, N, > 0.
    expansion_per_c : array_like of float
        Thermal expansion, 1/C, either sign.
    """

    weight_n_per_m: npt.ArrayLike
    diameter_m: npt.ArrayLike
    stiffness_n: npt.ArrayLike
    expansion_per_c: npt.ArrayLike


@dataclass(frozen=True, slots=True)
class WeatherState:
    """Wires at rest in weather; every array has shape (n, m), n spans by m cases.

    Attributes
    ----------
    tension_start_n, tension_end_n, tension_max_n : ndarray of float64
        Tension at the supports and the larger of the two, constant included, N.
    horizontal_tension_n : ndarray of float64
        Component along the span's horizontal direction, constant included, N.
    sag_m : ndarray of float64
        Greatest vertical distance below the chord, m.
    swing_m : ndarray of float64
        Greatest sideways distance from the chord, with the wind, m.
    low_point_m, low_point_below_start_m : ndarray of float64
        Place along the span, 0 to span, and depth below the start of the lowest point, m.
    length_m : ndarray of float64
        Stretched length, m.
    loads : LoadedWire
        The loads that were applied.
    in_plane : CatenaryState
        The wires in the plane that the wind tilts them to.
    converged : ndarray of bool
        Whether every solution is.
    """

    tension_start_n: Array
    tension_end_n: Array
    tension_max_n: Array
    horizontal_tension_n: Array
    sag_m: Array
    swing_m: Array
    low_point_m: Array
    low_point_below_start_m: Array
    length_m: Array
    loads: LoadedWire
    in_plane: CatenaryState
    converged: npt.NDArray[np.bool_]


def length_at_temperature(
    unstressed_length_m: npt.ArrayLike,
    expansion_per_c: npt.ArrayLike,
    temperature_rise_c: npt.ArrayLike,
) -> Array:
    """Return the unstressed length at another temperature.

    Parameters
    ----------
    unstressed_length_m : array_like of float
        Length without tension at the reference temperature, m, > 0.
    expansion_per_c : array_like of float
        Thermal expansion, 1/C.
    temperature_rise_c : array_like of float
        Temperature less the reference, C.

    Returns
    -------
    ndarray of float64
        L (1 + a dT), m.

    Raises
    ------
    ValueError
        If an item is not finite, or nothing would be left of the length.
    """
    length, expansion, warmer = broadcast(
        unstressed_length_m=checked("unstressed_length_m", unstressed_length_m, "positive"),
        expansion_per_c=checked("expansion_per_c", expansion_per_c, "finite"),
        temperature_rise_c=checked("temperature_rise_c", temperature_rise_c, "finite"),
    )
    growth = 1.0 + expansion * warmer
    refuse("temperature_rise_c", growth <= 0.0, warmer, "such that the wire keeps some length")
    grown: Array = length * growth
    return grown


def _column(values: npt.ArrayLike) -> Array:
    """Return values per span as a column, so that cases can stand beside them."""
    array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    return array[:, None] if array.ndim == 1 else array


def solve_weather(
    span_m: npt.ArrayLike,
    rise_m: npt.ArrayLike,
    unstressed_length_m: npt.ArrayLike,
    reference_temperature_c: npt.ArrayLike,
    wire: Wire,
    case: LoadCase,
) -> WeatherState:
    """Solve n spans in m weather cases.

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
    case : LoadCase
        Fields of shape (m,) or ().

    Returns
    -------
    WeatherState
        Arrays of shape (n, m).

    Raises
    ------
    ValueError
        If an item is out of range or the shapes don't fit.

    Notes
    -----
    Weight, ice and an even wind square to the span have one direction all along the wire, so it
    lies in one tilted plane. In it the wire is a catenary with the resultant load, whose "rise"
    is the chord's part against the load and whose "span" is the rest; sag and swing are the
    plane sag times cosine and sine of the tilt. The constant of a case is added to the
    resultant for the tensions only: sag, swing, low point and length are without it.
    """
    loads = load_wire(_column(wire.weight_n_per_m), _column(wire.diameter_m), case)
    span = checked("span_m", _column(span_m), "positive")
    rise = checked("rise_m", _column(rise_m), "finite")
    warmer = checked("temperature_c", case.temperature_c, "finite") - checked(
        "reference_temperature_c", _column(reference_temperature_c), "finite"
    )
    length = length_at_temperature(
        _column(unstressed_length_m), _column(wire.expansion_per_c), warmer
    )
    stiffness = checked("stiffness_n", _column(wire.stiffness_n), "positive")
    cosine = loads.vertical_n_per_m / loads.resultant_n_per_m
    sine = loads.wind_n_per_m / loads.resultant_n_per_m
    plane_span = np.sqrt(span * span + (rise * sine) ** 2)
    plane_rise = rise * cosine
    shape = solve_catenary(plane_span, plane_rise, length, loads.resultant_n_per_m, stiffness)
    pull = shape
    if (loads.total_n_per_m > loads.resultant_n_per_m).any():
        pull = solve_catenary(plane_span, plane_rise, length, loads.total_n_per_m, stiffness)
    low, below = _low_point(shape, span, rise, cosine, sine)
    return WeatherState(
        tension_start_n=pull.tension_start_n,
        tension_end_n=pull.tension_end_n,
        tension_max_n=pull.tension_max_n,
        horizontal_tension_n=pull.horizontal_tension_n * span / pull.span_m,
        sag_m=shape.sag_m * cosine,
        swing_m=shape.sag_m * sine,
        low_point_m=low,
        low_point_below_start_m=below,
        length_m=shape.length_m,
        loads=loads,
        in_plane=shape,
        converged=shape.converged & pull.converged,
    )


def _low_point(
    shape: CatenaryState, span: Array, rise: Array, cosine: Array, sine: Array
) -> tuple[Array, Array]:
    """Return place along the span and depth below the start of the lowest point."""
    if not sine.any():
        return shape.low_point_m, shape.low_point_below_start_m
    # Height is rise * x / span less cosine * plane sag; it is level where the plane slope is:
    slope = -rise * sine * sine / (cosine * shape.span_m)
    x, height = point_at_slope(shape, slope)
    part = x / shape.span_m
    plane_sag = shape.rise_m * part - height
    below = cosine * plane_sag - rise * part
    below = np.where(part < 0.0, 0.0, np.where(part > 1.0, -rise, below))
    return span * np.clip(part, 0.0, 1.0), below


def weather_height_at(state: WeatherState, rise_m: npt.ArrayLike, part: npt.ArrayLike) -> Array:
    """Return the height of wires in weather above their start support.

    Parameters
    ----------
    state : WeatherState
        Solved spans, n by m.
    rise_m : array_like of float, shape (n,) or ()
        Height difference of the supports, as solved, m.
    part : array_like of float, shape (k,) or (n, m, k)
        Places along the span as parts of it, 0 to 1.

    Returns
    -------
    ndarray of float64, shape (n, m, k)
        Heights above the start support, m, positive up.

    Raises
    ------
    ValueError
        If a part is outside 0 to 1.
    """
    parts = checked("part", part, "not_negative")
    plane_sag = sag_at(state.in_plane, parts * state.in_plane.span_m[..., None])
    cosine = (state.loads.vertical_n_per_m / state.loads.resultant_n_per_m)[..., None]
    rise = checked("rise_m", _column(rise_m), "finite")[..., None]
    height: Array = rise * parts - cosine * plane_sag
    return height
