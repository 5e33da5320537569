"""Lengths and clearances that the page works out by itself, so that only the rest has to be told.

Enters: drawn lines and columns of a page's tables.
Leaves: whole numbers, scaled as columns are: the same that the page's script gets.
Does not do: add columns.

Sums are made in the script's order, roots are of whole numbers, and halves are rounded upward, so
that both sides agree to the last digit. See ``drawnLengths`` in the script ``map_unpack.js``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geoplan.reports.map.figures import scaled
from geoplan.reports.map.pack import IntArray
from geoplan.reports.map.places import Grid, ShapeArray, piece_lengths
from geoplan.units import FloatArray, ReportUnits, for_report, report_unit


def drawn_lengths(
    shapes: ShapeArray, grid: Grid, units: ReportUnits
) -> tuple[IntArray, IntArray, IntArray]:
    """Return what the page works out from drawn lines: air span, strand run, last of the run.

    Parameters
    ----------
    shapes : ndarray of shapely.LineString, shape (n,)
        Routes in working coordinates, the air span last.
    grid : Grid
        Of the page.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    air_span, strand_run, last_of_run : ndarray of int64, shape (n,)
        Scaled as columns of lengths; 0 where there is no run.

    Notes
    -----
    Lines are drawn on a map whose scale changes with the latitude, so these are near the true
    lengths only; the differences are told beside them.
    """
    counts = shapely.get_num_coordinates(shapes)
    pieces = piece_lengths(grid.cells(shapely.get_coordinates(shapes)))
    first = np.cumsum(counts) - counts
    run = np.zeros(len(counts))
    for corner in range(1, int(counts.max(initial=0)) - 1):  # one after another, as the page adds
        has = corner < counts - 1
        run[has] += pieces[first[has] + corner]
    per_cell = figures_per_cell(grid, units)
    ends = first + counts - 1
    before = np.zeros(len(counts))
    has_run = counts > 2
    before[has_run] = pieces[ends[has_run] - 1]
    return (
        _whole(pieces[ends] * per_cell),
        _whole(run * per_cell),
        _whole(before * per_cell),
    )


def figures_per_cell(grid: Grid, units: ReportUnits) -> float:
    """Return how many units of a column of lengths a cell is."""
    unit = report_unit("length", units)
    return (
        float(for_report(np.ones(1), "length", units)[0]) * 10.0**unit.decimals / grid.cells_per_m
    )


def _whole(figures: FloatArray) -> IntArray:
    """Round as the page's script does: halves upward."""
    return np.floor(figures + 0.5).astype(np.int64)


def available(required: pd.Series, margin: pd.Series, units: ReportUnits) -> IntArray:
    """Return the clearance available that the page works out from required and margin.

    Parameters
    ----------
    required, margin : pandas.Series of float64, shape (n,)
        Metres; unknown counts as 0.
    units : {'us', 'metric'}
        Units of the report.

    Returns
    -------
    ndarray of int64, shape (n,)
        Scaled as columns of lengths.
    """
    need, _ = scaled(required, "length", units)
    more, _ = scaled(margin, "sag", units)
    return need + _whole(more.astype(np.float64) * lengths_per_sag(units))


def lengths_per_sag(units: ReportUnits) -> float:
    """Return how many units of a column of lengths one of a column of sags is."""
    one = np.ones(1)
    length, sag = report_unit("length", units), report_unit("sag", units)
    metres = float(for_report(one, "length", units)[0]) * 10.0**length.decimals
    return metres / (float(for_report(one, "sag", units)[0]) * 10.0**sag.decimals)
