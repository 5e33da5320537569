"""What each feature of the layers asks to be kept clear.

Enters: layers, rules, settings.
Leaves: `Demands` by row of the layers.
Does not do: know where an air span passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geoplan.clearance.supports import POWER_KIND
from geoplan.model import Layers
from geoplan.project import Heights
from geoplan.routes.segments import FloatArray
from geoplan.rules import RuleSet, clearance_table, separation_table

if TYPE_CHECKING:
    import pandas as pd

BoolArray = npt.NDArray[np.bool_]
ROAD_CLASS = {
    "highway": "limited_access",
    "arterial": "arterial",
    "collector": "collector",
    "residential": "local",
    "local": "local",
    "alley": "alley",
    "rural": "rural",
}
"""Road classes of a project, and the classes of a rule set. Others count as arterial."""


@dataclass(frozen=True)
class Demands:
    """What each feature asks for, by row of its layer; NaN: the rules hold no figure."""

    road_m: FloatArray
    road_key: npt.NDArray[np.object_]
    half_crown_m: float
    walk_m: float
    driveway_m: float
    driveway_reduced_m: float
    roof_m: FloatArray
    roof_top_m: FloatArray
    roof_key: npt.NDArray[np.object_]
    rail_m: float
    pool_m: float
    yard_m: float
    power_separation_m: FloatArray
    power_height_m: FloatArray
    power_is_assumed: BoolArray
    power_kind: npt.NDArray[np.object_]
    power_voltage_v: FloatArray
    drop_separation_m: float
    drop_height_m: FloatArray
    rules: RuleSet
    roof_is_assumed: BoolArray


def build_demands(layers: Layers, heights: Heights, rules: RuleSet) -> Demands:
    """Look up what each feature asks for.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    heights : Heights
        Settings and defaults.
    rules : RuleSet
        Rules in force.

    Returns
    -------
    Demands
        By row of the layers.
    """
    tables = (layers.roads, layers.buildings, layers.power, layers.existing_drops)
    return look_up_demands(*tables, heights, rules)


def look_up_demands(
    roads: pd.DataFrame,
    buildings: pd.DataFrame,
    power: pd.DataFrame,
    existing_drops: pd.DataFrame,
    heights: Heights,
    rules: RuleSet,
) -> Demands:
    """Look up what the rows of some tables ask for.

    Parameters
    ----------
    roads, buildings, power, existing_drops : pandas.DataFrame
        Columns as declared for these layers; class, slope, kind, voltage and heights are read.
    heights : Heights
        Settings and defaults.
    rules : RuleSet
        Rules in force.

    Returns
    -------
    Demands
        By row of the tables.
    """
    table = clearance_table(rules)

    def one(kind: str, name: str) -> float:
        return float(table.required(table.kind_codes([kind]), table.class_codes([name]))[0])

    classes = roads["road_class"].map(ROAD_CLASS).fillna("arterial")
    road = table.required(
        table.kind_codes(["road"] * len(classes)), table.class_codes(classes.to_numpy(object))
    )
    slope = np.tan(np.radians(buildings["roof_slope_deg"].to_numpy(dtype=np.float64)))
    roof_codes = table.roof_class_codes(slope)
    roof = table.required(table.kind_codes(["roof"] * len(slope)), roof_codes)
    kinds = power["power_kind"].map(POWER_KIND)
    volts = power["voltage_v"].to_numpy(dtype=np.float64)
    default_volts = power["power_kind"].map(heights.power_voltage).to_numpy(np.float64)
    apart = separation_table(rules)
    voltage = np.where(np.isnan(volts), default_volts, volts)
    separation = apart.distance(
        apart.row_codes([f"{kind}.span" for kind in kinds.fillna("supply_line")]), voltage
    )
    measured = power["height_m"].to_numpy(dtype=np.float64)
    default_height = power["power_kind"].map(heights.power_height).to_numpy(np.float64)
    top = buildings["height_m"].to_numpy(dtype=np.float64)
    communication = rules.separation("communication", None, "span")
    driveway = one("driveway", "residential")
    reduced = one("driveway", "reduced")
    return Demands(
        road,
        np.array([f"clearance.road.{name}" for name in classes], dtype=object),
        heights.road_crown,
        one("walk", "any"),
        driveway,
        driveway if np.isnan(reduced) else reduced,
        roof,
        np.where(np.isnan(top), heights.roof_height, top),
        np.array([f"clearance.roof.{table.classes[code]}" for code in roof_codes], dtype=object),
        one("rail", "any"),
        one("pool", "any"),
        rules.require("clearance.yard.pedestrian").value_si,
        separation,
        np.where(np.isnan(measured), default_height, measured),
        np.isnan(measured) | np.isnan(volts),
        power["power_kind"].to_numpy(dtype=object),
        voltage,
        np.nan if communication is None else communication.value_si,
        existing_drops["height_m"].to_numpy(dtype=np.float64),
        rules,
        np.isnan(top),
    )
