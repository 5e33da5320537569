"""The scale of a drawing of a span: from metres along and up to places on the page.

Enters: where 0 lies on the page, and page units for a metre.
Leaves: `DrawingScale`.
Does not do: choose a scale; draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class DrawingScale:
    """Distances grow to the right, heights upward."""

    x0: float
    y0: float
    """Where distance 0 and elevation 0 lie on the page."""
    per_m: float
    up_per_m: float

    def x(self, value_m: float) -> float:
        """Return where a distance lies."""
        return self.x0 + value_m * self.per_m

    def y(self, value_m: float) -> float:
        """Return where an elevation lies."""
        return self.y0 - value_m * self.up_per_m

    @property
    def exaggeration(self) -> float:
        """How many times the scale of distances heights have."""
        return self.up_per_m / self.per_m

    def places(self, x_m: FloatArray, z_m: FloatArray) -> FloatArray:
        """Return places on the page, shape (n, 2)."""
        return np.column_stack([self.x0 + x_m * self.per_m, self.y0 - z_m * self.up_per_m])
