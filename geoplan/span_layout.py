"""One span by hand in the tables that the clearance room works on.

Enters: heights, distance and what is passed over.
Leaves: `Layout`: one air span, its ends, its crossings and what they ask for; rules in words.
Does not do: mechanics, or any comparison.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geoplan.clearance.demands import Demands, look_up_demands
from geoplan.clearance.required import rule_keys
from geoplan.clearance.supports import POWER_KIND, Ends
from geoplan.model import Terrain
from geoplan.project import Heights
from geoplan.routes.air_spans import ADDRESS_POINT, AirSpans
from geoplan.routes.crossings import KIND_CODE, Crossings
from geoplan.routes.segments import FloatArray
from geoplan.rules import RuleSet
from geoplan.tables import CrossingKind

PLACES = 101
YARD_KEY = "clearance.yard.pedestrian"

STEEP_DEG = 45.0
ROOF_CLASSES = ("low_slope", "steep")
"""A steep roof is taken as one of this slope, any other as level."""

SURFACES = frozenset(
    {
        CrossingKind.ROAD,
        CrossingKind.DRIVEWAY,
        CrossingKind.SIDEWALK,
        CrossingKind.RAIL,
        CrossingKind.WATER,
        CrossingKind.POOL,
        CrossingKind.ROOF,
        CrossingKind.POWER,
    }
)
"""What a single span can be asked about."""


@dataclass(frozen=True)
class Passed:
    """One thing passed over (power: passed under); places from the near end, SI."""

    kind: CrossingKind
    start_m: float
    end_m: float
    detail: str = ""
    """Class of a road or roof, kind of power."""
    height_m: float = float("nan")
    """Above the ground: top of a roof, lowest height of power."""

    @property
    def is_power(self) -> bool:
        """Whether it lies above the wire."""
        return self.kind is CrossingKind.POWER

    @property
    def name(self) -> str:
        """Words for tables, such as ``"road, residential"``."""
        kind = "walk" if self.kind is CrossingKind.SIDEWALK else self.kind.value
        return f"{kind}, {self.detail.replace('_', ' ')}" if self.detail else kind


@dataclass(frozen=True)
class Layout:
    """One air span as tables of one row, and what it meets."""

    over: tuple[Passed, ...]
    air: AirSpans
    ends: Ends
    crossings: Crossings
    demands: Demands
    places: FloatArray
    """Places over each thing as parts of its width."""
    power_voltage_v: dict[str, float]

    @property
    def terrain(self) -> Terrain | None:
        """None: the ground runs straight between the ends."""
        return None

    @property
    def span_m(self) -> FloatArray:
        """Horizontal length, shape (1,)."""
        return self.air.length_m

    @property
    def low_m(self) -> FloatArray:
        """Elevation of the near end, shape (1,)."""
        return self.ends.start_ground_m + self.ends.start_usual_m

    @property
    def high_m(self) -> FloatArray:
        """Elevation of the far end, shape (1,)."""
        return self.ends.end_ground_m + self.ends.end_usual_m

    @property
    def rise_m(self) -> FloatArray:
        """Far end less near end, shape (1,)."""
        return self.high_m - self.low_m

    def power_z_m(self, row: int) -> float:
        """Return the elevation of power."""
        passed = self.over[row]
        part = passed.start_m / float(self.span_m[0])
        return passed.height_m + part * float(self.ends.end_ground_m[0])


def lay_out(
    over: tuple[Passed, ...],
    distance_m: float,
    heights_m: tuple[float, float, float],
    rules: RuleSet,
    settings: Heights,
) -> Layout:
    """Lay out one span.

    Parameters
    ----------
    over : tuple of Passed
        What is passed over.
    distance_m : float
        Horizontal distance of the ends, m, > 0.
    heights_m : tuple of float
        Height of the near and of the far end above their grounds; rise of the ground, m.
    rules : RuleSet
        Rules in force.
    settings : Heights
        Crown of roads, voltage of power by kind.

    Returns
    -------
    Layout
        One row each; crossings in the order of `over`.
    """
    near, far, ground = (np.array([value]) for value in heights_m)
    flag, whole = np.array([True]), np.zeros(1, dtype=np.int64)
    real = np.zeros(1)
    air = AirSpans(
        address=whole,
        pole=whole,
        span=whole - 1,
        clamp_from_m=real * np.nan,
        sx=real,
        sy=real,
        ex=real + distance_m,
        ey=real,
        building=whole - 1,
        basis=whole + ADDRESS_POINT,
        wall_angle_deg=real * np.nan,
    )
    ends = Ends(real, ground, flag, near, near, far, far, ~flag, flag)
    return Layout(
        over,
        air,
        ends,
        _crossings(over),
        _demands(over, rules, settings),
        np.linspace(0.0, 1.0, PLACES),
        dict(settings.power_voltage),
    )


def _crossings(over: tuple[Passed, ...]) -> Crossings:
    kinds = [passed.kind for passed in over]
    start = np.array([passed.start_m for passed in over], dtype=np.float64)
    end = np.array([passed.end_m for passed in over], dtype=np.float64)
    no = np.zeros(len(over), dtype=bool)
    return Crossings(
        air=np.zeros(len(over), dtype=np.int64),
        kind=np.array([KIND_CODE[kind] for kind in kinds], dtype=np.int64),
        feature=np.array([kinds[:row].count(kind) for row, kind in enumerate(kinds)], np.int64),
        is_near_miss=no,
        is_overhang=no,
        at_m=(start + end) / 2,
        start_m=start,
        end_m=end,
        distance_m=np.zeros(len(over)),
        angle_deg=np.full(len(over), 90.0),
    )


def _demands(over: tuple[Passed, ...], rules: RuleSet, settings: Heights) -> Demands:
    def of(kind: CrossingKind) -> list[Passed]:
        return [passed for passed in over if passed.kind is kind]

    roads, roofs = of(CrossingKind.ROAD), of(CrossingKind.ROOF)
    power = of(CrossingKind.POWER)
    return look_up_demands(
        pd.DataFrame({"road_class": pd.Series([item.detail for item in roads], dtype=object)}),
        pd.DataFrame(
            {
                "roof_slope_deg": np.array(
                    [STEEP_DEG if item.detail == "steep" else 0.0 for item in roofs]
                ),
                "height_m": np.array([item.height_m for item in roofs]),
            }
        ),
        pd.DataFrame(
            {
                "power_kind": pd.Series([item.detail for item in power], dtype=object),
                "voltage_v": np.full(len(power), np.nan),
                "height_m": np.array([item.height_m for item in power]),
            }
        ),
        pd.DataFrame({"height_m": np.zeros(0)}),
        settings,
        rules,
    )


def what_rules(row: int, layout: Layout, rules: RuleSet, fraction: float) -> tuple[str, str]:
    """Cite the figure behind a clearance, and say how it was used.

    Parameters
    ----------
    row : int
        Row of the crossings; one more than the last: the yard.
    layout : Layout
        The span.
    rules : RuleSet
        Rules in force.
    fraction : float
        Part of the figure that the governing case asks for.

    Returns
    -------
    tuple of str
        Document, rule and status; and a note, which may be empty.
    """
    if row < len(layout.over) and layout.over[row].is_power:
        passed = layout.over[row]
        volts = layout.power_voltage_v[passed.detail]
        figure = rules.separation(POWER_KIND[passed.detail], volts, "span")
        note = f"for {volts:g} V, a default of ours; ask the owner"
        return ("" if figure is None else figure.citation()), note
    key = _key(row, layout)
    figure = rules.figures.get(key)
    if figure is None:
        return "", ""
    notes = []
    if key == "clearance.driveway.reduced":
        notes.append("lower figure: only where the building allows no higher attachment")
    if fraction != 1.0:
        notes.append(f"{fraction:.0%} of the figure is enough in this case")
    grading = rules.kerb_grading()
    if key.startswith("clearance.road.") and grading is not None:
        notes.append(
            f"falls to {grading.edge.printed} at the kerb over {grading.strip_width.printed}, "
            f"straight (our reading): {grading.edge.citation()}"
        )
    return figure.citation(), "; ".join(notes)


def why_not_checked(row: int, layout: Layout, rules: RuleSet) -> str:
    """Say why nothing was compared.

    Parameters
    ----------
    row : int
        As in `what_rules`.
    layout : Layout
        The span.
    rules : RuleSet
        Rules in force.

    Returns
    -------
    str
        One sentence.
    """
    if row < len(layout.over) and layout.over[row].is_power:
        kind = POWER_KIND[layout.over[row].detail]
        return rules.why_not_covered(f"separation.{kind}.span")
    return rules.why_not_covered(_key(row, layout))


def _key(row: int, layout: Layout) -> str:
    if row == len(layout.over):
        return YARD_KEY
    return str(rule_keys(layout.crossings, layout.ends, layout.demands)[row])
