"""What is asked when a place is looked for: the drop's site, tests of the ground, the part found.

Enters: planned drops, their air spans, the ground, crew rules.
Leaves: `Site`, `Search`, `Part`, and how candidates are tried.
Does not do: say where a ladder, reel or bucket goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.model import Layers, Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.text_columns import places
from geoplan.work.free_places import (
    Test,
    first_free,
    no_nearer_than,
    off_ground,
    off_other_lots,
    off_power,
)
from geoplan.work.ground import Ground
from geoplan.work.place_notes import NOTE_KEYS
from geoplan.work.road_works import is_over_street

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

TURNS_DEG = (0.0, 30.0, -30.0, 60.0, -60.0, 90.0, -90.0, 120.0, -120.0, 150.0, -150.0, 180.0)
"""Directions tried around a support, off the first choice, in their order."""

STREET_WITHIN_M = 15.0
"""A carriageway nearer than this makes its side of a pole or clamp the street side; common
practice, no source."""
KERB_SLACK_M = 0.3
"""How much nearer than its pole a place along the kerb may come to a carriageway."""


@dataclass(frozen=True)
class Site:
    """Drops as arrays: ends of their air spans, directions, kind of job."""

    start: FloatArray
    end: FloatArray
    to_house: FloatArray
    """Unit vector from the start to the end."""
    along: FloatArray
    """Unit vector along the strand; zero without a clamp."""
    field: FloatArray
    """Unit vector square to the strand, away from the street; zero without a clamp."""
    has_clamp: BoolArray
    crosses: BoolArray
    is_bucket: BoolArray
    hook_m: FloatArray
    attachment_m: FloatArray
    kerb_m: FloatArray
    """Way from pole or clamp to the nearest carriageway; infinite beyond `STREET_WITHIN_M`."""
    house_reel: BoolArray
    """Whether the air span is over water or a roof: a reel at the house, that no wire is dragged
    over it twice."""

    @property
    def has_street(self) -> BoolArray:
        """Whether a carriageway is near enough for a street side, or is crossed."""
        return np.asarray(self.crosses | np.isfinite(self.kerb_m), dtype=bool)


def is_bucket_job(drops: pd.DataFrame) -> BoolArray:
    """Tell which drops hang from a strand that no ladder may lean on.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``, n rows.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for span clamps whose strand is not known to bear a ladder.
    """
    ladder = drops["strand_ladder"]
    return np.asarray(drops["strand_span_id"].notna() & ~(ladder == "allowed"), dtype=bool)


@dataclass(frozen=True)
class Search:
    """What is asked when places are looked for."""

    plan: Plan
    ground: Ground
    rules: CrewRules

    @property
    def needs(self) -> tuple[Test, ...]:
        """Tests of ladders and reels."""
        keep_off, kerb = (self.rules.value(f"places.{x}") for x in ("keep_off", "kerb_keep_off"))
        return (off_ground(self.ground, keep_off, kerb),)

    def behind(self, kerb_m: FloatArray) -> Test:
        """Ask for a place no nearer to a carriageway than the pole or clamp."""
        return no_nearer_than(self.ground, kerb_m - KERB_SLACK_M, STREET_WITHIN_M)

    def away(self, least_m: FloatArray) -> Test:
        """Ask for a way to the nearest carriageway; where it is no more told, it is enough."""
        told_m = self.rules.value("places.kerb_told")
        return no_nearer_than(self.ground, np.minimum(least_m, told_m), told_m)

    @cached_property
    def off_lots(self) -> Test:
        """Ask for ground that isn't other people's."""
        return off_other_lots(self.plan.drops, self.plan.layers.parcels)

    @cached_property
    def off_road(self) -> Test:
        """Ask for ground no nearer to a carriageway than is told of a place."""
        told_m = self.rules.value("places.kerb_told")
        return no_nearer_than(self.ground, np.full(len(self.plan.drops), told_m), told_m)

    @cached_property
    def off_power(self) -> Test:
        """Ask for ground that no power line passes over."""
        return off_power(np.asarray(self.plan.layers.power.geometry.values, dtype=object))


@dataclass(frozen=True)
class Part:
    """Places of one kind found for some drops."""

    place: str
    rows: IntArray
    xy: FloatArray
    note: IntArray
    """Number of its note, by row."""
    way: FloatArray
    """What its note calls the side: from pole or clamp to it, or away from the wall."""


def build_site(plan: Plan, ground: Ground) -> Site:
    """Lay out ends, directions and kind of job of n drops."""
    drops, layers = plan.drops, plan.layers
    ends = shapely.get_coordinates(plan.air_spans.geometry.values).reshape(-1, 2, 2)
    start, end = ends[:, 0], ends[:, 1]
    to_house = _unit(end - start)
    span = places(drops["strand_span_id"], layers.spans.index)
    has_clamp = span >= 0
    crosses = np.where(
        has_clamp,
        drops["is_street_crossing"].to_numpy(dtype=bool),
        is_over_street(drops, plan.crossings),
    )
    along = np.zeros_like(start)
    along[has_clamp] = _unit(_span_vectors(layers, span[has_clamp]))
    square = np.stack([-along[:, 1], along[:, 0]], axis=1)
    is_left = (square * to_house).sum(axis=1) >= 0
    house_side = np.where(is_left[:, None], square, -square)
    return Site(
        start,
        end,
        to_house,
        along,
        np.where(crosses[:, None], -house_side, house_side),
        has_clamp,
        crosses,
        is_bucket_job(drops),
        drops["hook_height_m"].to_numpy(dtype=np.float64),
        drops["attachment_height_m"].to_numpy(dtype=np.float64),
        ground.nearest_road(start[:, 0], start[:, 1], STREET_WITHIN_M)[1],
        _needs_house_reel(plan),
    )


def _needs_house_reel(plan: Plan) -> BoolArray:
    met = plan.crossings
    rows = met["crossing_kind"].isin(["water", "roof"]) & ~met["is_near_miss"]
    return np.asarray(plan.drops["address_id"].isin(met["address_id"][rows]), dtype=bool)


def _span_vectors(layers: Layers, span: IntArray) -> FloatArray:
    lines = np.asarray(layers.spans.geometry.values, dtype=object)[span]
    first, last = shapely.get_point(lines, 0), shapely.get_point(lines, -1)
    return np.asarray(shapely.get_coordinates(last) - shapely.get_coordinates(first))


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.hypot(*vectors.T), 1e-9)[:, None])


def turned(vectors: FloatArray, angle_deg: float) -> FloatArray:
    """Turn vectors, shape (n, 2), counter-clockwise."""
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(vectors @ np.array([[cosine, sine], [-sine, cosine]]))


def found(
    place: str,
    rows: IntArray,
    site: Site,
    candidates: Sequence[FloatArray],
    notes: npt.NDArray[np.str_],
    needs: Sequence[Test],
    wishes: Sequence[Sequence[Test]] = ((),),
    ways: FloatArray | None = None,
) -> Part:
    """Find places for some drops; `notes` and `ways` are by candidate (first axis) and drop."""
    xy, number = first_free(rows, candidates, needs, wishes)
    got = np.flatnonzero(number >= 0)
    chosen = np.broadcast_to(notes, (len(candidates), len(rows)))[number[got], got]
    note = np.array([NOTE_KEYS.index(str(name)) for name in chosen], dtype=np.int64)
    way = xy[got] - site.start[rows[got]] if ways is None else ways[number[got], got]
    return Part(place, rows[got], xy[got], note, way)


def around(
    centre: FloatArray,
    direction: FloatArray,
    out_m: FloatArray,
    turns: Sequence[float] = TURNS_DEG,
) -> list[FloatArray]:
    """Lay out points around centres, `out_m` away, in directions turned off the first one."""
    return [centre + out_m[:, None] * turned(direction, turn) for turn in turns]
