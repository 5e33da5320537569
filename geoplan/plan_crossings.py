"""What planned air spans meet, as the declared table, and names of what is met.

Enters: the choice and layers.
Leaves: the rows of ``crossings``; names of features.
Does not do: decide anything.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.chosen import Chosen, ids
from geoplan.hanging import clearance_columns
from geoplan.model import Layers
from geoplan.routes.crossings import KIND_CODE, KIND_LAYER, KINDS, Crossings
from geoplan.routes.segments import IntArray
from geoplan.tables import CrossingKind
from geoplan.text_columns import assembled, joined, texts, worded
from geoplan.verdicts import Forbidden


def build_crossings(chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    """Build the rows of all that planned air spans meet, other planned drops among them.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    layers : Layers
        Checked layers.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns as declared for ``crossings``, in no order.
    """
    served = chosen.served
    routes = chosen.found.routes
    air = chosen.found.air.take(chosen.air_rows)
    met = chosen.crossings
    who = served[met.air]
    parts: dict[str, list[tuple[IntArray, Any]]] = {"id": [], "name": [], "class": [], "by": []}
    width = np.full(len(met), np.nan)
    for kind, layer in KIND_LAYER.items():
        rows = np.flatnonzero(met.kind == KIND_CODE[kind]).astype(np.int64)
        if len(rows) == 0:
            continue
        frame: gpd.GeoDataFrame = getattr(layers, layer)
        feature = met.feature[rows]
        parts["id"].append((rows, ids(frame.index, feature)))
        for key, column in (
            ("name", "name"),
            ("class", "road_class"),
            ("class", "power_kind"),
            ("by", "jurisdiction"),
        ):
            if column in frame.columns:
                parts[key].append((rows, texts(frame[column]).take(feature)))
        if kind is CrossingKind.ROAD:
            width[rows] = frame["width_m"].to_numpy(dtype=np.float64)[feature]
    names = {key: assembled(len(met), columns) for key, columns in parts.items()}
    share = met.at_m / np.maximum(air.length_m[met.air], 1e-9)
    x = air.sx[met.air] + share * (air.ex - air.sx)[met.air]
    y = air.sy[met.air] + share * (air.ey - air.sy)[met.air]
    table = gpd.GeoDataFrame(
        {
            "address_id": ids(layers.addresses.index, who),
            "terminal_id": ids(layers.poles.index, routes.terminal[chosen.route[who]]),
            "crossing_kind": worded(met.kind, [kind.value for kind in KINDS]),
            "feature_id": names["id"],
            "feature_name": names["name"],
            "feature_class": names["class"],
            "is_near_miss": met.is_near_miss,
            "at_m": met.at_m,
            "start_m": met.start_m,
            "end_m": met.end_m,
            "distance_m": met.distance_m,
            "angle_deg": met.angle_deg,
            "width_m": width,
            "jurisdiction": names["by"],
            **clearance_columns(met, chosen.final, chosen.ends, chosen.plant),
        },
        geometry=shapely.points(x, y),
        crs=layers.crs.working_crs,
    )
    return gpd.GeoDataFrame(
        pd.concat([table, _planned_crossings(chosen, layers)], ignore_index=True)
    )


def crossing_names(met: Crossings, layers: Layers) -> Any:
    """Name what air spans meet: its kind and id.

    Parameters
    ----------
    met : Crossings
        What they meet, n rows.
    layers : Layers
        Checked layers.

    Returns
    -------
    pandas array of str, shape (n,)
        For example ``road R02``.
    """
    parts: list[tuple[IntArray, Any]] = []
    for kind, layer in KIND_LAYER.items():
        rows = np.flatnonzero(met.kind == KIND_CODE[kind]).astype(np.int64)
        if len(rows):
            features = ids(getattr(layers, layer).index, met.feature[rows])
            parts.append((rows, joined(f"{kind.value} ", features)))
    return assembled(len(met), parts)


def missed(chosen: Chosen, layers: Layers, air: IntArray) -> Any:
    """Name what air spans miss the clearance of.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    layers : Layers
        Checked layers.
    air : ndarray of int64, shape (n,)
        Rows of the air spans.

    Returns
    -------
    pandas array of str, shape (n,)
        A crossing's kind and id, or ``the yard``.
    """
    crossing = chosen.found.hung.miss_crossing[air]
    on, yard = np.flatnonzero(crossing >= 0), np.flatnonzero(crossing < 0)
    return assembled(
        len(air),
        [
            (on, crossing_names(chosen.found.crossings.take(crossing[on]), layers)),
            (yard, worded(np.zeros(len(yard)), ("the yard",))),
        ],
    )


def clearance_only(chosen: Chosen) -> IntArray:
    """Find routes that nothing but clearance or power forbids.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.

    Returns
    -------
    ndarray of int64
        Rows of the routes.
    """
    routes = chosen.found.routes
    clearance = int(Forbidden.CLEARANCE | Forbidden.POWER)
    only = (routes.forbidden != 0) & ((routes.forbidden & ~clearance) == 0)
    return np.flatnonzero(only & np.isfinite(chosen.found.hung.miss_m[routes.air])).astype(np.int64)


def _planned_crossings(chosen: Chosen, layers: Layers) -> gpd.GeoDataFrame:
    met = chosen.whole.meetings
    routes = chosen.found.routes
    names = layers.addresses.index
    every = np.zeros(len(met.address), dtype=np.int64)
    return gpd.GeoDataFrame(
        {
            "address_id": ids(names, met.address),
            "terminal_id": ids(layers.poles.index, routes.terminal[chosen.route[met.address]]),
            "crossing_kind": worded(every, (CrossingKind.PLANNED_DROP.value,)),
            "feature_id": ids(names, met.other),
            "feature_name": worded(every, (None,)),
            "feature_class": worded(every, (None,)),
            "is_near_miss": False,
            "at_m": met.at_m,
            "start_m": met.at_m,
            "end_m": met.at_m,
            "distance_m": 0.0,
            "angle_deg": met.angle_deg,
            "width_m": np.nan,
            "jurisdiction": worded(every, (None,)),
            "required_m": np.nan,
            "available_m": np.nan,
            "margin_m": np.nan,
            "margin_case": worded(every, (None,)),
            "rule": worded(every, (None,)),
            "clearance_basis": worded(every, ("not_checked",)),
            "clearance_note": worded(
                every, ("heights of both drops where they cross are not compared",)
            ),
        },
        geometry=shapely.points(met.x, met.y),
        crs=layers.crs.working_crs,
    )
