"""Ground elevation: the part of a raster that the layers need, on a grid in metres.

Enters: a raster file, the project's CRS, the area of the layers.
Leaves: a `Terrain`; elevations at points.
Does not do: tell how good the raster is.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from geoplan.errors import LayerError, MissingExtraError, ProjectFileError
from geoplan.layers.crs import layer_crs
from geoplan.layers.findings import build_findings
from geoplan.model import CrsReport, Terrain
from geoplan.project import LayerSource
from geoplan.tables import Severity
from geoplan.units import to_si

if TYPE_CHECKING:
    import rasterio

FloatArray = npt.NDArray[np.float64]

MARGIN_M = 200.0
"""Ground kept round the layers: farther than a drop reaches from its address."""
MAX_CELLS = 50_000_000
"""Most cells that are kept in memory (400 MB); a finer raster is thinned, and it is said."""

_UNIT_NAMES = {
    "metre": "m",
    "meter": "m",
    "metres": "m",
    "meters": "m",
    "m": "m",
    "ft": "ft",
    "foot": "ft",
    "feet": "ft",
    "us survey foot": "ftUS",
    "ftus": "ftUS",
    "us-ft": "ftUS",
}


def read_terrain(
    source: LayerSource, report: CrsReport, bounds: tuple[float, float, float, float]
) -> tuple[Terrain | None, list[pd.DataFrame]]:
    """Read the elevations that an area needs.

    Parameters
    ----------
    source : LayerSource
        Raster; key ``elevation`` of its units is the unit of the elevations.
    report : CrsReport
        Project's CRS.
    bounds : tuple of float
        West, south, east, north of the layers, working coordinates, m.

    Returns
    -------
    terrain : Terrain or None
        None where the raster doesn't reach the area.
    findings : list of pandas.DataFrame
        Codes ``elevation_unit_assumed``, ``terrain_elsewhere``, ``terrain_thinned``.

    Raises
    ------
    MissingExtraError
        If the package for rasters is not installed.
    LayerError
        If the file is missing or unreadable, or has no CRS.
    ProjectFileError
        If the unit of elevation is none.

    Notes
    -----
    A raster in the project's CRS is cut, not resampled; another one is warped bilinearly to
    cells of about its own size.
    """
    try:
        import rasterio
        from rasterio.errors import RasterioError
    except ImportError as error:
        where = "layer terrain"
        raise MissingExtraError(
            where, "no package for rasters", "pip install 'geoplan[terrain]'"
        ) from error
    path = Path(source.source)
    where = f"layer terrain, file '{path.name}'"
    if not path.exists():
        raise LayerError(where, "there is no such file", "Correct the path under [layers].")
    try:
        with rasterio.open(path) as raster:
            found = CRS.from_wkt(raster.crs.to_wkt()) if raster.crs else None
            crs = layer_crs("terrain", found, source.crs)
            scale, findings = _unit(source, raster.units[0])
            terrain, thinned = _window(raster, crs, report, bounds)
    except (RasterioError, OSError) as error:
        text = str(error).replace(f"{path.parent}/", "")
        raise LayerError(
            where, f"the raster cannot be read ({text})", "Check that it opens in a GIS."
        ) from error
    if thinned > 1:
        reason = f"the raster has more than {MAX_CELLS} cells here: every {thinned}th is used"
        findings.append(
            build_findings("terrain", "", "terrain_thinned", Severity.NOTE, reason, "Cut it.")
        )
    if terrain is None or not np.isfinite(terrain.elevation_m).any():
        findings.append(
            build_findings(
                "terrain",
                "",
                "terrain_elsewhere",
                Severity.WARNING,
                "the raster has no elevations where the layers are: level ground assumed",
                "Bring the raster of this place, or correct its crs under [layers.terrain].",
            )
        )
        return None, findings
    elevation_m = terrain.elevation_m * scale
    return Terrain(elevation_m, terrain.x0_m, terrain.y0_m, terrain.dx_m, terrain.dy_m), findings


def sample_elevation(terrain: Terrain, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Return the ground's elevation at points, bilinear between cell centres.

    Parameters
    ----------
    terrain : Terrain
        Grid.
    x_m, y_m : ndarray of float64, any one shape
        Working coordinates, m.

    Returns
    -------
    ndarray of float64, same shape
        Elevation, m; NaN outside the cell centres, next to a cell without data, and where a
        coordinate is NaN.

    Examples
    --------
    >>> grid = Terrain(np.array([[0.0, 10.0], [20.0, 30.0]]), 0.0, 0.0, 5.0, 5.0)
    >>> float(sample_elevation(grid, np.array([2.5]), np.array([2.5]))[0])
    15.0
    """
    rows, columns = terrain.elevation_m.shape
    column = (np.asarray(x_m, dtype=np.float64) - terrain.x0_m) / terrain.dx_m
    row = (np.asarray(y_m, dtype=np.float64) - terrain.y0_m) / terrain.dy_m
    inside = (column >= 0.0) & (column <= columns - 1) & (row >= 0.0) & (row <= rows - 1)
    column, row = np.where(inside, column, 0.0), np.where(inside, row, 0.0)
    left, top = np.floor(column).astype(np.intp), np.floor(row).astype(np.intp)
    right, bottom = np.minimum(left + 1, columns - 1), np.minimum(top + 1, rows - 1)
    across, down = column - left, row - top
    total = np.zeros(np.broadcast(column, row).shape)
    for at_row, at_column, weight in (
        (top, left, (1.0 - down) * (1.0 - across)),
        (top, right, (1.0 - down) * across),
        (bottom, left, down * (1.0 - across)),
        (bottom, right, down * across),
    ):
        value = terrain.elevation_m[at_row, at_column]
        total += np.where(weight > 0.0, weight * value, 0.0)
    return np.where(inside, total, np.nan)


