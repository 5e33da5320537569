"""Roads as crew rules see them: how each may be crossed, and how far signs and tapers stand.

Enters: roads, crew rules.
Leaves: the least way over each road; distances of signs, tapers and buffers.
Does not do: know any drop.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.rules.crew_reader import ROAD_CLASSES, SIGN_ROWS, WAYS, CrewRules
from geoplan.text_columns import places, texts
from geoplan.units import to_si

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

TRAFFIC_CLASSES = ("none", "beside_road", "short_stop", "flaggers", "lane_closure", "owner")
"""From the least to the most."""
BESIDE, STOP, FLAGGERS, CLOSURE, OWNER = range(1, 6)

SPEED_SLACK_M_PER_S = 0.01
"""A speed limit that exceeds a figure by less is taken for it: files round them."""
MPH = float(to_si(1.0, "mph", "speed"))
WHOLE_WIDTH = 0.9
"""An air span over this part of a carriageway's width or more hangs over the whole of it."""


@dataclass(frozen=True)
class Roads:
    """Roads as crew rules see them, by row of the layer."""

    name: Any
    class_word: Any
    class_code: IntArray
    """Place in `ROAD_CLASSES`; that of ``other`` for words which aren't there."""
    speed_m_per_s: FloatArray
    speed_is_assumed: BoolArray
    vehicles: FloatArray
    vehicles_are_assumed: BoolArray
    width_m: FloatArray
    way: IntArray
    """Least traffic class by which the road may be crossed."""
    is_for_one: BoolArray
    """Whether one person may cross it."""
    way_held: IntArray
    """Least traffic class that holds traffic for longer than a moment: no short stop."""
    class_is_doubtful: BoolArray
    """Whether speed or traffic was assumed by a class that may itself be that of ``[defaults]``."""


def look_up_roads(
    roads: gpd.GeoDataFrame, rules: CrewRules, doubtful_class: str | None = None
) -> Roads:
    """Look up how each road may be crossed.

    Parameters
    ----------
    roads : geopandas.GeoDataFrame
        Columns as declared for the layer, n rows.
    rules : CrewRules
        Limits by road class; what is taken where speed or traffic isn't recorded.
    doubtful_class : str, optional
        Class that stands in for roads of the layer that had none; None: all had one.

    Returns
    -------
    Roads
        By row. The least way whose limits the road keeps: alone and two people in a gap are
        ``short_stop``, then ``flaggers``; beyond them ``lane_closure``; a highway is ``owner``.
    """
    words = texts(roads["road_class"])
    code = places(words, list(ROAD_CLASSES))
    code = np.where(code >= 0, code, ROAD_CLASSES.index("other"))
    speed = roads["speed_m_per_s"].to_numpy(dtype=np.float64)
    vehicles = roads["vehicles_per_day"].to_numpy(dtype=np.float64)
    no_speed, no_vehicles = np.isnan(speed), np.isnan(vehicles)
    speed = np.where(no_speed, rules.by_class("assumed", "speed")[code], speed)
    vehicles = np.where(no_vehicles, rules.by_class("assumed", "vehicles")[code], vehicles)

    def keeps(way: str) -> BoolArray:
        fast = rules.by_class(f"crossing.{way}", "speed")[code]
        many = rules.by_class(f"crossing.{way}", "vehicles")[code]
        return np.asarray((speed <= fast + SPEED_SLACK_M_PER_S) & (vehicles <= many))

    alone, stop, flaggers = (keeps(way) for way in WAYS)
    owned = code == ROAD_CLASSES.index("highway")
    way = np.select(
        [owned, alone | stop, flaggers], [OWNER, STOP, FLAGGERS], default=CLOSURE
    ).astype(np.int64)
    held = np.select([owned, flaggers], [OWNER, FLAGGERS], default=CLOSURE).astype(np.int64)
    name = roads["name"].fillna(pd.Series(roads.index, index=roads.index))
    return Roads(
        texts(name),
        texts(roads["road_class"].fillna("class unknown")),
        code,
        speed,
        no_speed,
        vehicles,
        no_vehicles,
        roads["width_m"].to_numpy(dtype=np.float64),
        way,
        alone & ~owned,
        held,
        np.asarray(roads["road_class"] == doubtful_class, dtype=bool) & (no_speed | no_vehicles),
    )


def has_room(road: IntArray, roads: Roads, rules: CrewRules) -> BoolArray:
    """Tell on which roads traffic is let by beside a closed lane; on others the road is shut.

    Parameters
    ----------
    road : ndarray of int64, shape (k,)
        Rows of roads; -1 has room.
    roads : Roads
        Roads as the rules see them.
    rules : CrewRules
        ``run.pass_width``.

    Returns
    -------
    ndarray of bool, shape (k,)
        Whether the carriageway is that wide.

    References
    ----------
    Common practice, no source.
    """
    return np.asarray(np.append(roads.width_m, np.inf)[road] >= rules.value("run.pass_width"))


def taper_length(speed_m_per_s: FloatArray, offset_m: FloatArray, rules: CrewRules) -> FloatArray:
    """Return the length L of a taper.

    Parameters
    ----------
    speed_m_per_s : ndarray of float64, shape (n,)
        Speed limit, m/s.
    offset_m : ndarray of float64, shape (n,)
        Offset W, m.
    rules : CrewRules
        Where the formula changes.

    Returns
    -------
    ndarray of float64, shape (n,)
        L in m.

    Notes
    -----
    L = W S^2 / 60 up to 40 mph, L = W S above, with S in mph, L and W in one unit. The table
    has the second formula from 45 mph; between 40 and 45 mph it is taken too, as the longer one.

    References
    ----------
    California MUTCD 2014, Table 6H-4 (federal Table 6C-4); read.
    """
    speed_mph = speed_m_per_s / MPH
    is_low = speed_m_per_s <= rules.value("taper.low_speed_to") + SPEED_SLACK_M_PER_S
    low = offset_m * speed_mph**2 / rules.value("taper.low_divisor")
    return np.where(is_low, low, offset_m * speed_mph)


