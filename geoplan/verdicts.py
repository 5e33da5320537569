"""Why an air span may not be built: one word list for all stages.

Enters: nothing.
Leaves: `Forbidden` bits and their words.
Does not do: decide.
"""

from __future__ import annotations

from enum import IntFlag


class Forbidden(IntFlag):
    """Why an air span may not be built."""

    NOTHING = 0
    RAIL = 1
    WATER = 2
    ROAD_CLASS = 4
    POOL = 8
    CLAMP_OVER_ROAD = 16
    CLEARANCE = 32
    TENSION = 64
    POLE_SPACE = 128
    POWER = 256


REASON_WORDS = {
    Forbidden.RAIL: "crosses a railway",
    Forbidden.WATER: "crosses water",
    Forbidden.ROAD_CLASS: "crosses a road of a forbidden class",
    Forbidden.POOL: "passes over a pool",
    Forbidden.CLAMP_OVER_ROAD: "its span clamp would be over a carriageway",
    Forbidden.CLEARANCE: "no allowed heights and sag keep every clearance",
    Forbidden.TENSION: "the wire would be overstressed, or need more sag than is allowed",
    Forbidden.POLE_SPACE: "no room for its hook on the pole",
    Forbidden.POWER: "no allowed heights keep its separation from power",
}
