"""The keys that a rule set may hold: one closed list for reader, look-ups and documentation.

Enters: nothing.
Leaves: enumerations, the classes of each kind, and the quantity of each named limit.
Does not do: hold any figure.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final


class ClearanceKind(StrEnum):
    """What lies below (or, for `opening`, beside) the wire."""

    ROAD = "road"
    ROAD_ALONG = "road_along"
    DRIVEWAY = "driveway"
    WALK = "walk"
    YARD = "yard"
    ROOF = "roof"
    RAIL = "rail"
    WATER = "water"
    POOL = "pool"
    OPENING = "opening"


class SeparationKind(StrEnum):
    """The other plant that the wire has to stay away from."""

    SUPPLY_LINE = "supply_line"
    SUPPLY_SERVICE = "supply_service"
    NEUTRAL = "neutral"
    EQUIPMENT = "equipment"
    COMMUNICATION = "communication"


class Where(StrEnum):
    """Place of a separation; the plain `pole` is the wire below the other plant."""

    POLE = "pole"
    POLE_BRACKET = "pole_bracket"
    POLE_ABOVE = "pole_above"
    SPAN = "span"
    BUILDING = "building"


class Approach(StrEnum):
    """Who or what comes near a live part."""

    WORKER = "worker"
    LIFTING_PLANT = "lifting_plant"


class Purpose(StrEnum):
    """What a load case is used for."""

    TENSION = "tension"
    CLEARANCE = "clearance"
    STRINGING = "stringing"


CLEARANCE_CLASSES: Final[Mapping[ClearanceKind, tuple[str, ...]]] = MappingProxyType(
    {
        ClearanceKind.ROAD: (
            "limited_access",
            "arterial",
            "collector",
            "local",
            "alley",
            "rural",
        ),
        ClearanceKind.ROAD_ALONG: ("urban", "rural", "rural_clear"),
        ClearanceKind.DRIVEWAY: ("residential", "commercial", "reduced", "powered"),
        ClearanceKind.WALK: ("any", "reduced", "powered"),
        ClearanceKind.YARD: ("pedestrian", "vehicles", "remote", "powered"),
        ClearanceKind.ROOF: ("low_slope", "steep", "walkable", "overhang"),
        ClearanceKind.RAIL: ("any", "trolley"),
        ClearanceKind.WATER: ("any",),
        ClearanceKind.POOL: ("any",),
        ClearanceKind.OPENING: ("any",),
    }
)
"""Classes of each kind.

`rural_clear`: along a rural road, the travelled way not overhung. `reduced`: the lowest value
that the rule lets the height at the building excuse. `powered`: a drop that also feeds power.
"""

DEFAULT_CLASS: Final[Mapping[ClearanceKind, str]] = MappingProxyType(
    {
        ClearanceKind.DRIVEWAY: "residential",
        ClearanceKind.WALK: "any",
        ClearanceKind.YARD: "pedestrian",
        ClearanceKind.RAIL: "any",
        ClearanceKind.WATER: "any",
        ClearanceKind.POOL: "any",
        ClearanceKind.OPENING: "any",
    }
)
"""Class that is meant when none is named; roads and roofs have none."""

CASE_PURPOSE: Final[Mapping[str, Purpose]] = MappingProxyType(
    {
        "tension_loaded": Purpose.TENSION,
        "tension_unloaded": Purpose.TENSION,
        "clearance_table": Purpose.CLEARANCE,
        "clearance_hot": Purpose.CLEARANCE,
        "clearance_ice": Purpose.CLEARANCE,
        "stringing": Purpose.STRINGING,
    }
)
REQUIRED_CASES: Final = ("tension_loaded", "clearance_hot", "stringing")

CASE_QUANTITIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "ice": "length",
        "wind": "pressure",
        "temperature": "temperature",
        "constant": "weight_per_length",
        "clearance_fraction": "count",
    }
)

TENSION_LIMITS: Final = (
    "drop_loaded",
    "drop_unloaded_initial",
    "drop_unloaded_final",
    "strand_loaded",
)

LIMIT_QUANTITIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "ice_density": "density",
        "steep_roof_slope": "count",
        "overhang_wire_length": "length",
        "pool_exempt_distance": "length",
        "table_temperature": "temperature",
        "max_clearance_reduction": "count",
        "heavy_district_elevation": "length",
        "separation_pole_distance": "length",
        "rail_wire_strength": "force",
        "rail_span_heavy": "length",
        "rail_span_light": "length",
        "ladder_strand_strength": "force",
        "strand_load_exempt_ice": "force",
        "clamp_from_terminal": "length",
        "clamp_from_pole": "length",
    }
)
REQUIRED_LIMITS: Final = ("ice_density", "steep_roof_slope")

KERB_KEYS: Final = ("edge", "strip_width")

ANY_VOLTAGE: Final = "any_voltage"
BAND_EXAMPLE: Final = "to_750_v"
_BAND = re.compile(r"to_([1-9][0-9]*)_v")


def band_limit_v(band: str) -> float | None:
    """Return the upper end of a voltage band from its key.

    Parameters
    ----------
    band : str
        ``"to_750_v"``, or ``"any_voltage"``.

    Returns
    -------
    float or None
        Highest voltage of the band in V (infinite for any voltage); None if the key is no band.

    Examples
    --------
    >>> band_limit_v("to_750_v")
    750.0
    """
    if band == ANY_VOLTAGE:
        return math.inf
    match = _BAND.fullmatch(band)
    return float(match.group(1)) if match else None


def declared_keys(districts: tuple[str, ...]) -> tuple[str, ...]:
    """List every figure that a complete rule set would have, without voltage bands.

    Parameters
    ----------
    districts : tuple of str
        Loading districts of the rule set.

    Returns
    -------
    tuple of str
        Dotted keys in the order of the documentation.
    """
    keys = [f"clearance.{kind}.{name}" for kind, row in CLEARANCE_CLASSES.items() for name in row]
    keys += [f"kerb.{name}" for name in KERB_KEYS]
    keys += [f"separation.{kind}.{where}" for kind in SeparationKind for where in Where]
    keys += [f"approach.{who}" for who in Approach]
    keys += [f"tension.{name}" for name in TENSION_LIMITS]
    keys += [f"limits.{name}" for name in LIMIT_QUANTITIES]
    keys += [f"load_cases.{district}.{case}" for district in districts for case in CASE_PURPOSE]
    return tuple(keys)
