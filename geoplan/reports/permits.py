"""Permit pages: one for each crossing of a railway, water or highway, for its owner.

Enters: a `Plan` with its audit of crossings.
Leaves: an HTML page made for print, and the same as PDF.
Does not do: compute; every figure is one of the plan's. Apply for a permit.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import Transformer

from geoplan.errors import one_line
from geoplan.reports.caution import CAUTION, CAUTION_LINE
from geoplan.reports.frames import declared_frame, storable
from geoplan.reports.sheets.plan_drawing import draw_plan
from geoplan.reports.sheets.plan_features import Layout
from geoplan.reports.sheets.plan_frames import Frame, PlanMarks, bounds_of, frame_drops
from geoplan.reports.sheets.profile_picture import draw_profile_picture
from geoplan.rules import load_wire
from geoplan.standards import load_standards
from geoplan.units import ReportUnits, from_si, say
from geoplan.work.profiles import build_envelopes, build_profiles

if TYPE_CHECKING:
    from geoplan.model import Plan

FloatArray = npt.NDArray[np.float64]

OWNER_KINDS = ("rail", "water")
OWNER_ROAD_CLASSES = ("highway",)
"""Crossings that are asked for one by one, of their owner."""
KIND_WORDS = {"rail": "Railway crossing", "water": "Water crossing", "road": "Highway crossing"}
ROUND_CROSSING_M = 12.0
"""Ground shown around a crossing at least."""

CLEARANCE = 2
"""Which of the tables of a page tells of clearances."""

Rows = list[tuple[str, str]]


def permit_rows(plan: Plan) -> pd.DataFrame:
    """Return the crossings that need their owner's permit.

    Parameters
    ----------
    plan : Plan
        A plan with its audit of crossings.

    Returns
    -------
    geopandas.GeoDataFrame
        Rows of ``crossing_audit``, sorted by its key.

    Raises
    ------
    ValueError
        If the audit has not been worked out.
    """
    if plan.crossing_audit is None:
        message = "plan has no audit of crossings; call geoplan.audit.build_audit first"
        raise ValueError(message)
    audit = declared_frame(plan, "crossing_audit")
    asked = audit["crossing_kind"].isin(OWNER_KINDS)
    asked |= (audit["crossing_kind"] == "road") & audit["feature_class"].isin(OWNER_ROAD_CLASSES)
    return audit[asked.to_numpy(dtype=bool)].reset_index(drop=True)


def permit_html(plan: Plan) -> str:
    """Write the permit pages of a plan.

    Parameters
    ----------
    plan : Plan
        A plan with its audit of crossings.

    Returns
    -------
    str
        One HTML document, a page for each crossing of `permit_rows`, without a reference to
        anything outside it. Texts from data are text.

    Raises
    ------
    ValueError
        If the audit has not been worked out.
    """
    rows = permit_rows(plan)
    pages = [
        {"tables": tables, "plan": drawing, "profile": profile, "title": title}
        for title, tables, drawing, profile in _pages(plan, rows)
    ]
    return str(
        _template().render(
            pages=pages,
            name=_shown(plan.project.name),
            caution=CAUTION,
            caution_line=CAUTION_LINE,
            unchecked=[_shown(text) for text in plan.unchecked],
            paper="letter" if plan.project.units == "us" else "A4",
        )
    )


@lru_cache(maxsize=1)
def _template() -> Any:
    from jinja2 import Environment, StrictUndefined  # not needed by most commands

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    source = resources.files("geoplan.reports") / "assets" / "permit.html"
    return environment.from_string(source.read_text(encoding="utf-8"))


def _pages(plan: Plan, rows: pd.DataFrame) -> list[tuple[str, list[tuple[str, Rows]], Any, Any]]:
    """Return title, tables and both drawings of each page."""
    from markupsafe import Markup  # comes with jinja2

    if len(rows) == 0:
        return []
    position = pd.Index(plan.drops["address_id"]).get_indexer(pd.Index(rows["address_id"]))
    drops = plan.drops.iloc[position].to_dict("records")
    places = _places(plan, rows)
    met = _met(plan, rows)
    plans = _plan_drawings(plan, rows, position)
    profiles = _profile_drawings(plan, position)
    pages = []
    for number, row in enumerate(rows.to_dict("records")):
        tables = _tables(plan, row, drops[number], met[number], places[number])
        tables[CLEARANCE][1].append(("in the profile", profiles[number][1]))
        title = f"{KIND_WORDS[row['crossing_kind']]}: {_named(row)}"
        # drawings escape their own texts
        drawing, profile = Markup(plans[number]), Markup(profiles[number][0])  # noqa: S704
        pages.append((title, tables, drawing, profile))
    return pages


def _shown(value: object) -> str:
    """Return a text on one line; unknown as a word."""
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return "not recorded"
    return one_line(storable(value))


def _named(row: Mapping[Any, Any]) -> str:
    name = row["feature_name"]
    own = _shown(row["feature_id"])
    return own if pd.isna(name) else f"{_shown(name)} ({own})"


def _met(plan: Plan, rows: pd.DataFrame) -> list[dict[Any, Any]]:
    """Return the rows of ``crossings`` behind those of the audit."""
    key = ["address_id", "crossing_kind", "feature_id", "at_m"]
    crossings = pd.DataFrame(plan.crossings.drop(columns="geometry"))
    return pd.DataFrame(rows[key]).merge(crossings, on=key, how="left").to_dict("records")


def _places(plan: Plan, rows: pd.DataFrame) -> list[Rows]:
    """Write where each crossing lies: in the project's coordinates and in degrees."""
    crs = plan.layers.crs
    xy = shapely.get_coordinates(rows.geometry.to_numpy())
    longitude, latitude = Transformer.from_crs(
        crs.working_crs, "EPSG:4326", always_xy=True
    ).transform(xy[:, 0], xy[:, 1])
    own = xy / crs.unit_to_metre
    name, units = crs.project_crs.name, plan.project.units
    return [
        [
            ("coordinates", f"{x:.2f}, {y:.2f} ({name})"),
            ("latitude, longitude", f"{lat:.6f}, {lon:.6f} (WGS 84)"),
            (
                "along the line",
                f"{say(along, 'travel', units)} ({say(along, 'length', units)}) from the start of "
                "its line"
                if np.isfinite(along)
                else "not measured: an area, not a line",
            ),
        ]
        for (x, y), lat, lon, along in zip(
            own.tolist(),
            latitude.tolist(),
            longitude.tolist(),
            rows["along_m"].tolist(),
            strict=True,
        )
    ]


