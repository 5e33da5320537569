"""Air spans as columns: the free-hanging part of candidate drops.

Enters: sources (poles or clamps) and attachments.
Leaves: `AirSpans`.
Does not do: search, price or judge.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.routes.segments import FloatArray, IntArray

WALL_FACE, WALL_CORNER, ADDRESS_POINT = 0, 1, 2
BASIS_NAMES = ("wall_face", "wall_corner", "address_point")


@dataclass(frozen=True)
class AirSpans:
    """Candidate air spans, one row each; row numbers of layers stand for ids."""

    address: IntArray
    pole: IntArray
    """Pole the span leaves from; -1 for a clamp."""
    span: IntArray
    """Strand span the clamp sits on; -1 for a pole."""
    clamp_from_m: FloatArray
    """Distance of the clamp from the strand span's first pole; NaN for a pole."""
    sx: FloatArray
    sy: FloatArray
    ex: FloatArray
    ey: FloatArray
    building: IntArray
    """Building attached to; -1 for the address point."""
    basis: IntArray
    wall_angle_deg: FloatArray
    """NaN without a wall."""

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.address)

    @property
    def length_m(self) -> FloatArray:
        """Horizontal length in metres."""
        return np.hypot(self.ex - self.sx, self.ey - self.sy)

    @property
    def segment(self) -> FloatArray:
        """Start and end as ``x0, y0, x1, y1``."""
        return np.stack([self.sx, self.sy, self.ex, self.ey], axis=1)

    def take(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> AirSpans:
        """Return some rows."""
        return AirSpans(*(getattr(self, field.name)[rows] for field in fields(self)))

    @staticmethod
    def joined(parts: list[AirSpans]) -> AirSpans:
        """Return the rows of several tables, in order."""
        return AirSpans(
            *(
                np.concatenate([getattr(part, field.name) for part in parts])
                for field in fields(AirSpans)
            )
        )

    @staticmethod
    def empty() -> AirSpans:
        """Return a table without rows."""
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        return AirSpans(whole, whole, whole, real, real, real, real, real, whole, whole, real)
