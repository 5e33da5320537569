"""How air spans hang, as columns.

Enters: nothing.
Leaves: `Hung`.
Does not do: choose or check.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.routes.segments import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Hung:
    """How air spans hang, one row each."""

    start_ground_m: FloatArray
    end_ground_m: FloatArray
    start_m: FloatArray
    """Height of the start above its ground."""
    end_m: FloatArray
    hook_is_raised: BoolArray
    attachment_is_raised: BoolArray
    length_m: FloatArray
    """Unstressed length at the stringing temperature."""
    forbidden: IntArray
    miss_m: FloatArray
    """By how much the best heights fail; NaN where they don't."""
    miss_part: FloatArray
    """Where along the air span they fail, 0 to 1."""
    miss_crossing: IntArray
    """Row of the crossing that fails; -1: the yard or none."""
    height_is_assumed: BoolArray
    ground_is_known: BoolArray
    give_m_per_n: FloatArray
    """Give of the clamp at stringing; 0 for a pole."""

    def take(self, rows: npt.NDArray[np.int64] | BoolArray) -> Hung:
        """Return some rows."""
        return Hung(*(getattr(self, field.name)[rows] for field in fields(self)))

    def moved(self, by: int) -> Hung:
        """Return the rows with their crossings renumbered by an offset."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        crossing = values["miss_crossing"]
        values["miss_crossing"] = np.where(crossing >= 0, crossing + by, -1)
        return Hung(**values)

    @staticmethod
    def joined(parts: list[Hung]) -> Hung:
        """Return the rows of several tables, in order."""
        return Hung(
            *(
                np.concatenate([getattr(part, field.name) for part in parts])
                for field in fields(Hung)
            )
        )
