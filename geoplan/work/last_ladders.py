"""Where the last ladder of a strand run stands: at the terminal's pole, away from the road.

Enters: planned drops, their runs, poles, carriageways.
Leaves: the foot of that ladder by drop.
Does not do: look at buildings, lots and power there; the crew chooses its place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.model import Plan
from geoplan.text_columns import places
from geoplan.work.ground import Ground
from geoplan.work.place_search import STREET_WITHIN_M
from geoplan.work.strand_run import StrandRuns, strand_heights

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class LastLadders:
    """Ladders at the terminals of runs that no bucket works, k of them."""

    drop: IntArray
    pole: IntArray
    """Row of the terminal's pole."""
    foot: FloatArray
    """Shape (k, 2), m."""


def last_ladders(plan: Plan, runs: StrandRuns, by_bucket: BoolArray, ground: Ground) -> LastLadders:
    """Put the last ladder of each run on its pole's side away from the nearest carriageway.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket: no ladder.
    ground : Ground
        Carriageways.

    Returns
    -------
    LastLadders
        The foot is out by the strand's height over the tangent of ``[ladder] angle``; at the pole
        itself where no carriageway is within `STREET_WITHIN_M`.

    References
    ----------
    Side: common practice, no source.
    """
    poles, project = plan.layers.poles, plan.project
    drop = np.unique(runs.drop[~by_bucket[runs.drop]])
    pole = places(plan.drops["terminal_id"], poles.index)[drop]
    spot = shapely.get_coordinates(np.asarray(poles.geometry.values, dtype=object)[pole])
    road, _ = ground.nearest_road(spot[:, 0], spot[:, 1], STREET_WITHIN_M)
    shapes = np.asarray([*plan.layers.roads.geometry.values, None], dtype=object)[road]
    has = np.flatnonzero(road >= 0)
    nearest = shapely.get_point(shapely.shortest_line(shapes[has], shapely.points(spot[has])), 0)
    way = np.zeros_like(spot)
    way[has] = spot[has] - shapely.get_coordinates(nearest).reshape(-1, 2)
    high_m = strand_heights(poles, project.heights.strand_height)[pole]
    out_m = high_m / np.tan(np.radians(project.ladder.angle))
    part = out_m / np.maximum(np.hypot(*way.T), 1e-9)
    return LastLadders(drop.astype(np.int64), pole, spot + part[:, None] * way)