def sign_spacing(
    speed_m_per_s: FloatArray, class_code: IntArray, rules: CrewRules
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how far advance-warning signs stand apart.

    Parameters
    ----------
    speed_m_per_s : ndarray of float64, shape (n,)
        Speed limit, m/s.
    class_code : ndarray of int64, shape (n,)
        Place in `ROAD_CLASSES`. A highway takes the expressway's row; what is not rural takes
        an urban row by its speed.
    rules : CrewRules
        The table.

    Returns
    -------
    tuple of ndarray of float64, shape (n,)
        To the first sign from the start of the taper, or from the work space where there is no
        taper; on to the second, on to the third, m.

    References
    ----------
    California MUTCD 2014, Table 6H-3; read.
    """
    limits = [rules.value(f"signs.{row}.to_speed") for row in ("urban_low", "urban_middle")]
    row = np.select(
        [
            class_code == ROAD_CLASSES.index("highway"),
            class_code == ROAD_CLASSES.index("rural"),
            speed_m_per_s <= limits[0] + SPEED_SLACK_M_PER_S,
            speed_m_per_s <= limits[1] + SPEED_SLACK_M_PER_S,
        ],
        [4, 3, 0, 1],
        default=2,
    )
    table = np.array(
        [[rules.value(f"signs.{name}.{sign}") for sign in ("a", "b", "c")] for name in SIGN_ROWS]
    )
    a, b, c = table[row].T
    return a, b, c


def buffer_length(speed_m_per_s: FloatArray, rules: CrewRules) -> FloatArray:
    """Return the free space between taper and work space.

    Parameters
    ----------
    speed_m_per_s : ndarray of float64, shape (n,)
        Speed limit, m/s.
    rules : CrewRules
        The table; a speed between two rows takes the higher one.

    Returns
    -------
    ndarray of float64, shape (n,)
        m; NaN beyond the table's end.

    References
    ----------
    MUTCD 2009, Table 6C-2; from memory.
    """
    bands = rules.buffers()
    upper = np.array([speed for speed, _ in bands])
    values = np.array([*(figure.value_si for _, figure in bands), np.nan])
    return np.asarray(values[np.searchsorted(upper, speed_m_per_s - SPEED_SLACK_M_PER_S)])


def work_distances(
    code: IntArray, at: IntArray, is_lane: BoolArray, roads: Roads, rules: CrewRules
) -> dict[str, FloatArray]:
    """Return distances of signs, taper and buffer.

    Parameters
    ----------
    code : ndarray of int64, shape (n,)
        Traffic class, place in `TRAFFIC_CLASSES`.
    at : ndarray of int64, shape (n,)
        Row of the road; -1 for none.
    is_lane : ndarray of bool, shape (n,)
        Whether flaggers let traffic by in the other lane; elsewhere they hold the whole road.
    roads : Roads
        Roads as the rules see them.
    rules : CrewRules
        The tables.

    Returns
    -------
    dict of str to ndarray of float64, shape (n,)
        ``sign_1_m`` to ``sign_3_m``, ``taper_m``, ``buffer_m``, in m; NaN where none stands. No
        taper where flaggers hold the whole road: they stand the buffer before the work, and signs
        count from them.
    """
    speed = np.append(roads.speed_m_per_s, np.nan)[at]
    road_class = np.append(roads.class_code, 0)[at]
    width = np.append(roads.width_m, np.nan)[at]
    a, b, c = sign_spacing(speed, road_class, rules)
    signed = (code >= BESIDE) & (code < OWNER)
    closed, flagged = code == CLOSURE, code == FLAGGERS
    lane = np.minimum(rules.value("taper.lane_width"), width / 2)
    merging = rules.value("taper.merging") * taper_length(speed, lane, rules)
    one_lane = np.where(flagged & is_lane, rules.value("taper.one_lane"), np.nan)
    far = closed | flagged
    return {
        "sign_1_m": np.where(signed, a, np.nan),
        "sign_2_m": np.where(far, b, np.nan),
        "sign_3_m": np.where(far, c, np.nan),
        "taper_m": np.where(closed, merging, one_lane),
        "buffer_m": np.where(far, buffer_length(speed, rules), np.nan),
    }


def hangs_over(crossings: pd.DataFrame) -> BoolArray:
    """Tell which crossings are air spans over a whole carriageway, its centre-line not crossed.

    Parameters
    ----------
    crossings : pandas.DataFrame
        Columns as declared for ``crossings``, n rows.

    Returns
    -------
    ndarray of bool, shape (n,)
        Where a road ends, for example, or where its line bends away.
    """
    over = crossings["end_m"] - crossings["start_m"]
    wide = over >= WHOLE_WIDTH * crossings["width_m"]
    is_road = (crossings["crossing_kind"] == "road") & ~crossings["is_near_miss"]
    return np.asarray(is_road & crossings["angle_deg"].isna() & wide, dtype=bool)


def is_over_street(drops: pd.DataFrame, crossings: pd.DataFrame) -> BoolArray:
    """Tell which air spans are over a street: crossing it, or hanging over all of its width.

    Parameters
    ----------
    drops, crossings : pandas.DataFrame
        Columns as declared, n rows of drops.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the wire has to be raised over a carriageway.
    """
    hung = drops["address_id"].isin(crossings["address_id"][hangs_over(crossings)])
    return np.asarray(drops["is_street_crossing"] | hung, dtype=bool)
