"""A region cut into tiles that can be worked on apart.

Enters: checked layers, how far the work on an address reaches.
Leaves: `Tile`: the layers of a part of the region with all that its addresses may touch.
Does not do: the work.

A tile owns some addresses, all within a box. Its layers hold whatever reaches into that box
widened by the distance over which an address can depend on anything: an air span to a clamp, the
drops of others that hang from the same strand span, a run along the strand to the terminal. So
what is worked out for an owned address is the same, to the last bit, as with the whole region.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geoplan.layers.shelf import with_shapes
from geoplan.layers.split_points import Nearby
from geoplan.model import Layers
from geoplan.project import Project
from geoplan.routes.index import row_numbers
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards

if TYPE_CHECKING:
    import geopandas as gpd

TILE_LAYERS = (
    "parcels",
    "addresses",
    "poles",
    "roads",
    "buildings",
    "power",
    "trees",
    "rail",
    "water",
    "sidewalks",
    "driveways",
    "pools",
    "existing_drops",
    "spans",
)
WIDE_LAYERS = ("poles", "spans", "power", "roads")
"""Layers that runs along the strand, and what is on their poles, are made of."""
BEYOND_M = 30.0
"""Added to how far an address reaches: power and crowns beside the wire, roundings."""


@dataclass(frozen=True)
class Tile:
    """A part of a region."""

    layers: Layers
    rows: Mapping[str, IntArray]
    """Rows of the whole region's layers that the tile's rows are; ascending."""

    def to_region(self, layer: str, row: IntArray) -> IntArray:
        """Return rows of the region's layer; -1 stays."""
        return np.append(self.rows[layer], -1)[row]

    def to_tile(self, layer: str, row: IntArray) -> IntArray:
        """Return rows of the tile's layer; -1 stays.

        Raises
        ------
        LookupError
            If the tile doesn't hold a row; that would be a defect.
        """
        mine = self.rows[layer]
        at = np.minimum(np.searchsorted(mine, row), max(len(mine) - 1, 0))
        is_known = row < 0
        if len(mine):
            is_known = is_known | (mine[at] == row)
        if not is_known.all():
            message = f"a tile lacks rows of {layer} that its work asks for"
            raise LookupError(message)
        return np.where(row < 0, -1, at).astype(np.int64)


def reach_m(layers: Layers, project: Project, standards: Standards) -> float:
    """Tell how far from an address or its building its work can depend on anything.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    project : Project
        Settings.
    standards : Standards
        Longest air span.

    Returns
    -------
    float
        Metres: to a clamp, along its span to another's clamp, to their building and back to
        the terminal.
    """
    longest = _longest_span_m(layers)
    beyond = near_m(layers, project, standards)
    return beyond + standards.max_air_span_m + project.limits.max_strand_run + longest


def near_m(layers: Layers, project: Project, standards: Standards) -> float:
    """Tell how far from an address or its building shapes can matter to its own routes.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    project : Project
        Settings.
    standards : Standards
        Longest air span.

    Returns
    -------
    float
        Metres: to the far pole of a strand span that has a clamp an air span away. Runs along
        the strand go further (see `reach_m`), but ask for poles and strand spans only.
    """
    limits = project.limits
    near = max(limits.near_power, limits.near_pool, limits.near_tree)
    return standards.max_air_span_m + _longest_span_m(layers) + near + BEYOND_M


def _longest_span_m(layers: Layers) -> float:
    return float(layers.spans["length_m"].max()) if len(layers.spans) else 0.0


def cut_tile(
    layers: Layers,
    bounds: Mapping[str, FloatArray],
    owned: IntArray,
    far: float,
    near: float | None = None,
) -> Tile:
    """Cut out what the work on some addresses may touch.

    Parameters
    ----------
    layers : Layers
        Of the whole region.
    bounds : mapping of str to ndarray of float64, shape (n, 4)
        Boxes of the shapes of every layer; see `layer_bounds`.
    owned : ndarray of int64
        Rows of the addresses.
    far : float
        Metres; see `reach_m`.
    near : float, optional
        Metres; see `near_m`. With it layers that are looked at near an address only are cut so
        near, which is enough for a search, but not for drops that others hang beside.

    Returns
    -------
    Tile
        A part of each layer, in the order of the whole.
    """
    box = bounds["addresses"][owned]
    building = row_numbers(layers.addresses["building_id"].iloc[owned], layers.buildings.index)
    box = np.concatenate([box, bounds["buildings"][building[building >= 0]]])
    wide = Nearby(box, far)
    close = wide if near is None else Nearby(box, near)
    rows = {
        name: (wide if name in WIDE_LAYERS else close).rows(bounds[name]) for name in TILE_LAYERS
    }
    lots = row_numbers(layers.addresses["parcel_id"].iloc[owned], layers.parcels.index)
    rows["parcels"] = np.union1d(rows["parcels"], lots[lots >= 0])
    spans, poles = layers.spans.iloc[rows["spans"]], layers.poles.index
    ends = [row_numbers(spans[name], poles) for name in ("from_pole_id", "to_pole_id")]
    rows["poles"] = np.unique(np.concatenate([rows["poles"], *ends])).astype(np.int64)
    frames: dict[str, gpd.GeoDataFrame] = {
        name: with_shapes(getattr(layers, name), layers.shelves.get(name), rows[name])
        for name in TILE_LAYERS
    }
    nothing = {
        "findings": layers.findings.iloc[:0],
        "set_aside": layers.set_aside.iloc[:0],
        "strands": layers.strands.iloc[:0],
        "counts": {},
        "input_sha256": {},
        "shelves": {},
    }
    return Tile(replace(layers, **frames, **nothing), rows)


def layer_bounds(layers: Layers) -> dict[str, FloatArray]:
    """Return the boxes of all shapes, by layer.

    Parameters
    ----------
    layers : Layers
        Checked layers.

    Returns
    -------
    dict of str to ndarray of float64, shape (n, 4)
        Least x and y, greatest x and y, in metres. A tree's box is that of its crown, a road's
        that of its carriageway.
    """
    boxes = {
        name: layers.shelves[name].bounds
        if name in layers.shelves
        else shapely.bounds(np.asarray(getattr(layers, name).geometry.values, dtype=object))
        for name in TILE_LAYERS
    }
    for name, column, part in (
        ("trees", "crown_radius_m", 1.0),
        ("roads", "width_m", 0.5),
        ("rail", "width_m", 0.5),
    ):
        frame = getattr(layers, name)
        if len(frame):
            more = part * frame[column].to_numpy(dtype=np.float64)[:, None]
            boxes[name] = boxes[name] + more * np.array([-1.0, -1.0, 1.0, 1.0])
    return boxes