# -- tables -----------------------------------------------------------------------------------


def _tables(
    plan: Plan,
    row: Mapping[Any, Any],
    drop: Mapping[Any, Any],
    met: Mapping[Any, Any],
    place: Rows,
) -> list[tuple[str, Rows]]:
    """Write the tables of one page."""
    units = plan.project.units
    who: Rows = [
        ("owner", _shown(row["permit_owner"])),
        ("what is crossed", f"{row['crossing_kind']} {_named(row)}"),
        ("class", _shown(row["feature_class"])),
        ("jurisdiction", _shown(row["jurisdiction"])),
        ("for address", f"{_shown(row['address_id'])}: {_shown(drop['label'])}"),
        ("from terminal", f"{_shown(row['terminal_id'])}, {drop['route_kind'].replace('_', ' ')}"),
    ]
    return [
        ("Who", who),
        ("Where", place),
        ("Clearance", _clearance(row, met, drop, units)),
        ("Wire", _wire(plan, drop, units)),
        ("Traffic", _traffic(row, units)),
        ("Without this crossing", _avoided(row, units)),
    ]


def _clearance(
    row: Mapping[Any, Any], met: Mapping[Any, Any], drop: Mapping[Any, Any], units: ReportUnits
) -> Rows:
    angle = "not measured: an area, not a line"
    if np.isfinite(row["angle_deg"]):
        angle = f"{say(row['angle_deg'], 'angle', units)}; 90 is square"
    passage = f"{say(met['start_m'], 'length', units)} to {say(met['end_m'], 'length', units)}"
    head: Rows = [
        ("angle", angle),
        ("over it", f"{passage} from the {'clamp' if np.isfinite(drop['clamp_at_m']) else 'pole'}"),
    ]
    if row["clearance_basis"] != "computed":
        why = _shown(met["clearance_note"])
        return [*head, ("clearance", f"NOT CHECKED: {why}")]
    more = [] if pd.isna(met["clearance_note"]) else [("note", _shown(met["clearance_note"]))]
    return [
        *head,
        ("required", say(row["required_m"], "length", units)),
        ("available", say(row["available_m"], "length", units)),
        ("margin", say(row["margin_m"], "sag", units)),
        ("load case", _shown(met["margin_case"]).replace("_", " ")),
        ("rule", _shown(met["rule"])),
        *more,
    ]


def _wire(plan: Plan, drop: Mapping[Any, Any], units: ReportUnits) -> Rows:
    project = plan.project
    wire = load_wire(project.wire, project.wires)
    weight, thin = ("lb/kft", "in") if units == "us" else ("kg/km", "mm")
    size = f"{from_si(wire.diameter_m, thin):.2f} {thin}"
    heavy = f"{from_si(wire.weight_n_per_m, weight, 'weight_per_length'):.1f} {weight}"
    return [
        ("wire", f"{_shown(wire.title)}; {heavy}, {size} wide"),
        ("breaking strength", f"{say(wire.breaking_strength_n, 'force', units)} "
         f"({_shown(wire.figures['breaking_strength'].citation())})"),
        ("air span", say(drop["air_span_m"], "length", units)),
        ("attached at", f"{say(drop['hook_height_m'], 'length', units)} and "
         f"{say(drop['attachment_height_m'], 'length', units)} above the ground "
         f"({drop['height_basis']})"),
        ("strung at", f"{say(drop['stringing_temperature_c'], 'temperature', units)} with "
         f"{say(drop['stringing_sag_m'], 'sag', units)} sag, "
         f"{say(drop['stringing_tension_n'], 'force', units)} tension"),
        ("greatest sag", f"{say(drop['sag_worst_m'], 'sag', units)} "
         f"({drop['sag_worst_case'].replace('_', ' ')})"),
        ("greatest tension", f"{say(drop['tension_worst_n'], 'force', units)} of "
         f"{say(drop['tension_limit_n'], 'force', units)} allowed "
         f"({drop['tension_case'].replace('_', ' ')})"),
        ("greatest swing", say(drop["swing_worst_m"], "sag", units)),
        ("ground", "measured" if drop["ground_basis"] == "measured" else
         "LEVEL GROUND ASSUMED: check on site"),
    ]  # fmt: skip


