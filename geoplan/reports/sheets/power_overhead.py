"""Power over hook or clamp in words for the profile: the lowest there is, by name.

Enters: a plan, its power, a drop with the poles of its clamp's span.
Leaves: one line of text.
Does not do: judge; draw.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import ID_LETTERS
from geoplan.routes.crossings import ON_POLE_M
from geoplan.work.drop_case import DropCase
from geoplan.work.powers import Powers

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

ABOVE_CLAMP_M = 2.0
"""Power lines within this of a clamp, in plan, are at or above it."""


class Overhead:
    """Finds the lowest power over hooks and clamps.

    Parameters
    ----------
    plan : Plan
        With its layers.
    powers : Powers
        Of these.
    """

    def __init__(self, plan: Plan, powers: Powers) -> None:
        self._powers = powers
        self._poles = plan.layers.poles
        self._tree = shapely.STRtree(plan.layers.power.geometry.to_numpy())
        self._recorded_m = plan.layers.power["height_m"].to_numpy(dtype=np.float64)

    def words(self, case: DropCase, span_poles: Sequence[str], start: FloatArray) -> str:
        """Say which power is over hook or clamp, and from what height on.

        Parameters
        ----------
        case : DropCase
            The drop.
        span_poles : sequence of str
            Poles of the clamp's span; empty for a hook.
        start : ndarray of float64, shape (2,)
            Hook or clamp, working coordinates, m.

        Returns
        -------
        str
            Of all that is recorded on the poles or passes them, and of lines at the clamp, the
            lowest counts; empty where there is no power. Drops to buildings hang lowest far from
            poles, so on a pole they don't count.
        """
        access = str(case.drop["access_pole_id"])
        rows = self._on_poles(span_poles if case.is_from_clamp else (access,))
        height = self._powers.height_m
        if not case.is_from_clamp:
            low = self._lowest(rows, height)
            if low < 0:
                return ""
            name = cut(str(self._powers.names[low]), ID_LETTERS).removeprefix("power on ")
            own = f"pole {access}"
            which = "" if name == own else f": {name}"
            up = f"from {case.length(height[low])} up"
            return f"POWER on the pole of the hook{which}, {up} (not drawn)"
        at = np.sort(self._near(shapely.Point(start), ABOVE_CLAMP_M))
        known = np.where(self._powers.is_service[at], self._recorded_m[at], height[at])
        low = self._lowest(rows, height)
        low_m = np.fmin.reduce([*known, np.nan if low < 0 else height[low]])
        if len(at) == 0:
            if not np.isfinite(low_m):
                return ""
            on = self._pole_of(low, span_poles)
            name = str(self._powers.names[low])
            which = "" if low >= self._powers.lines else f": {cut(name, ID_LETTERS)}"
            up = f"from {case.length(low_m)} up"
            return f"POWER on pole {on} of the clamp's span{which}, {up} (not drawn)"
        told = cut(", ".join(sorted(str(self._powers.names[row]) for row in at)), ID_LETTERS)
        up = f"from {case.length(low_m)} up" if np.isfinite(low_m) else "height not known"
        return f"POWER at or above the clamp: {told}, {up} (not drawn)"

    def _pole_of(self, row: int, poles: Sequence[str]) -> str:
        """Name the pole that power is recorded on, or the poles of a span that a line passes."""
        if row >= self._powers.lines:
            return str(self._poles.index[row - self._powers.lines])
        return " and ".join(pole for pole in poles if row in self._on_poles((pole,)))

    def _near(self, point: shapely.Point, within_m: float) -> IntArray:
        found = self._tree.query(point, predicate="dwithin", distance=within_m)
        return np.asarray(found, dtype=np.int64)

    def _on_poles(self, poles: Sequence[str]) -> IntArray:
        """Return what is recorded on poles, and the lines that pass them but for drops."""
        rows = self._poles.index.get_indexer(pd.Index(list(poles)))
        found = [self._powers.lines + rows[rows >= 0]]
        for row in rows[rows >= 0]:
            lines = self._near(self._poles.geometry.iloc[row], ON_POLE_M)
            found.append(lines[~self._powers.is_service[lines]])
        return np.concatenate(found).astype(np.int64)

    @staticmethod
    def _lowest(rows: IntArray, height_m: FloatArray) -> int:
        """Return the row of the least known height; -1 without one."""
        known = rows[np.isfinite(height_m[rows])]
        return int(known[np.argmin(height_m[known])]) if len(known) else -1
