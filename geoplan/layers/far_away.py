"""Layers and rows that lie too far from the addresses to be meant.

Enters: bounds of geometries in working coordinates.
Leaves: findings about layers, flags of rows.
Does not do: set anything aside.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.layers.findings import build_findings
from geoplan.tables import Severity

FloatArray = npt.NDArray[np.float64]

FAR_AWAY_M = 50_000.0
"""A layer with nothing within this of the addresses is taken to be in a wrong place."""


def find_far_layers(
    bounds: dict[str, FloatArray], swapped: Callable[[str], FloatArray | None]
) -> list[pd.DataFrame]:
    """Report layers that lie far from the addresses.

    Parameters
    ----------
    bounds : dict of layer to ndarray of float64, shape (n, 4)
        Bounds of the geometries in working coordinates, m.
    swapped : callable
        Given a layer, its bounds as they would be with x and y swapped; None for layers that
        are not in degrees.

    Returns
    -------
    list of pandas.DataFrame
        Warnings ``layer_far_away``.
    """
    home = _area(bounds["addresses"])
    findings = []
    for layer, all_boxes in bounds.items():
        boxes = all_boxes[np.isfinite(all_boxes).all(axis=1)]
        if layer == "addresses" or not len(boxes) or _is_near(boxes, home):
            continue
        remedy = f"Its CRS is probably wrong: set crs under [layers.{layer}]."
        own, other = swapped(layer), swapped("addresses")
        if own is not None and _is_near(own, home):
            remedy = f"Longitude and latitude of {layer} look swapped: x is longitude."
        elif other is not None and _is_near(boxes, _area(other)):
            remedy = "Longitude and latitude of the addresses look swapped: x is longitude."
        middle = np.median(boxes[:, :2] + boxes[:, 2:], axis=0) / 2.0
        away = np.hypot(*(middle - np.array([home[[0, 2]].mean(), home[[1, 3]].mean()])))
        reason = f"the layer lies about {away / 1000.0:.0f} km from the addresses"
        findings.append(
            build_findings(layer, "", "layer_far_away", Severity.WARNING, reason, remedy)
        )
    return findings


def find_far_rows(boxes: FloatArray) -> npt.NDArray[np.bool_]:
    """Return which addresses lie far from nearly all others.

    Parameters
    ----------
    boxes : ndarray of float64, shape (n, 4)
        Bounds in working coordinates, m.

    Returns
    -------
    ndarray of bool, shape (n,)
        True beyond 50 km, and three times the median distance, of the median.
    """
    home = _area(boxes)
    return np.asarray(~_overlaps(boxes, home))


def _area(boxes: FloatArray) -> FloatArray:
    """Square round the median, with room for the scatter, that counts as the same region."""
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return np.full(4, np.nan)
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2.0
    centre = np.median(middles, axis=0)
    scatter = float(np.median(np.hypot(*(middles - centre).T)))
    reach = FAR_AWAY_M + 3.0 * scatter
    return np.concatenate([centre - reach, centre + reach])


def _overlaps(boxes: FloatArray, area: FloatArray) -> npt.NDArray[np.bool_]:
    return np.asarray(
        (boxes[:, 2] >= area[0])
        & (boxes[:, 0] <= area[2])
        & (boxes[:, 3] >= area[1])
        & (boxes[:, 1] <= area[3])
    )


def _is_near(boxes: FloatArray, area: FloatArray) -> bool:
    return bool(_overlaps(boxes, area).any())
