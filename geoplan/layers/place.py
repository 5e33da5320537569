"""Geometry as read, brought to its place in working coordinates.

Enters: a layer's geometries in its own CRS, and which of them are of no use.
Leaves: geometries in working coordinates, metres; those that lie nowhere are named.
Does not do: judge shapes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from geoplan.layers.check_geometry import find_not_finite
from geoplan.layers.crs import find_off_earth, transform_geometry
from geoplan.model import CrsReport

GeometryArray = npt.NDArray[Any]
TextArray = npt.NDArray[np.object_]


def place_geometry(
    geometry: GeometryArray, unusable: TextArray, crs: CRS, report: CrsReport
) -> tuple[GeometryArray, TextArray]:
    """Bring usable geometries into the working CRS.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (n,)
        2D, as read; None allowed.
    unusable : ndarray of str, shape (n,)
        From `geoplan.layers.check_geometry.find_unusable`.
    crs : pyproj.CRS
        CRS they are in.
    report : CrsReport
        Project's CRS.

    Returns
    -------
    placed : ndarray of shapely geometries, shape (n,)
        In metres; None where unusable.
    unusable : ndarray of str, shape (n,)
        As given, with ``geometry_off_earth`` where the CRS holds no such place.
    """
    kept = geometry.copy()
    kept[unusable != ""] = None
    placed = transform_geometry(kept, crs, report)
    is_off = find_off_earth(placed, report.working_crs)
    if not crs.equals(report.working_crs, ignore_axis_order=True):
        is_off |= find_not_finite(placed)
    if is_off.any():
        unusable = np.where(is_off, "geometry_off_earth", unusable).astype(object)
        placed[is_off] = None
    return placed, unusable
