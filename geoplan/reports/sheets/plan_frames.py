"""Which piece of ground the small plan drawing of a drop shows, and at what scale.

Enters: routes, air spans and places of work of drops.
Leaves: frames: one, or one for the place of work and one for the whole route.
Does not do: draw; find features.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]

WIDTH, PICTURE, STRIP = 108.0, 69.0, 4.6
"""Width, height of the picture, and of the strip below it for scale and north, mm."""
HEIGHT = PICTURE + STRIP
HEAD = 4.0
"""Height of the title above a narrow key plan, mm."""
EDGE, KEY_EDGE = 7.0, 5.0
"""Millimetres kept free around the drop and its marks; around the route in a key plan."""
SCALES = (150, 200, 250, 300, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000)
LEGIBLE = 500
"""A drawing at a smaller scale is parted into place of work and key plan, where that helps."""
CLOSEST = 200
"""Largest scale of a parted drawing: some ground around the work has to be seen."""


@dataclass(frozen=True)
class Frame:
    """One picture's piece of ground, its scale, 1 to `scale`, and its place on the drawing."""

    left_m: float
    top_m: float
    scale: int
    x: float = 0.0
    y: float = 0.0
    width: float = WIDTH
    height: float = PICTURE
    is_key: bool = False
    """Whether it shows the whole route beside a picture of the place of work."""

    @property
    def mm_per_m(self) -> float:
        """Millimetres on paper for a metre on the ground."""
        return 1000.0 / self.scale

    @property
    def corners(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom on the drawing, mm."""
        return self.x, self.y, self.x + self.width, self.y + self.height

    @property
    def ground(self) -> tuple[float, float, float, float]:
        """Least x, least y, greatest x, greatest y, working coordinates, m."""
        return (
            self.left_m,
            self.top_m - self.height / self.mm_per_m,
            self.left_m + self.width / self.mm_per_m,
            self.top_m,
        )

    def places(self, xy: FloatArray) -> FloatArray:
        """Bring working coordinates to millimetres on the drawing, shape (n, 2)."""
        factor = [self.mm_per_m, -self.mm_per_m]
        return (xy - [self.left_m, self.top_m]) * factor + [self.x, self.y]

    def on_paper(self, geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
        """Bring geometries to millimetres on the drawing, shape (n,)."""
        return np.asarray(shapely.transform(geometry, self.places), dtype=object)


@dataclass(frozen=True)
class PlanMarks:
    """What belongs to one drop: route, air span and the places to stand."""

    row: int
    """Row of the drop in ``plan.drops``."""
    route: FloatArray
    """From the terminal along the strand to the premises, shape (k, 2)."""
    air: FloatArray
    is_clamp: bool
    building_id: str
    terminal_id: str
    access_pole_id: str
    places: tuple[tuple[str, float, float], ...]
    """Kind of place and working coordinates."""
    also: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    """Further places that the picture of the work has to hold, shape (k, 2)."""
    far_pole_id: str = ""
    """Pole at the other end of the clamp's strand span; empty without a clamp."""
    far_xy: FloatArray | None = None
    """Where that pole stands, shape (2,)."""

    @property
    def stands(self) -> FloatArray:
        """Where ladders, reel and bucket stand, shape (n, 2)."""
        return np.array([(x, y) for _, x, y in self.places], dtype=np.float64).reshape(-1, 2)

    @property
    def work(self) -> FloatArray:
        """Air span and the places to stand, shape (n, 2)."""
        return np.vstack([self.air, self.stands])


def frame_drops(marks: Sequence[PlanMarks]) -> list[tuple[Frame, ...]]:
    """Choose frames and scales of each drawing.

    Parameters
    ----------
    marks : sequence of PlanMarks
        The drops.

    Returns
    -------
    list of tuple of Frame
        One frame, at the largest of the round scales that holds the drop. Where that is smaller
        than 1 to `LEGIBLE` for the sake of the strand run: the place of work, and the whole
        route as a key plan.
    """
    return [_frames(one) for one in marks]


def _frames(marks: PlanMarks) -> tuple[Frame, ...]:
    work = np.vstack([marks.work, marks.also])
    every = np.vstack([marks.route, work])
    whole = _fit(every, (0.0, 0.0, WIDTH, PICTURE))
    if whole.scale <= LEGIBLE:
        return (whole,)
    pairs = [
        (_fit(work, at, least=CLOSEST), _fit(every, key_at, KEY_EDGE, is_key=True))
        for at, key_at in _parted()
    ]
    near, key = min(
        pairs, key=lambda pair: (pair[0].scale > LEGIBLE, pair[0].scale ** 2 * pair[1].scale)
    )
    return (near, key) if near.scale * 1.3 < whole.scale else (whole,)


Corners = tuple[float, float, float, float]


def _parted() -> list[tuple[Corners, Corners]]:
    """Return ways to part the drawing into place of work and key plan: beside or below it."""
    beside = [
        ((0.0, 0.0, wide, PICTURE), (wide + 2.0, HEAD, WIDTH, PICTURE))
        for wide in (69.0, 58.0, 52.0)
    ]
    below = [
        ((0.0, 0.0, WIDTH, high), (0.0, high + STRIP + 0.5, WIDTH, PICTURE))
        for high in (42.0, 34.0)
    ]
    return [*beside, *below]


def _fit(
    xy: FloatArray,
    corners: Corners,
    edge: float = EDGE,
    *,
    least: int = SCALES[0],
    is_key: bool = False,
) -> Frame:
    left, top, right, bottom = corners
    size = np.array([right - left, bottom - top])
    low, high = xy.min(axis=0), xy.max(axis=0)
    asked = max(float(((high - low) * 1000.0 / (size - 2 * edge)).max()), float(least))
    scale = next((scale for scale in SCALES if scale >= asked), int(np.ceil(asked)))
    corner = (low + high) / 2 + np.array([-0.5, 0.5]) * size * scale / 1000.0
    width, height = size.tolist()
    return Frame(float(corner[0]), float(corner[1]), scale, left, top, width, height, is_key)


def bounds_of(frames: Sequence[Frame]) -> FloatArray:
    """Return least x, least y, greatest x, greatest y of frames, shape (n, 4), m."""
    return np.array([frame.ground for frame in frames], dtype=np.float64).reshape(-1, 4)
