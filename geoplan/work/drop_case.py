"""All that the tables of a plan say of one drop, together: what steps and checks are made from.

Enters: rows of the plan's tables.
Leaves: `DropCase`, and the few words that steps and checks share.
Does not do: read tables; write sentences.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geoplan.units import ReportUnits, say

Row = Mapping[Any, Any]
"""A row of a table, by column."""

WINDS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")

FROM_CLAMP = ("span_clamp", "street_crossing_span_clamp")
LADDER_ALLOWED = "allowed"


@dataclass(frozen=True)
class DropCase:
    """One planned drop with everything that is known of it."""

    drop: Row
    job: Row
    crossings: tuple[Row, ...]
    hazards: tuple[Row, ...]
    places: Mapping[str, str]
    """How to stand, by place."""
    road_name: str
    """Name of the road that the job is done from or over; empty: none."""
    toward_house: str
    """Compass word from hook or clamp to the premises, by grid north; empty: unknown."""
    units: ReportUnits
    stringing: tuple[Row, ...] = ()
    """Its rows of the stringing table."""
    hook_mates: tuple[str, ...] = ()
    """Other planned drops whose hook goes on the same pole at the same height."""
    doubts: tuple[str, ...] = ()
    """What the checks of the layers found about its address."""

    @property
    def is_from_clamp(self) -> bool:
        """Whether the air span leaves from a span clamp."""
        return str(self.job["job_kind"]) in FROM_CLAMP

    @property
    def is_over_street(self) -> bool:
        """Whether the air span crosses a street, or hangs over the whole of one."""
        return bool(self.job["is_over_street"])

    def length(self, metres: float) -> str:
        """Write a length."""
        return say(float(metres), "length", self.units)

    def sag(self, metres: float) -> str:
        """Write a sag."""
        return say(float(metres), "sag", self.units)

    def force(self, newtons: float) -> str:
        """Write a pull."""
        return say(float(newtons), "force", self.units)

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return say(float(celsius), "temperature", self.units)

    def crossed(self, *kinds: str) -> list[Row]:
        """Return what is crossed of some kinds, in order of place; near misses left out."""
        return [
            row
            for row in self.crossings
            if row["crossing_kind"] in kinds and not row["is_near_miss"]
        ]

    def near(self, *kinds: str) -> list[Row]:
        """Return what is crossed or near of some kinds."""
        return [row for row in self.crossings if row["crossing_kind"] in kinds]

    @property
    def streets(self) -> str:
        """Names of the roads crossed, or of the road by the drop."""
        names = list(dict.fromkeys(feature_name(row) for row in self.crossed("road")))
        return " and ".join(names) or self.road_name


def is_known(value: Any) -> bool:
    """Whether a value of a table is there: no null, no NaN, no empty text."""
    if value is None or value == "":
        return False
    if isinstance(value, float):
        return math.isfinite(value)
    return not bool(pd.isna(value))


def feature_name(row: Row) -> str:
    """Name what is crossed: its name where it has one, else its kind and id."""
    if is_known(row["feature_name"]):
        return str(row["feature_name"])
    kind = str(row["crossing_kind"]).replace("_", " ")
    return f"{kind} {row['feature_id']}"


def compass(dx_m: float, dy_m: float) -> str:
    """Return the word for a direction, counted from grid north.

    Parameters
    ----------
    dx_m, dy_m : float
        East and north parts, m.

    Returns
    -------
    str
        One of eight words; empty where there is no direction.

    Examples
    --------
    >>> compass(1.0, 1.0)
    'north-east'
    """
    if not (math.isfinite(dx_m) and math.isfinite(dy_m)) or (dx_m == 0.0 and dy_m == 0.0):
        return ""
    return WINDS[round(math.degrees(math.atan2(dy_m, dx_m)) / 45.0) % 8]
