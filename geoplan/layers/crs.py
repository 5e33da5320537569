"""Coordinate reference systems: the project's, the same in metres, and each layer's into it.

Enters: CRS as text or objects, coordinates as arrays.
Leaves: a `CrsReport` and transformed geometries.
Does not do: read files.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.exceptions import CRSError, ProjError

from geoplan.errors import CrsError
from geoplan.model import CrsReport

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]

FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200.0 / 3937.0
MAX_SCALE_ERROR = 0.002
"""Largest error of lengths that a project CRS may bring: 0.2 %, a hand's width in a span."""
_ANY_LONGITUDE, _ANY_LATITUDE = 360.0, 90.0
_UTM_SOUTH, _UTM_NORTH = -80.0, 84.0
_FAR_M = 1e6
_MOST_ON_EARTH_M = 1e8
"""Twice round the Earth, with room for eastings that begin with the number of a zone."""
_SAME_UNIT = 1e-10
"""A definition's printed foot differs from the exact one by less than this share."""
_WGS84 = CRS.from_epsg(4326)


def parse_crs(text: str, where: str) -> CRS:
    """Read a CRS from what a user wrote.

    Parameters
    ----------
    text : str
        For example ``"EPSG:26915"``, or WKT.
    where : str
        How a message names the place.

    Returns
    -------
    pyproj.CRS
        Its horizontal part.

    Raises
    ------
    CrsError
        If it is not a CRS.
    """
    try:
        return horizontal(CRS.from_user_input(text))
    except CRSError as error:
        raise CrsError(
            where,
            f"'{text}' is not a coordinate reference system",
            'Write for example "EPSG:26915".',
        ) from error


def horizontal(crs: CRS) -> CRS:
    """Return the horizontal part of a CRS, without heights and datum shifts of its own.

    Parameters
    ----------
    crs : pyproj.CRS
        Any.

    Returns
    -------
    pyproj.CRS
        Two-dimensional.
    """
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    if crs.is_bound and crs.source_crs is not None:
        return horizontal(crs.source_crs)
    return crs.to_2d() if len(crs.axis_info) > len("xy") else crs


def layer_crs(layer: str, found: CRS | None, override: str | None) -> CRS:
    """Return the CRS a layer is read in.

    Parameters
    ----------
    layer : str
        Layer.
    found : pyproj.CRS or None
        What the file says.
    override : str or None
        What the project says; it goes before the file.

    Returns
    -------
    pyproj.CRS
        Horizontal part.

    Raises
    ------
    CrsError
        If neither says one, or it is neither geographic nor projected.
    """
    where = f"layer {layer}"
    if override is not None:
        crs = parse_crs(override, f"project, key layers.{layer}.crs")
    elif found is None:
        raise CrsError(
            where,
            "has no coordinate reference system",
            f'Set crs = "EPSG:..." under [layers.{layer}].',
        )
    else:
        crs = horizontal(found)
    if not (crs.is_projected or crs.is_geographic):
        raise CrsError(
            where,
            f"its CRS '{crs.name}' is neither projected nor in degrees",
            f'Set crs = "EPSG:..." under [layers.{layer}].',
        )
    return crs


def check_coordinates(layer: str, crs: CRS, bounds: FloatArray) -> None:
    """Refuse coordinates that cannot be of their CRS.

    Parameters
    ----------
    layer : str
        Layer.
    crs : pyproj.CRS
        Its CRS.
    bounds : ndarray of float64, shape (n, 4)
        Bounds of its geometries in that CRS; NaN rows are ignored.

    Raises
    ------
    CrsError
        If all coordinates of a projected layer look like degrees, or most of a geographic
        layer are beyond 360 and 90 degrees.
    """
    bounds = bounds[np.isfinite(bounds).all(axis=1)]
    if not len(bounds):
        return
    x, y = np.abs(bounds[:, [0, 2]]), np.abs(bounds[:, [1, 3]])
    shown = f"({bounds[0, 0]:.6g}, {bounds[0, 1]:.6g})"
    if crs.is_projected and (x <= _ANY_LONGITUDE / 2.0).all() and (y <= _ANY_LATITUDE).all():
        where = f"layer {layer}"
        raise CrsError(
            where,
            f"its coordinates, such as {shown}, look like degrees, but its CRS is '{crs.name}'",
            f'Set crs = "EPSG:4326" under [layers.{layer}], or correct the coordinates.',
        )
    beyond = (x > _ANY_LONGITUDE).any(axis=1) | (y > _ANY_LATITUDE).any(axis=1)
    if crs.is_geographic and 2 * beyond.sum() > len(bounds):
        swapped = (x <= _ANY_LATITUDE).all() and (y <= _ANY_LONGITUDE).all()
        remedy = (
            "Longitude and latitude look swapped: x is longitude, y is latitude."
            if swapped
            else f"Set the layer's true CRS with crs under [layers.{layer}]."
        )
        where = f"layer {layer}"
        raise CrsError(
            where,
            f"its coordinates, such as {shown}, are no degrees of '{crs.name}'",
            remedy,
        )


