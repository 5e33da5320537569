"""The profile of each planned air span: ground, wire at stringing and at worst, what is asked.

Enters: a `Plan`, rows of its drops.
Leaves: `Profiles`: arrays in SI, one row per drop.
Does not do: draw; decide; compute a sag or margin anew (they come from the plan).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.terrain import sample_elevation
from geoplan.mechanics import Wire, height_at, length_from_sag, solve_catenary
from geoplan.model import Plan

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

PLACES = 65
"""Places along each air span where the profile is known."""


@dataclass(frozen=True)
class Profiles:
    """Profiles of n air spans, from hook or clamp to the premises, at `PLACES` places each.

    Elevations are counted from the ground at the start.
    """

    x_m: FloatArray
    """Distance from the start, shape (n, PLACES)."""
    ground_z_m: FloatArray
    stringing_z_m: FloatArray
    worst_z_m: FloatArray
    ground_is_known: BoolArray
    """Whether the ground comes from the layers; else it is drawn level."""

    def at(self, row: int, curve: FloatArray, x_m: float) -> float:
        """Return the elevation of one curve of one drop at a place, straight between places."""
        return float(np.interp(x_m, self.x_m[row], curve[row]))


def build_profiles(plan: Plan, rows: npt.NDArray[np.int64], wire: Wire) -> Profiles:
    """Lay out the profiles of some planned drops.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    rows : ndarray of int64, shape (n,)
        Rows of ``plan.drops``, by position.
    wire : geoplan.mechanics.Wire
        The plan's wire; its weight and stiffness bear on the shape only, at a given sag.

    Returns
    -------
    Profiles
        n rows in the order asked for.

    Notes
    -----
    Each wire is the elastic catenary between both supports that has the plan's sag
    (``stringing_sag_m``, ``sag_worst_m``). Ground is sampled from the terrain raster where there
    is one, else straight between the grounds of both ends; where they aren't known it is level.
    A clamp is drawn at the height the plan settled on in both states. Cost O(n).
    """
    if len(rows) == 0:
        empty = np.empty((0, PLACES))
        return Profiles(empty, empty, empty, empty, np.empty(0, dtype=np.bool_))
    drops = plan.drops.iloc[rows]
    air = plan.air_spans.set_index("address_id").loc[drops["address_id"]]
    hook = drops["hook_height_m"].to_numpy()
    attachment = drops["attachment_height_m"].to_numpy()
    start = air["start_z_m"].to_numpy() - hook
    end = air["end_z_m"].to_numpy() - attachment
    known = np.isfinite(start) & np.isfinite(end)
    fall = np.where(known, end - start, 0.0)
    span = drops["air_span_m"].to_numpy()
    part = np.linspace(0.0, 1.0, PLACES)
    x = span[:, None] * part
    ground = fall[:, None] * part
    if plan.layers.terrain is not None:
        sampled = _sampled(plan, air.geometry.to_numpy(), part) - start[:, None]
        ground = np.where(known[:, None] & np.isfinite(sampled), sampled, ground)
    rise = fall + attachment - hook
    curves = [
        hook[:, None] + _hung(span, rise, drops[name].to_numpy(), wire, x)
        for name in ("stringing_sag_m", "sag_worst_m")
    ]
    return Profiles(x, ground, curves[0], curves[1], known)


def _sampled(plan: Plan, lines: npt.NDArray[np.object_], part: FloatArray) -> FloatArray:
    """Return the elevation of the ground at parts of straight lines, shape (n, k)."""
    if plan.layers.terrain is None:
        return np.full((len(lines), len(part)), np.nan)
    ends = shapely.get_coordinates(lines).reshape(len(lines), 2, 2)
    places = ends[:, :1] + part[None, :, None] * (ends[:, 1:] - ends[:, :1])
    return sample_elevation(plan.layers.terrain, places[..., 0], places[..., 1])


def _hung(
    span: FloatArray, rise: FloatArray, sag: FloatArray, wire: Wire, x: FloatArray
) -> FloatArray:
    """Return the height of wires over their start, at a given sag; straight where it is 0."""
    height = rise[:, None] * x / span[:, None]
    slack = np.flatnonzero(sag > 0.0)
    if len(slack):
        length = length_from_sag(
            span[slack], rise[slack], sag[slack], wire.weight_n_per_m, wire.stiffness_n
        )
        state = solve_catenary(
            span[slack], rise[slack], length, wire.weight_n_per_m, wire.stiffness_n
        )
        height[slack] = height_at(state, np.minimum(x[slack], span[slack, None]))
    return height


@dataclass(frozen=True)
class Envelope:
    """Where one drop passes over or under something, and what is asked there."""

    letter: str
    """Its number in drawing and table, from 1: letters are for the places on the plan."""
    kind: str
    feature_id: str
    name: str
    start_m: float
    end_m: float
    at_m: float
    surface_z_m: FloatArray
    """Elevation of what is passed, at start, `at_m` and end; the power itself."""
    required_m: float
    available_m: float
    margin_m: float
    basis: str


MOST_ENVELOPES = 26

STRAND = "strand"
"""Kind of a strand of another span: no crossing of the plan, but one of a sheet."""

SHOWN = (
    "road", "sidewalk", "driveway", "rail", "water", "pool", "roof", "power", "existing_drop",
    "planned_drop", STRAND,
)  # fmt: skip
"""Kinds that a profile can show: those that ask for clearance in height, and wires crossed."""


def build_envelopes(profiles: Profiles, row: int, crossings: pd.DataFrame) -> list[Envelope]:
    """Lay out what one air span crosses, as its profile shows it.

    Parameters
    ----------
    profiles : Profiles
        Profiles of some drops.
    row : int
        Row of the drop among them.
    crossings : pandas.DataFrame
        Rows of ``crossings`` of this drop.

    Returns
    -------
    list of Envelope
        In the order of their place, crossed things only, at most `MOST_ENVELOPES`, numbered from
        1.

    Notes
    -----
    Roads, walks, drives, rail, water and pools lie on the ground. A roof follows the ground, as
    the plan reckons it; it lies as high as leaves the plan's least clearance below the wire at
    worst. A power line lies above the wire as strung by the clearance there: so both stand where
    the plan's own figures put them. The height of another drop or strand is not known here: NaN.
    """
    shown = crossings[crossings["crossing_kind"].isin(SHOWN) & ~crossings["is_near_miss"]]
    shown = shown.sort_values(["start_m", "crossing_kind", "feature_id"], kind="stable")
    found = []
    for number, item in enumerate(shown.head(MOST_ENVELOPES).to_dict("records"), start=1):
        kind, at_m = str(item["crossing_kind"]), float(item["at_m"])
        reach = [float(item["start_m"]), float(np.clip(at_m, item["start_m"], item["end_m"]))]
        places = [*reach, float(item["end_m"])]
        surface = np.array([profiles.at(row, profiles.ground_z_m, x) for x in places])
        available = float(item["available_m"])
        if kind == "roof" and np.isfinite(available):
            surface += _roof_height(profiles, row, places[0], places[2], available)
        if kind in {"power", "existing_drop", "planned_drop", STRAND}:
            surface[:] = np.nan
            if kind == "power" and np.isfinite(available):
                surface[:] = profiles.at(row, profiles.stringing_z_m, at_m) + available
        name = item["feature_name"]
        found.append(
            Envelope(
                str(number),
                kind,
                str(item["feature_id"]),
                "" if pd.isna(name) else str(name),
                places[0],
                places[2],
                at_m,
                surface,
                float(item["required_m"]),
                available,
                float(item["margin_m"]),
                str(item["clearance_basis"]),
            )
        )
    return found


def _roof_height(
    profiles: Profiles, row: int, start_m: float, end_m: float, available_m: float
) -> float:
    """Return how high a roof is above ground, from the least clearance over it."""
    x = np.linspace(start_m, end_m, PLACES)
    worst = np.interp(x, profiles.x_m[row], profiles.worst_z_m[row])
    ground = np.interp(x, profiles.x_m[row], profiles.ground_z_m[row])
    return float((worst - ground).min()) - available_m
