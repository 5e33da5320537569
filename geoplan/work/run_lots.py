"""Whose lots a strand run is on: below the wire, and where ladder or truck stand for it.

Enters: strand runs, lots, carriageways, crew rules.
Leaves: lots by drop in words.
Does not do: know verges, rights of way or easements; choose where each ladder stands.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import joined, places, texts
from geoplan.work.clauses import per_row
from geoplan.work.ground import Ground
from geoplan.work.place_search import STREET_WITHIN_M
from geoplan.work.strand_run import LIST_SPLIT, StrandRuns

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LEAST_OVER_LOT_M = 0.5
"""A run over a lot for less than this runs along its edge: lot lines are not drawn finer; common
practice, no source."""
SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Parts of a leg at which the ground beside it is looked at."""


def run_lots(
    plan: Plan, runs: StrandRuns, by_bucket: BoolArray, ground: Ground, rules: CrewRules
) -> Any:
    """List the lots that runs pass over or are worked from, but for that of the drop.

    Parameters
    ----------
    plan : Plan
        A finished plan, n drops.
    runs : StrandRuns
        Ways of the wires along the strand, m legs.
    by_bucket : ndarray of bool, shape (n,)
        Drops whose run is worked from a bucket.
    ground : Ground
        Carriageways.
    rules : CrewRules
        How near a carriageway a ladder's place is told, room that a truck takes.

    Returns
    -------
    pandas array of str, shape (n,)
        Id and street address, split by `LIST_SPLIT`; null without one.

    Notes
    -----
    A ladder's foot is off the strand by the leg's height over the tangent of ``[ladder] angle``:
    on the side away from the nearest carriageway, where the other side is nearer to one than
    ``places.kerb_told``; else on either. A truck stands ``places.bucket_away`` off, toward a
    carriageway within `STREET_WITHIN_M` of the leg's middle, on nobody's lot where that is in its
    lane; else on either side. Where either side will do, nobody more is asked if the run is over
    lots itself, or, for a ladder, if one side has free ground and no lots. A truck without a road
    beside the run gets to it over ground that nobody knows: all lots beside it are asked.

    References
    ----------
    Sides: common practice, no source.
    """
    parcels = plan.layers.parcels
    own = places(plan.drops["parcel_id"], parcels.index)
    shapes = np.asarray(parcels.geometry.values, dtype=object)
    count = len(runs.drop)
    is_truck = by_bucket[runs.drop]
    slope = np.tan(np.radians(plan.project.ladder.angle))
    out_m = np.where(is_truck, rules.value("places.bucket_away"), runs.high_m / slope)
    ends = runs.segment.reshape(-1, 2, 2)
    along = ends[:, 1] - ends[:, 0]
    length = np.maximum(np.hypot(*along.T), 1e-9)
    square = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None] * out_m[:, None]
    keep_off = [rules.value(f"places.{name}") for name in ("bucket_keep_off", "keep_off")]
    edge, free = np.empty((2, count)), np.empty((2, count), dtype=bool)
    lots = []
    for side, sign in enumerate((1.0, -1.0)):
        aside = ends + sign * square[:, None, :]
        middle = aside.mean(axis=1)
        edge[side] = ground.nearest_road(middle[:, 0], middle[:, 1], STREET_WITHIN_M)[1]
        lots.append(_over(shapes, shapely.linestrings(aside), own[runs.drop]))
        free[side] = _is_free(ground, aside, np.where(is_truck, *keep_off))
    has_lots = np.array([np.isin(np.arange(count), leg) for leg, _ in lots])
    below = _over(shapes, runs.lines, own[runs.drop])
    has_room = (free & ~has_lots).any(axis=0) & ~is_truck
    needs_none = has_room | np.isin(np.arange(count), below[0])
    asked = _asked(edge, is_truck, rules, has_lots & ~needs_none)
    lots = [(leg[asked[n][leg]], lot[asked[n][leg]]) for n, (leg, lot) in enumerate(lots)]
    lots.append(below)
    leg, lot = (np.concatenate(parts) for parts in zip(*lots, strict=True))
    pairs = np.unique(np.stack([runs.drop[leg], lot], axis=1), axis=0).reshape(-1, 2)
    return per_row(pairs[:, 0], _named(plan, pairs[:, 1]), runs.count, LIST_SPLIT)


def _asked(
    edge: FloatArray, is_truck: BoolArray, rules: CrewRules, either_asked: BoolArray
) -> BoolArray:
    """Tell on which sides of each leg, shape (2, m), leave is asked; that told where both do."""
    by_road = np.isfinite(edge).any(axis=0)
    keep_off, told = rules.value("places.bucket_keep_off"), rules.value("places.kerb_told")
    is_near = edge <= edge[::-1]
    truck = is_near & ~(edge < keep_off) & (edge != edge[::-1])
    ladder = ~is_near & (edge.min(axis=0) < told)
    either = np.where(is_truck, ~by_road, ~(edge.min(axis=0) < told))
    return np.asarray((either & either_asked) | (~either & np.where(is_truck, truck, ladder)))


def _is_free(ground: Ground, lines: FloatArray, keep_off_m: FloatArray) -> BoolArray:
    """Tell beside which legs the ground is free all along."""
    free = np.ones(len(lines), dtype=bool)
    for share in SHARES:
        x_m, y_m = (lines[:, 0] + share * (lines[:, 1] - lines[:, 0])).T
        for least_m in np.unique(keep_off_m):
            free &= ground.is_free(x_m, y_m, least_m) | (keep_off_m != least_m)
    return free


def _over(
    shapes: npt.NDArray[np.object_], lines: npt.NDArray[np.object_], own: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Pair lines with the lots of others below them."""
    leg, lot = shapely.STRtree(shapes).query(lines, predicate="intersects")
    other = lot != own[leg]
    leg, lot = leg[other], lot[other]
    over = shapely.length(shapely.intersection(shapes[lot], lines[leg])) > LEAST_OVER_LOT_M
    return leg[over].astype(np.int64), lot[over].astype(np.int64)


def _named(plan: Plan, lot: npt.NDArray[np.int64]) -> Any:
    parcels, addresses = plan.layers.parcels, plan.layers.addresses
    labels = addresses["label"].groupby(addresses["parcel_id"]).first()
    label = labels.reindex(parcels.index[lot]).reset_index(drop=True)
    label = pd.Series(label.str.replace(LIST_SPLIT, ",", regex=False))
    street = (" (" + label.astype("str") + ")").where(label.notna(), "").array
    return joined(texts(parcels.index).take(lot), street)
