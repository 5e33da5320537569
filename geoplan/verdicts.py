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
    Forbidden.CLAMP_OVER_ROAD: "would have its span clamp over a carriageway",
    Forbidden.CLEARANCE: "fails a clearance at all allowed heights and sag",
    Forbidden.TENSION: "would overstress the wire, or need more sag than is allowed",
    Forbidden.POLE_SPACE: "has no room for its hook on the pole",
    Forbidden.POWER: "comes too near power at all allowed heights",
}
