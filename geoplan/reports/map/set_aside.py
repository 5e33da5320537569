"""Rows that were set aside, with a place on the map where one can be told.

Enters: the table ``set_aside`` of a plan.
Leaves: columns of a `Pack`.
Does not do: judge the rows again.

The table holds a row's geometry as its file had it, and does not say in which CRS. A place is
shown only if it falls on the plan's area when read in one of the CRSs that it may be in: the one
named for its layer, the project's, the same in metres, degrees. The page says that it was inferred.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from geoplan.reports.frames import declared_frame
from geoplan.reports.map.figures import add_texts
from geoplan.reports.map.pack import Pack
from geoplan.reports.map.places import Grid
from geoplan.units import FloatArray

if TYPE_CHECKING:
    from geoplan.model import Plan

MOST_ROWS = 5000
"""More rows than this are not listed on a page; the CSV table has them all."""

AROUND_M = 2000.0
TEXTS = ("layer", "row_id", "code", "reason", "remedy")


def placed_rows(plan: Plan, bounds: FloatArray | None) -> tuple[pd.DataFrame, FloatArray, int]:
    """Return the rows that were set aside, with their places.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    bounds : ndarray of float64, shape (4,), optional
        West, south, east, north of the plan's addresses, working coordinates.

    Returns
    -------
    rows : pandas.DataFrame
        The first `MOST_ROWS` of ``set_aside`` in its order; addresses come first.
    xy : ndarray of float64, shape (n, 2)
        Working coordinates of a point of each; NaN where no place can be told.
    left_out : int
        Rows that are not listed.
    """
    rows = declared_frame(plan, "set_aside")
    first = rows["layer"].ne("addresses")
    rows = rows.iloc[np.argsort(first.to_numpy(), kind="stable")]
    left_out = max(0, len(rows) - MOST_ROWS)
    rows = rows.iloc[:MOST_ROWS].reset_index(drop=True)
    wkts = [None if pd.isna(text) else text for text in rows["geometry_wkt"]]
    shapes = shapely.from_wkt(np.array(wkts, dtype=object), on_invalid="ignore")
    raw = np.full((len(rows), 2), np.nan)
    some = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    if some.any():
        with np.errstate(over="ignore", invalid="ignore"):  # 1e308 metres away is nowhere
            raw[some] = shapely.get_coordinates(shapely.centroid(shapes[some]))
    return rows, _places(plan, rows["layer"], raw, bounds), left_out


def _places(
    plan: Plan, layers: pd.Series, raw: FloatArray, bounds: FloatArray | None
) -> FloatArray:
    found = np.full(raw.shape, np.nan)
    if bounds is None or not np.isfinite(raw).any():
        return found
    crs = plan.layers.crs
    low, high = bounds[:2] - AROUND_M, bounds[2:] + AROUND_M
    for layer in layers.unique():
        source = plan.project.layers.get(layer)
        named = source.crs if source is not None else None
        for candidate in (named, crs.project_crs, crs.working_crs, "EPSG:4326"):
            if candidate is None:
                continue
            open_ = layers.eq(layer).to_numpy() & np.isfinite(raw[:, 0]) & np.isnan(found[:, 0])
            places = _working(raw[open_], candidate, crs)
            fits = ((places >= low) & (places <= high)).all(axis=1)
            found[np.flatnonzero(open_)[fits]] = places[fits]
    return found


def _working(xy: FloatArray, source: Any, crs: Any) -> FloatArray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        turn = Transformer.from_crs(source, crs.working_crs, always_xy=True)
    x, y = turn.transform(xy[:, 0], xy[:, 1])
    return np.column_stack([x, y])


def add_set_aside(pack: Pack, rows: pd.DataFrame, xy: FloatArray, grid: Grid) -> None:
    """Add the rows to a block: texts, and place where it is known.

    Parameters
    ----------
    pack : Pack
        The block.
    rows : pandas.DataFrame
        As from `placed_rows`.
    xy : ndarray of float64, shape (n, 2)
        As from `placed_rows`.
    grid : Grid
        Of the page.
    """
    for name in TEXTS:
        add_texts(pack, f"aside.{name}", rows[name])
    known = np.asarray(np.isfinite(xy).all(axis=1), dtype=bool)
    cells = np.zeros(xy.shape, dtype=np.int64)
    cells[known] = grid.cells(xy[known])
    for axis, letter in enumerate("xy"):
        pack.numbers(f"aside.{letter}", cells[:, axis], known)
