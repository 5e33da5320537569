"""What lies within the frames of many small plan drawings, found with one query per layer.

Enters: a `Plan`, the frames of the drawings.
Leaves: `Features`: for each frame, the geometries within it, cut to it, in working coordinates.
Does not do: draw.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.reports.sheets.plan_frames import PlanMarks

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]

OUTLINES = (
    "parcels", "sidewalks", "driveways", "water", "pools", "buildings", "power", "rail",
    "existing_drops",
)  # fmt: skip
LEAST_CROWN_M = 0.5
"""Radius that a crown of unknown size is drawn with."""


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
    """Trees by their crowns."""
    roads: Found
    """Carriageways as areas."""
    road_lines: Found
    spans: Found
    drops: Found
    """Planned drops, rows of ``plan.drops``."""

    def each(self, frame: int) -> Iterator[tuple[str, IntArray, ObjectArray]]:
        """Give layer, rows and geometries of one frame, in the order they are drawn in."""
        for name in (*OUTLINES, "trees"):
            yield (name, *self.layers[name].of(frame))

    def kinds(self, frames: Iterable[int]) -> set[str]:
        """Return the layers, ``roads`` and ``drops`` among them, of which some frames show any."""
        found = {**self.layers, "roads": self.roads}
        shown = {name for name, of in found.items() for at in frames if len(of.of(at)[0])}
        return shown | {"drops" for at in frames if len(self.drops.of(at)[0]) > 1}


class Layout:
    """Layers of a plan with one search tree each, made once for all drawings.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    """

    def __init__(self, plan: Plan) -> None:
        layers = plan.layers
        self._layers = {name: _Tree(getattr(layers, name)) for name in (*OUTLINES, "poles")}
        self._layers["trees"] = _Tree(_crowns(layers.trees))
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


def _crowns(trees: gpd.GeoDataFrame) -> gpd.GeoSeries:
    radius = trees["crown_radius_m"].to_numpy(dtype=np.float64)
    radius = np.fmax(radius, LEAST_CROWN_M)
    area = shapely.buffer(trees.geometry.to_numpy(), radius, quad_segs=12)
    return gpd.GeoSeries(area, index=trees.index, crs=trees.crs)


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


PLACE_WORDS = {
    "ladder": "L ladder", "house_ladder": "H ladder at the house", "reel": "R reel",
    "bucket": "B bucket",
}  # fmt: skip
LEGEND_WORDS = {
    "power": "Thin line with flashes: power",
    "drops": "Dots: other drops",
    "roads": "Light grey: carriageway",
    "sidewalks": "Fine lines: walks, drives",
    "trees": "Dashed round: crown",
    "pools": "Short dashes: pool",
    "water": "Dash and dots: water",
    "rail": "Line with ticks: railway",
    "parcels": "Long grey dashes: lots",
}
"""What stands for each layer, said where it is shown."""
SAID_WITH = {"driveways": "sidewalks", "existing_drops": "drops"}


def plan_legend(features: Features, number: int, count: int, marks: PlanMarks) -> str:
    """Say what the marks of one plan drawing are, those that are shown only.

    Parameters
    ----------
    features : Features
        What lies in all frames.
    number, count : int
        Number of the drawing's first frame among them, and how many frames it has.
    marks : PlanMarks
        The drop.

    Returns
    -------
    str
        Sentences for below the drawing.
    """
    frames = range(number, number + count)
    kinds = features.kinds(frames)
    kinds |= {said for name, said in SAID_WITH.items() if name in kinds}
    given = {name for name, _, _ in marks.places}
    places = [said for name, said in PLACE_WORDS.items() if name in given]
    crosses = [f"Cross: place of its letter, {', '.join(places)}"]
    words = [
        *(crosses if places else []),
        "Thick: this drop, dashed along the strand",
        *(["Square: clamp"] if marks.is_clamp else []),
        "Black dot: house end",
        "Double ring: terminal",
        *(["Thin line: strand"] if any(len(features.spans.of(at)[0]) for at in frames) else []),
        *[said for name, said in LEGEND_WORDS.items() if name in kinds],
        "Dark grey: the house",
        "N: grid north",
    ]
    return f"{'. '.join(words)}."