def utm_zone(longitude_deg: float, latitude_deg: float) -> CRS:
    """Return the UTM zone (WGS 84) of a place.

    Parameters
    ----------
    longitude_deg, latitude_deg : float
        Place, WGS 84, degrees.

    Returns
    -------
    pyproj.CRS
        Zones of six degrees; the exceptions around Norway are not made.

    Raises
    ------
    CrsError
        Beyond 84 degrees north or 80 south.
    """
    if not _UTM_SOUTH <= latitude_deg <= _UTM_NORTH:
        where = "project, key crs"
        raise CrsError(
            where,
            f"no UTM zone reaches latitude {latitude_deg:.1f}",
            "Set a projected CRS that fits the place.",
        )
    zone = int((longitude_deg + 180.0) // 6.0) % 60 + 1
    return CRS.from_epsg((32600 if latitude_deg >= 0.0 else 32700) + zone)


def choose_crs(wanted: str, addresses_crs: CRS, bounds: FloatArray) -> CrsReport:
    """Settle the project's CRS and its twin in metres.

    Parameters
    ----------
    wanted : str
        ``"auto"``, or a CRS.
    addresses_crs : pyproj.CRS
        CRS of the addresses.
    bounds : ndarray of float64, shape (n, 4)
        Bounds of the addresses in it.

    Returns
    -------
    CrsReport
        With the scale factor at the middle (median) of the addresses.

    Raises
    ------
    CrsError
        If the CRS is geographic, or its lengths are wrong by more than 0.2 % there.
    """
    middle, longitude, latitude = _middle(addresses_crs, bounds)
    if not np.isfinite([longitude, latitude]).all():
        where = "layer addresses"
        raise CrsError(
            where,
            f"its coordinates, such as ({middle[0]:.6g}, {middle[1]:.6g}), are not on Earth "
            f"in '{addresses_crs.name}'",
            "Set the layer's true CRS with crs under [layers.addresses].",
        )
    if wanted == "auto":
        crs = utm_zone(longitude, latitude)
    else:
        crs = parse_crs(wanted, "project, key crs")
    fitting = _fitting(longitude, latitude)
    if not crs.is_projected:
        where = "project, key crs"
        raise CrsError(
            where,
            f"'{crs.name}' has lengths in degrees",
            f'Set a projected CRS, such as "{fitting}", or "auto".',
        )
    scale = scale_factor(crs, longitude, latitude)
    if not abs(scale - 1.0) <= MAX_SCALE_ERROR:
        where = "project, key crs"
        raise CrsError(
            where,
            f"lengths in '{crs.name}' are {scale:.4g} times too long at the addresses",
            f'Set a projected CRS made for the place, such as "{fitting}", or "auto".',
        )
    working, unit_to_metre = in_metres(crs)
    return CrsReport(crs, working, unit_to_metre, scale, wanted == "auto")


def _middle(crs: CRS, bounds: FloatArray) -> tuple[FloatArray, float, float]:
    """Return the median of bounds, and its longitude and latitude; not finite if off Earth."""
    transformer = _to_degrees(crs)
    middles = bounds[:, :2] / 2.0 + bounds[:, 2:] / 2.0
    middle = np.nanmedian(middles, axis=0)
    longitude, latitude = transformer.transform(*middle)
    if not np.isfinite([longitude, latitude]).all():
        x, y = transformer.transform(middles[:, 0], middles[:, 1])
        is_on_earth = np.isfinite(x) & np.isfinite(y)
        if is_on_earth.any():
            middle = np.median(middles[is_on_earth], axis=0)
            longitude, latitude = transformer.transform(*middle)
    return middle, float(longitude), float(latitude)


@lru_cache(maxsize=8)
def _to_degrees(crs: CRS) -> Transformer:
    """Return the way from a CRS to longitude and latitude; slow to set up, and needed often."""
    return Transformer.from_crs(crs, _WGS84, always_xy=True)


def _fitting(longitude_deg: float, latitude_deg: float) -> str:
    """Name a CRS to propose for a place."""
    if _UTM_SOUTH <= latitude_deg <= _UTM_NORTH:
        return str(utm_zone(longitude_deg, latitude_deg).to_string())
    return "a local CRS"


def scale_factor(crs: CRS, longitude_deg: float, latitude_deg: float) -> float:
    """Return grid length over ground length (on the ellipsoid) at a place.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected.
    longitude_deg, latitude_deg : float
        Place, WGS 84, degrees.

    Returns
    -------
    float
        Of the scales along meridian and parallel the one farther from 1; NaN where the
        projection doesn't reach.
    """
    try:
        factors = Proj(crs).get_factors(longitude_deg, latitude_deg)
    except ProjError:
        return float("nan")
    scales = np.array([factors.meridional_scale, factors.parallel_scale], dtype=np.float64)
    if not np.isfinite(scales).all():
        return float("nan")
    return float(scales[np.argmax(np.abs(scales - 1.0))])


def in_metres(crs: CRS) -> tuple[CRS, float]:
    """Return the same projection with axes in metres.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected, in any unit.

    Returns
    -------
    crs : pyproj.CRS
        In metres; the same object where it was in metres.
    unit_to_metre : float
        Metres in one unit of the given CRS: 0.3048 and 1200/3937 exactly for feet.
    """
    axis = crs.axis_info[0]
    if axis.unit_conversion_factor == 1.0:
        return crs, 1.0
    exact = {"US survey foot": US_SURVEY_FOOT_M, "foot": FOOT_M}
    factor = next(
        (
            value
            for value in exact.values()
            if abs(axis.unit_conversion_factor / value - 1) < _SAME_UNIT
        ),
        axis.unit_conversion_factor,
    )
    definition = crs.to_json_dict()
    for one in definition["coordinate_system"]["axis"]:
        one["unit"] = "metre"
    for key in ("id", "ids", "bbox", "area", "scope", "usages"):
        definition.pop(key, None)
    definition["name"] = f"{crs.name} in metres"
    return CRS.from_json_dict(definition), float(factor)


def transform_geometry(geometry: GeometryArray, crs: CRS, report: CrsReport) -> GeometryArray:
    """Bring geometries into the working CRS.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        2D; None allowed.
    crs : pyproj.CRS
        CRS they are in, x first.
    report : CrsReport
        Project's CRS.

    Returns
    -------
    ndarray of shapely geometries, shape (n,)
        In metres; coordinates that cannot be transformed are infinite.

    Notes
    -----
    From the project's own CRS this is one exact factor, so feet come back to the micrometre.
    """
    if crs.equals(report.working_crs, ignore_axis_order=True):
        return geometry.copy()
    return np.asarray(shapely.transform(geometry, lambda xy: transform_points(xy, crs, report)))


def transform_points(xy: FloatArray, crs: CRS, report: CrsReport) -> FloatArray:
    """Bring points into the working CRS.

    Parameters
    ----------
    xy : ndarray of float64, shape (n, 2)
        Coordinates, x first.
    crs : pyproj.CRS
        CRS they are in.
    report : CrsReport
        Project's CRS.

    Returns
    -------
    ndarray of float64, shape (n, 2)
        As in `transform_geometry`.
    """
    if crs.equals(report.working_crs, ignore_axis_order=True):
        return xy
    if crs.equals(report.project_crs, ignore_axis_order=True):
        return xy * report.unit_to_metre
    transformer = Transformer.from_crs(crs, report.working_crs, always_xy=True)
    return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))


