"""Where somebody is up a ladder or a bucket: poles, and clamps as the ladder pushes them.

Enters: planned drops, their runs, poles, strand spans.
Leaves: drops, points and names of these places.
Does not do: look at roads; move a clamp that hangs from a bucket, on which no ladder leans.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.text_columns import joined, places, texts, worded
from geoplan.work.place_search import is_bucket_job
from geoplan.work.strand_run import StrandRuns

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Spots:
    """Places of the work, one row for each drop and place."""

    drop: IntArray
    point: npt.NDArray[np.object_]
    name: Any
    """Text: ladder, reel, pole PG01, clamp."""

    def part(self, kept: IntArray | BoolArray) -> Spots:
        """Return some of the places."""
        name = pd.Series(self.name)[kept].array
        return Spots(self.drop[kept], self.point[kept], name)

    def and_those(self, others: Spots) -> Spots:
        """Return these places, then others."""
        name = pd.concat([pd.Series(self.name), pd.Series(others.name)]).array
        point = np.append(self.point, others.point)
        return Spots(np.append(self.drop, others.drop), point, name)


def places_aloft(plan: Plan, runs: StrandRuns, by_bucket: BoolArray) -> Spots:
    """Return where somebody is up for each drop: hook pole or clamp, poles of a ladder's run.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket.

    Returns
    -------
    Spots
        First one place for each drop in order; then clamps where the ladder pushes them; then the
        poles of runs along which a ladder is moved, the terminal's among them.
    """
    drops, poles = plan.drops, plan.layers.poles
    at_pole = pd.Series(joined("pole ", texts(drops["access_pole_id"])))
    is_clamp = drops["strand_span_id"].notna().to_numpy(dtype=bool)
    line = np.asarray(plan.air_spans.geometry.values, dtype=object)
    start = shapely.get_point(line, 0)
    spots = Spots(
        np.arange(len(drops), dtype=np.int64), start, texts(at_pole.where(~is_clamp, "clamp"))
    )
    moved, at = pushed(plan)
    spots = spots.and_those(Spots(moved, at, worded(np.zeros(len(moved)), ("pushed clamp",))))
    ladder = np.flatnonzero(~by_bucket[runs.pole_drop])
    pole = runs.pole[ladder]
    names = joined("pole ", texts(poles.index).take(pole))
    on_run = np.asarray(poles.geometry.values, dtype=object)[pole]
    return spots.and_those(Spots(runs.pole_drop[ladder], on_run, names))


def pushed(plan: Plan) -> tuple[IntArray, npt.NDArray[np.object_]]:
    """Return where clamps stand while the ladder leans on their strand.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.

    Returns
    -------
    drop : ndarray of int64, shape (k,)
        Drops with a clamp whose shift is known, and that no bucket works.
    point : ndarray of shapely Point, shape (k,)
        The clamp, moved square to its strand span, toward the house or away from it, by
        ``ladder_shift_m``.
    """
    drops, spans = plan.drops, plan.layers.spans
    shift = drops["ladder_shift_m"].to_numpy(dtype=np.float64)
    is_moved = np.isfinite(shift) & ~is_bucket_job(drops)
    rows = np.flatnonzero(is_moved & drops["strand_span_id"].notna().to_numpy(dtype=bool))
    line = np.asarray(plan.air_spans.geometry.values, dtype=object)[rows]
    strand = np.asarray(spans.geometry.values, dtype=object)[
        places(drops["strand_span_id"].iloc[rows], spans.index)
    ]
    (at, house), (begin, end) = (
        [shapely.get_coordinates(shapely.get_point(shape, which)) for which in (0, -1)]
        for shape in (line, strand)
    )
    way = end - begin
    across = np.stack([-way[:, 1], way[:, 0]], axis=1)
    across /= np.maximum(np.hypot(*across.T), 1e-9)[:, None]
    toward = np.sign((across * (house - at)).sum(axis=1))
    point = shapely.points(at + (toward * shift[rows])[:, None] * across)
    return rows, np.asarray(point, dtype=object)
