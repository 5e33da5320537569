"""What a question about one span holds, and what its answer holds.

Enters: nothing.
Leaves: the frozen dataclasses `SpanQuestion` and `SpanAnswer` with their parts; `SpanError`.
Does not do: compute.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from geoplan.errors import GeoplanError
from geoplan.project import Heights
from geoplan.routes.segments import FloatArray
from geoplan.span_layout import Passed


class SpanError(GeoplanError):
    """A question about one span that has no answer."""


class Verdict(StrEnum):
    """What a span comes to, gravest last."""

    CLEARS = "clears"
    SHORT_OF_MARGIN = "short_of_margin"
    MISSES = "misses"


@dataclass(frozen=True)
class SpanQuestion:
    """A span to work out; SI. At most one of sag and tension is given.

    Heights are above the ground at each end; the ground at the far end is `ground_rise_m` above
    that at the near end and runs straight between. Sag (below the chord, where it is greatest)
    and tension (at the end where it is greater) are those of the bare wire at `temperature_c`;
    without a temperature, at that of stringing in the rule set.
    """

    from_height_m: float
    to_height_m: float
    distance_m: float
    district: str
    """Loading district that the standards were loaded for."""
    over: tuple[Passed, ...] = ()
    ground_rise_m: float = 0.0
    sag_m: float | None = None
    tension_n: float | None = None
    temperature_c: float | None = None
    margin_m: float = Heights().clearance_margin
    road_crown_m: float = Heights().road_crown
    max_sag_share: float = Heights().max_sag_share
    table_c: tuple[float, ...] = ()
    """Temperatures of the stringing table; that of the question is added."""


@dataclass(frozen=True)
class SpanState:
    """The wire at rest in one load case."""

    name: str
    purpose: str
    """``stringing``, ``clearance`` or ``tension``."""
    temperature_c: float
    ice_m: float
    wind_pa: float
    constant_n_per_m: float
    sag_m: float
    low_point_m: float
    """From the near end."""
    low_point_height_m: float
    """Above the ground below it."""
    tension_from_n: float
    tension_to_n: float
    tension_max_n: float
    horizontal_tension_n: float
    limit_n: float
    """NaN: the case has no limit of its own."""
    limit_share: float
    strength_share: float
    swing_m: float
    length_m: float
    rule: str


@dataclass(frozen=True)
class Stringing:
    """One row of the stringing table."""

    temperature_c: float
    sag_m: float
    tension_n: float


@dataclass(frozen=True)
class SpanClearance:
    """Clearance over one thing (or below power) where it is least; NaN: not checked."""

    over: str
    kind: str
    start_m: float
    end_m: float
    required_m: float
    available_m: float
    margin_m: float
    at_m: float
    case: str
    rule: str
    """Document, rule and status of the figure; empty where not checked."""
    note: str
    asked_x_m: FloatArray
    asked_z_m: FloatArray
    """Where the lowest (under power: the highest) wire may be, as elevation; empty if unknown."""
    surface_z_m: FloatArray
    """What lies below at ``asked_x_m``: ground, crown or roof; under power: the power."""


@dataclass(frozen=True)
class Shape:
    """The drawn line: elevations from the ground at the near end."""

    x_m: FloatArray
    ground_z_m: FloatArray
    wire_z_m: dict[str, FloatArray]
    """By name of the load case."""


@dataclass(frozen=True)
class SpanAnswer:
    """A span worked out."""

    question: SpanQuestion
    temperature_c: float
    basis: str
    """What the sag follows from."""
    sag_m: float
    tension_n: float
    unstressed_m: float
    parabola_sag_m: float
    """W S^2 / (8 H), to compare with."""
    states: tuple[SpanState, ...]
    stringing: tuple[Stringing, ...]
    clearances: tuple[SpanClearance, ...]
    """In the order of the question, then the yard."""
    span_limit_m: float
    span_limit_rule: str
    verdict: Verdict
    findings: tuple[str, ...]
    """Codes: ``clearance``, ``margin``, ``tension``, ``span_length``, ``not_checked``."""
    least_margin_m: float
    governs: int
    """Row of `clearances` with the least margin; -1: nothing was checked."""
    shape: Shape