def _unit(source: LayerSource, in_file: str | None) -> tuple[float, list[pd.DataFrame]]:
    given = source.units.get("elevation")
    if given is not None:
        try:
            return float(to_si(1.0, given, "length")), []
        except ValueError as error:
            where = "project, key layers.terrain.units.elevation"
            raise ProjectFileError(where, str(error), 'Write "m" or "ft".') from error
    known = _UNIT_NAMES.get((in_file or "").strip().lower())
    if known is not None:
        return float(to_si(1.0, known, "length")), []
    return 1.0, [
        build_findings(
            "terrain",
            "",
            "elevation_unit_assumed",
            Severity.NOTE,
            "the raster says no unit of elevation: m assumed",
            'Set elevation = "ft" (or its unit) under [layers.terrain.units].',
        )
    ]


def _window(
    raster: rasterio.DatasetReader,
    crs: CRS,
    report: CrsReport,
    bounds: tuple[float, float, float, float],
) -> tuple[Terrain | None, int]:
    """Cut or warp the raster to the area; also return by how much it was thinned."""
    west, south, east, north = bounds
    area = (west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M)
    is_upright = raster.transform.b == 0.0 and raster.transform.d == 0.0
    for same, factor in ((report.working_crs, 1.0), (report.project_crs, report.unit_to_metre)):
        if is_upright and crs.equals(same, ignore_axis_order=True):
            return _cut(raster, factor, area)
    return _warp(raster, crs, report.working_crs, area)


def _values(block: np.ma.MaskedArray[Any, Any], raster: rasterio.DatasetReader) -> FloatArray:
    values = np.asarray(np.ma.filled(block.astype(np.float64), np.nan), dtype=np.float64)
    return values * float(raster.scales[0]) + float(raster.offsets[0])


def _cut(
    raster: rasterio.DatasetReader, factor: float, area: tuple[float, float, float, float]
) -> tuple[Terrain | None, int]:
    from rasterio.windows import Window

    grid = raster.transform
    columns = (np.array([area[0], area[2]]) / factor - grid.c) / grid.a
    rows = (np.array([area[1], area[3]]) / factor - grid.f) / grid.e
    first_column, last_column = _clip(columns, raster.width)
    first_row, last_row = _clip(rows, raster.height)
    width, height = last_column - first_column, last_row - first_row
    if width <= 0 or height <= 0:
        return None, 1
    step = max(1, int(np.ceil(np.sqrt(width * height / MAX_CELLS))))
    block = raster.read(1, window=Window(first_column, first_row, width, height), masked=True)
    dx, dy = grid.a * factor, grid.e * factor
    return (
        Terrain(
            _values(block[::step, ::step], raster),
            grid.c * factor + (first_column + 0.5) * dx,
            grid.f * factor + (first_row + 0.5) * dy,
            dx * step,
            dy * step,
        ),
        step,
    )


def _clip(ends: FloatArray, size: int) -> tuple[int, int]:
    low, high = np.floor(ends.min()) - 1.0, np.ceil(ends.max()) + 1.0
    return int(np.clip(low, 0, size)), int(np.clip(high, 0, size))


def _warp(
    raster: rasterio.DatasetReader, crs: CRS, working: CRS, area: tuple[float, float, float, float]
) -> tuple[Terrain | None, int]:
    from rasterio.crs import CRS as RasterCrs
    from rasterio.enums import Resampling
    from rasterio.transform import Affine
    from rasterio.vrt import WarpedVRT
    from rasterio.warp import calculate_default_transform

    source, target = RasterCrs.from_wkt(crs.to_wkt()), RasterCrs.from_wkt(working.to_wkt())
    grid, _, _ = calculate_default_transform(
        source, target, raster.width, raster.height, *raster.bounds
    )
    cell, step = abs(grid.a), 1
    width = int(np.ceil((area[2] - area[0]) / cell)) + 1
    height = int(np.ceil((area[3] - area[1]) / cell)) + 1
    if width * height > MAX_CELLS:
        step = int(np.ceil(np.sqrt(width * height / MAX_CELLS)))
        cell, width, height = cell * step, width // step + 1, height // step + 1
    west, north = area[0], area[3]
    with WarpedVRT(
        raster,
        src_crs=source,
        crs=target,
        transform=Affine(cell, 0.0, west, 0.0, -cell, north),
        width=width,
        height=height,
        resampling=Resampling.bilinear,
        add_alpha=raster.nodata is None,
    ) as warped:
        block = warped.read(1, masked=True)
    return (
        Terrain(_values(block, raster), west + cell / 2.0, north - cell / 2.0, cell, -cell),
        step,
    )
