"""What lies within the frames of many small plan drawings, found with one query per layer.

Enters: a `Plan`, the frames of the drawings.
Leaves: `Features`: for each frame, the geometries within it, cut to it, in working coordinates.
Does not do: draw.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.reports.sheets.plan_frames import Frame, PlanMarks

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]

OUTLINES = (
    "parcels", "sidewalks", "driveways", "water", "pools", "buildings", "power", "rail",
    "existing_drops",
)  # fmt: skip
NOT_IN_KEY = {"parcels", "sidewalks", "driveways", "pools", "existing_drops"}
"""Layers that a key plan leaves out."""
LEAST_SEEN = 3.0
"""What is smaller on paper, mm, is a speck that no legend tells of."""
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
    "poles": "Ring: pole",
    "spans": "Thin line: strand",
    "power": "Flashes: power, service drops dashed",
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


def _is_seen(geometry: ObjectArray, frame: Frame) -> bool:
    """Whether any of some geometries takes more than a speck of a picture."""
    if len(geometry) == 0:
        return False
    low_x, low_y, high_x, high_y = shapely.bounds(geometry).T
    size = np.fmax(high_x - low_x, high_y - low_y) * frame.mm_per_m
    return bool((size >= LEAST_SEEN).any())


def shown_kinds(features: Features, number: int, frames: Sequence[Frame]) -> set[str]:
    """Return what the pictures of one drawing show.

    Parameters
    ----------
    features : Features
        What lies in all frames.
    number : int
        Number of the drawing's first frame among them.
    frames : sequence of Frame
        Its frames.

    Returns
    -------
    set of str
        Layers, ``roads``, ``spans`` and ``drops`` among them; those that a key plan leaves out
        or that are a speck at its edge are not.
    """
    found = {**features.layers, "roads": features.roads, "spans": features.spans}
    kinds = {
        name
        for at, frame in enumerate(frames, start=number)
        for name, of in found.items()
        if not (frame.is_key and name in NOT_IN_KEY) and _is_seen(of.of(at)[1], frame)
    }
    poles = features.layers["poles"]
    kinds |= {"poles" for at in range(number, number + len(frames)) if len(poles.of(at)[0])}
    near = [at for at, frame in enumerate(frames, start=number) if not frame.is_key]
    return kinds | {"drops" for at in near if len(features.drops.of(at)[0]) > 1}


def plan_legend(
    features: Features,
    number: int,
    frames: Sequence[Frame],
    marks: PlanMarks,
    buildings: Sequence[str],
) -> str:
    """Say what the marks of one plan drawing are, those that are shown only.

    Parameters
    ----------
    features : Features
        What lies in all frames.
    number : int
        Number of the drawing's first frame among them.
    frames : sequence of Frame
        Its frames.
    marks : PlanMarks
        The drop.
    buildings : sequence of str
        Ids of the buildings in the order of their layer.

    Returns
    -------
    str
        Sentences for below the drawing.
    """
    kinds = shown_kinds(features, number, frames)
    kinds |= {said for name, said in SAID_WITH.items() if name in kinds}
    given = {name for name, _, _ in marks.places}
    places = [said for name, said in PLACE_WORDS.items() if name in given]
    crosses = [f"Cross: place of its letter, {', '.join(places)}"]
    rows = [
        row
        for at in range(number, number + len(frames))
        for row in features.layers["buildings"].of(at)[0].tolist()
    ]
    houses = {str(buildings[row]) == marks.building_id for row in rows}
    on_strand = len(marks.route) > 2 and bool(np.ptp(marks.route[:-1], axis=0).any())
    words = [
        *(crosses if places else []),
        f"Thick: this drop{', dashed along the strand' if on_strand else ''}",
        *(["Square: clamp"] if marks.is_clamp else []),
        "Black dot: house end",
        "Double ring: terminal",
        *[said for name, said in LEGEND_WORDS.items() if name in kinds],
        *(["Dark grey: the house"] if True in houses else []),
        *(["Mid grey: other buildings"] if False in houses else []),
        *(["Dashed box: place of work"] if any(frame.is_key for frame in frames) else []),
        "N: grid north",
    ]
    return f"{'. '.join(words)}."