def find_off_earth(geometry: GeometryArray, crs: CRS) -> BoolArray:
    """Return which geometries lie where a CRS holds no place on Earth.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        Coordinates in `crs`; None and not finite ones give False.
    crs : pyproj.CRS
        Projected, in metres.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where a corner of the bounds has no longitude and latitude, or a coordinate is
        larger than any on Earth can be.

    Notes
    -----
    Only rows beyond 1000 km of the median are looked at, unless that is off Earth too.
    """
    bounds = np.asarray(shapely.bounds(geometry), dtype=np.float64)
    is_off = np.zeros(len(bounds), dtype=bool)
    given = np.flatnonzero(np.isfinite(bounds).all(axis=1))
    if not len(given):
        return is_off
    bounds = bounds[given] / _FAR_M  # scaled, so that no difference overflows
    middle = np.median(bounds, axis=0)
    inverse = _to_degrees(crs)
    if np.isfinite(inverse.transform(*(middle[:2] * _FAR_M))).all():
        is_near = (np.abs(bounds - middle) <= 1.0).all(axis=1)
        given, bounds = given[~is_near], bounds[~is_near]
    corners = bounds.reshape(-1, 2) * _FAR_M
    degrees = np.column_stack(inverse.transform(corners[:, 0], corners[:, 1]))
    is_placed = np.isfinite(degrees).reshape(-1, 4).all(axis=1)
    is_off[given] = ~is_placed | (np.abs(bounds) > _MOST_ON_EARTH_M / _FAR_M).any(axis=1)
    return is_off