def _traffic(row: Mapping[Any, Any], units: ReportUnits) -> Rows:
    lengths = [
        (words, say(row[name], "length", units))
        for words, name in (
            ("nearest sign", "sign_1_m"),
            ("second sign", "sign_2_m"),
            ("farthest sign", "sign_3_m"),
            ("taper", "taper_m"),
            ("buffer", "buffer_m"),
        )
        if np.isfinite(row[name])
    ]
    return [
        ("control", row["traffic_class"].replace("_", " ")),
        ("why", _shown(row["traffic_reasons"])),
        *lengths,
    ]


def _avoided(row: Mapping[Any, Any], units: ReportUnits) -> Rows:
    """Tell of the route without a crossing."""
    if pd.isna(row["other_terminal_id"]):
        return [("route", _shown(row["other_note"]))]
    kind, air = row["other_route_kind"].replace("_", " "), row["other_air_span_m"]
    return [
        ("route", f"{kind} from {_shown(row['other_terminal_id'])}, "
         f"air span {say(air, 'length', units)}"),
        ("costs more by", f"{row['other_extra_cost']:.2f}"),
        ("note", _shown(row["other_note"])),
    ]  # fmt: skip


# -- drawings ---------------------------------------------------------------------------------


def _plan_drawings(plan: Plan, rows: pd.DataFrame, position: npt.NDArray[np.intp]) -> list[str]:
    """Draw where each drop goes, the crossing in view."""
    drops = plan.drops.iloc[position]
    air = plan.air_spans.set_index("address_id").loc[drops["address_id"]].geometry.to_numpy()
    place = shapely.get_coordinates(rows.geometry.to_numpy())
    lines = [shapely.get_coordinates(line) for line in drops.geometry.to_numpy()]
    spans = [shapely.get_coordinates(line)[:, :2] for line in air]
    marks = []
    for number, drop in enumerate(drops.to_dict("records")):
        building, spot = drop["building_id"], place[number]
        marks.append(
            PlanMarks(
                int(position[number]),
                lines[number][:, :2],
                spans[number],
                bool(np.isfinite(drop["clamp_at_m"])),
                "" if pd.isna(building) else building,
                drop["terminal_id"],
                drop["access_pole_id"],
                (),
                np.vstack([spot - ROUND_CROSSING_M, spot + ROUND_CROSSING_M]),
            )
        )
    frames = frame_drops(marks)
    features = Layout(plan).within(bounds_of([frame for some in frames for frame in some]))
    drawings, first = [], 0
    for number, mark in enumerate(marks):
        drawing = draw_plan(plan, features, first, frames[number], mark, plan.project.units)
        drawings.append(_with_ring(drawing, frames[number][0], place[number]))
        first += len(frames[number])
    return drawings


def _with_ring(drawing: str, frame: Frame, place: FloatArray) -> str:
    """Mark the crossing in a plan drawing."""
    x, y = frame.places(place[None, :])[0].tolist()
    words = f'<text x="{x + 3.2:.2f}" y="{y + 3.6:.2f}" font-size="2.8" font-weight="bold"'
    ring = (
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r="2.6" stroke="#000" stroke-width="0.5"'
        f' data-mark="crossing"/>{words} fill="#000">crossing</text>'
    )
    return f"{drawing.removesuffix('</svg>')}{ring}</svg>"


def _profile_drawings(plan: Plan, position: npt.NDArray[np.intp]) -> list[tuple[str, str]]:
    """Draw each air span from the side; say what its numbers stand for."""
    wire = load_standards(plan.project).wire
    profiles = build_profiles(plan, position.astype(np.int64), wire)
    drops = plan.drops.iloc[position]
    by_address = dict(list(plan.crossings.groupby("address_id")))
    drawings = []
    for number, drop in enumerate(drops.to_dict("records")):
        envelopes = build_envelopes(profiles, number, by_address[drop["address_id"]])
        drawing = draw_profile_picture(
            profiles,
            number,
            envelopes,
            drop,
            float("nan"),  # the yard is not what the owner of the crossing asks about
            plan.project.units,
        )
        numbers = [f"{item.letter}: {item.kind} {_shown(item.feature_id)}" for item in envelopes]
        drawings.append((drawing, "; ".join(numbers)))
    return drawings
