"""What lies within the frames of many small plan drawings, found with one query per layer.

Enters: a `Plan`, the frames of the drawings.
Leaves: `Features`: for each frame, the geometries within it, cut to it, in working coordinates.
Does not do: draw.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]

OUTLINES = (
    "parcels", "sidewalks", "driveways", "water", "pools", "buildings", "power", "rail",
    "existing_drops",
)  # fmt: skip
POINTS = ("trees", "poles")


@dataclass(frozen=True)
class Found:
    """What of one layer lies in frames: pairs sorted by frame, then by row of the layer."""

    frame: IntArray
    row: IntArray
    geometry: ObjectArray

    def of(self, frame: int) -> tuple[IntArray, ObjectArray]:
        """Return rows and geometries of one frame."""
        low, high = np.searchsorted(self.frame, [frame, frame + 1])
        return self.row[low:high], self.geometry[low:high]


@dataclass(frozen=True)
class Features:
    """What lies within each frame, by layer."""

    layers: dict[str, Found]
    roads: Found
    """Carriageways as areas."""
    road_lines: Found
    spans: Found
    drops: Found
    """Planned drops, rows of ``plan.drops``."""

    def each(self, frame: int) -> Iterator[tuple[str, IntArray, ObjectArray]]:
        """Give layer, rows and geometries of one frame, in the order they are drawn in."""
        for name in (*OUTLINES, *POINTS):
            yield (name, *self.layers[name].of(frame))


class Layout:
    """Layers of a plan with one search tree each, made once for all drawings.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    """

    def __init__(self, plan: Plan) -> None:
        layers = plan.layers
        self._layers = {name: _Tree(getattr(layers, name)) for name in (*OUTLINES, *POINTS)}
        self._roads = _Tree(_carriageways(layers.roads))
        self._road_lines = _Tree(layers.roads)
        self._spans, self._drops = _Tree(layers.spans), _Tree(plan.drops)

    def within(self, frames: FloatArray) -> Features:
        """Find all that lies within frames.

        Parameters
        ----------
        frames : ndarray of float64, shape (n, 4)
            Least x, least y, greatest x, greatest y of each, working coordinates, m.

        Returns
        -------
        Features
            Cut to the frames.

        Notes
        -----
        One query per layer for all frames together.
        """
        boxes = shapely.box(frames[:, 0], frames[:, 1], frames[:, 2], frames[:, 3])
        return Features(
            {name: tree.within(boxes, frames) for name, tree in self._layers.items()},
            self._roads.within(boxes, frames),
            self._road_lines.within(boxes, frames),
            self._spans.within(boxes, frames),
            self._drops.within(boxes, frames),
        )


def _carriageways(roads: gpd.GeoDataFrame) -> gpd.GeoSeries:
    half = roads["width_m"].to_numpy(dtype=np.float64) / 2
    area = shapely.buffer(roads.geometry.to_numpy(), half, quad_segs=3)
    return gpd.GeoSeries(area, index=roads.index, crs=roads.crs)


class _Tree:
    """Geometries of one layer and their search tree."""

    def __init__(self, layer: gpd.GeoDataFrame | gpd.GeoSeries) -> None:
        self._geometry = np.asarray(layer.geometry.to_numpy(), dtype=object)
        self._tree = shapely.STRtree(self._geometry)

    def within(self, boxes: ObjectArray, frames: FloatArray) -> Found:
        """Return what lies in boxes, cut to them."""
        frame, row = self._tree.query(boxes, predicate="intersects")
        order = np.lexsort((row, frame))
        frame, row = frame[order], row[order]
        cut = self._geometry[row]
        for one in np.unique(frame):  # each frame cuts its own pairs, all at once
            low, high = np.searchsorted(frame, [one, one + 1])
            cut[low:high] = shapely.clip_by_rect(cut[low:high], *frames[one])
        keep = ~shapely.is_empty(cut)
        return Found(frame[keep], row[keep], cut[keep])
