"""Turn ice, wind and temperature into load per metre of wire.

*Enters*: wire weight and diameter, and weather cases, as arrays.
*Leaves*: `LoadedWire`: vertical, wind, resultant and total load, swing angle, as arrays.
*Does not do*: say which weather a district has (that is rule data), or solve spans.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.mechanics.arguments import Array, broadcast, checked

STANDARD_GRAVITY_M_PER_S2 = 9.80665
"""Standard acceleration of free fall (exact by definition)."""


@dataclass(frozen=True, slots=True)
class LoadCase:
    """Weather cases; the fields broadcast against each other and against the wires.

    Attributes
    ----------
    temperature_c : array_like of float
        Temperature of the wire, C.
    ice_thickness_m : array_like of float
        Radial thickness of ice, m, zero or more.
    ice_density_kg_per_m3 : array_like of float
        Density of ice, kg/m3, zero or more; it doesn't matter where there is no ice.
    wind_pa : array_like of float
        Wind pressure on the projected area, square to the span, Pa, zero or more.
    constant_n_per_m : array_like of float
        Constant added to the resultant for tensions only, N/m, zero or more.
    """

    temperature_c: npt.ArrayLike
    ice_thickness_m: npt.ArrayLike = 0.0
    ice_density_kg_per_m3: npt.ArrayLike = 0.0
    wind_pa: npt.ArrayLike = 0.0
    constant_n_per_m: npt.ArrayLike = 0.0


@dataclass(frozen=True, slots=True)
class LoadedWire:
    """Loads per metre of wire, arrays of one shape.

    Attributes
    ----------
    vertical_n_per_m : ndarray of float64
        Wire and ice, N/m, down.
    wind_n_per_m : ndarray of float64
        Wind, N/m, square to the span.
    resultant_n_per_m : ndarray of float64
        Both together; sets the shape, N/m.
    total_n_per_m : ndarray of float64
        Resultant and constant; sets the tensions, N/m.
    swing_deg : ndarray of float64
        Angle of the wire's plane from the vertical, degrees.
    """

    vertical_n_per_m: Array
    wind_n_per_m: Array
    resultant_n_per_m: Array
    total_n_per_m: Array
    swing_deg: Array


def ice_weight(
    diameter_m: npt.ArrayLike,
    ice_thickness_m: npt.ArrayLike,
    ice_density_kg_per_m3: npt.ArrayLike,
    gravity_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2,
) -> Array:
    """Return the weight of an even sleeve of ice per metre of wire.

    Parameters
    ----------
    diameter_m : array_like of float
        Diameter of the bare wire, m, > 0; for a flat wire its larger width.
    ice_thickness_m : array_like of float
        Radial thickness, m, zero or more.
    ice_density_kg_per_m3 : array_like of float
        Density of the ice, kg/m3, zero or more.
    gravity_m_per_s2 : float
        Acceleration of free fall; the default is the standard value.

    Returns
    -------
    ndarray of float64
        g rho pi t (d + t), N/m.

    Raises
    ------
    ValueError
        If an item is out of range.

    Examples
    --------
    >>> round(float(ice_weight(0.011, 0.010, 915.0, gravity_m_per_s2=9.81)), 3)
    5.922
    """
    diameter, ice, density = broadcast(
        diameter_m=checked("diameter_m", diameter_m, "positive"),
        ice_thickness_m=checked("ice_thickness_m", ice_thickness_m, "not_negative"),
        ice_density_kg_per_m3=checked(
            "ice_density_kg_per_m3", ice_density_kg_per_m3, "not_negative"
        ),
    )
    weight: Array = gravity_m_per_s2 * density * np.pi * ice * (diameter + ice)
    return weight


def wind_load(
    diameter_m: npt.ArrayLike, ice_thickness_m: npt.ArrayLike, wind_pa: npt.ArrayLike
) -> Array:
    """Return the wind load per metre of bare or iced wire.

    Parameters
    ----------
    diameter_m : array_like of float
        Diameter of the bare wire, m, > 0; for a flat wire its larger width.
    ice_thickness_m : array_like of float
        Radial thickness of ice, m, zero or more.
    wind_pa : array_like of float
        Pressure on the projected area, Pa, zero or more.

    Returns
    -------
    ndarray of float64
        p (d + 2 t), N/m.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    diameter, ice, wind = broadcast(
        diameter_m=checked("diameter_m", diameter_m, "positive"),
        ice_thickness_m=checked("ice_thickness_m", ice_thickness_m, "not_negative"),
        wind_pa=checked("wind_pa", wind_pa, "not_negative"),
    )
    load: Array = wind * (diameter + 2.0 * ice)
    return load


def load_wire(
    weight_n_per_m: npt.ArrayLike, diameter_m: npt.ArrayLike, case: LoadCase
) -> LoadedWire:
    """Return the loads on wires in weather cases.

    Parameters
    ----------
    weight_n_per_m : array_like of float, shape (n, 1) or ()
        Weight of the bare wire, N/m, > 0.
    diameter_m : array_like of float, shape (n, 1) or ()
        Diameter of the bare wire, m, > 0.
    case : LoadCase
        Weather, fields of shape (m,) or ().

    Returns
    -------
    LoadedWire
        Arrays in the broadcast shape, as (n, m).

    Raises
    ------
    ValueError
        If an item is out of range.

    Notes
    -----
    resultant = sqrt((w + ice)^2 + wind^2), total = resultant + constant.

    References
    ----------
    ANSI C2 rule 251B (from memory).
    """
    ice = ice_weight(diameter_m, case.ice_thickness_m, case.ice_density_kg_per_m3)
    wind = wind_load(diameter_m, case.ice_thickness_m, case.wind_pa)
    bare, ice, wind, constant, _ = broadcast(
        weight_n_per_m=checked("weight_n_per_m", weight_n_per_m, "positive"),
        ice=ice,
        wind=wind,
        constant_n_per_m=checked("constant_n_per_m", case.constant_n_per_m, "not_negative"),
        temperature_c=checked("temperature_c", case.temperature_c, "finite"),
    )
    vertical = bare + ice
    resultant = np.sqrt(vertical * vertical + wind * wind)
    return LoadedWire(
        vertical_n_per_m=vertical,
        wind_n_per_m=np.array(wind),
        resultant_n_per_m=resultant,
        total_n_per_m=resultant + constant,
        swing_deg=np.degrees(np.arctan2(wind, vertical)),
    )


def swing_out(
    sag_m: npt.ArrayLike, vertical_n_per_m: npt.ArrayLike, wind_n_per_m: npt.ArrayLike
) -> Array:
    """Return how far the wind moves the wire sideways where it sags most.

    Parameters
    ----------
    sag_m : array_like of float
        Sag in the wire's tilted plane, m, zero or more.
    vertical_n_per_m : array_like of float
        Weight of wire and ice, N/m, > 0.
    wind_n_per_m : array_like of float
        Wind load, N/m, zero or more.

    Returns
    -------
    ndarray of float64
        Sideways distance from the chord, m, with the wind.

    Raises
    ------
    ValueError
        If an item is out of range.
    """
    sag, vertical, wind = broadcast(
        sag_m=checked("sag_m", sag_m, "not_negative"),
        vertical_n_per_m=checked("vertical_n_per_m", vertical_n_per_m, "positive"),
        wind_n_per_m=checked("wind_n_per_m", wind_n_per_m, "not_negative"),
    )
    out: Array = sag * wind / np.sqrt(vertical * vertical + wind * wind)
    return out
