"""Tables of a plan laid out for sheets: whole batches of drops at a time.

Enters: a `Plan` with its work, rows of its drops in order.
Leaves: for each drop the texts and drawings of its sheet.
Does not do: make pages; write files.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.clearance.demands import ROAD_CLASS
from geoplan.hanging import load_words
from geoplan.model import Plan
from geoplan.reports.frames import cut
from geoplan.reports.sheets.content import ByAddress, Common, common_texts, sheet_texts
from geoplan.reports.sheets.front import Clamp
from geoplan.reports.sheets.front_tables import stringing_notes
from geoplan.reports.sheets.plan_drawing import draw_plan
from geoplan.reports.sheets.plan_features import Layout, plan_legend
from geoplan.reports.sheets.plan_frames import PlanMarks, bounds_of, frame_drops
from geoplan.reports.sheets.power_overhead import Overhead
from geoplan.reports.sheets.profile_picture import draw_profile_picture
from geoplan.reports.sheets.wording import amount, listed
from geoplan.rules.crew_reader import load_crew_rules
from geoplan.standards import Standards, load_standards
from geoplan.tables import TABLES, CrossingKind
from geoplan.units import ReportUnits
from geoplan.work.drop_case import DropCase, compass, is_known
from geoplan.work.lot_names import lot_names
from geoplan.work.powers import look_up_powers
from geoplan.work.profiles import STRAND, Profiles, build_envelopes, build_profiles
from geoplan.work.site_checks import wire_words
from geoplan.work.strands_met import find_meetings, strand_names

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

YARD_RULE, ROAD_RULE = "clearance.yard.pedestrian", "clearance.road"


@dataclass(frozen=True)
class _Tables:
    jobs: ByAddress
    crossings: ByAddress
    hazards: ByAddress
    stringing: ByAddress
    materials: ByAddress
    cuts: ByAddress
    places: ByAddress
    place_xy: FloatArray


class SheetSource:
    """Makes the content of sheets, batch by batch.

    Parameters
    ----------
    plan : Plan
        With the tables of the work.
    rows : ndarray of int64, shape (n,)
        Rows of ``plan.drops`` in the order of the sheets.
    """

    def __init__(self, plan: Plan, rows: IntArray) -> None:
        standards = load_standards(plan.project)
        figures = standards.entry.figures.values()
        sure = wire_words(standards.entry.title, [figure.status.value for figure in figures])
        rules = load_crew_rules(plan.project)
        flaggers = int(rules.value("people.flaggers"))
        self.plan, self.rows = plan, rows
        self._wire = standards.wire
        self._limits = _limits(standards, plan.project.units)
        self._road_asked_m = _road_asked(plan, standards)
        self._yard_m = _yard(standards)
        self._common: Common = common_texts(plan, standards, sure, flaggers, len(rows))
        self._tables = _tables(plan)
        self._layout = Layout(plan)
        self._houses = [str(name) for name in plan.layers.buildings.index]
        no_contact_m = rules.value("alone.no_contact")
        self._overhead = Overhead(plan, look_up_powers(plan, standards.rule_set, no_contact_m))
        self._findings = _findings(plan)
        self._lots = _lots(plan)
        self._strands = _strands(plan)
        names = plan.layers.roads["name"]
        self._roads = {
            str(road): str(name) if is_known(name) else str(road)
            for road, name in zip(plan.layers.roads.index, names, strict=True)
        }

    def batch(self, start: int, end: int) -> list[dict[str, Any]]:
        """Return texts and drawings of the sheets from `start` to before `end`, counted from 0."""
        rows = self.rows[start:end]
        plan = self.plan
        drops = plan.drops.iloc[rows]
        profiles = build_profiles(plan, rows, self._wire)
        routes = [shapely.get_coordinates(line)[:, :2] for line in drops.geometry]
        air = plan.air_spans.set_index("address_id").geometry.loc[drops["address_id"]]
        airs = [shapely.get_coordinates(line)[:, :2] for line in air]
        records = pd.DataFrame(drops.drop(columns="geometry")).to_dict("records")
        stands = [self._stands(str(record["address_id"])) for record in records]
        cases = [self._case(*parts) for parts in zip(records, airs, stands, strict=True)]
        marks = [
            self._marks(int(row), *parts)
            for row, *parts in zip(rows, cases, routes, airs, stands, strict=True)
        ]
        frames = frame_drops(marks)
        features = self._layout.within(bounds_of([frame for some in frames for frame in some]))
        sheets, number = [], 0
        for at, case in enumerate(cases):
            sheet = self._sheet(start + at, case, profiles, at, airs[at][0])
            sheet["plan_svg"] = draw_plan(
                plan, features, number, frames[at], marks[at], self._common.units
            )
            sheet["legend"] = plan_legend(features, number, frames[at], marks[at], self._houses)
            number += len(frames[at])
            sheets.append(sheet)
        return sheets

    def _stands(self, address_id: str) -> list[tuple[str, str, FloatArray]]:
        places = self._tables.places.some(address_id)
        xy = self._tables.place_xy[places.index.to_numpy(dtype=np.int64)]
        return [
            (str(row["place"]), str(row["note"]) if is_known(row["note"]) else "", at)
            for row, at in zip(places.to_dict("records"), xy, strict=True)
        ]

    def _case(
        self, drop: dict[Any, Any], air: FloatArray, stands: list[tuple[str, str, FloatArray]]
    ) -> DropCase:
        address_id = str(drop["address_id"])
        job = self._tables.jobs.rows(address_id)[0]
        job["run_asked_m"] = max(
            (self._road_asked_m.get(road, math.nan) for road in listed(job, "run_roads")),
            default=math.nan,
        )
        road = job["road_id"]
        crossings = [self._named(row) for row in self._tables.crossings.rows(address_id)]
        crossings += self._strands.get(address_id, [])
        crossings.sort(key=lambda row: (row["start_m"], row["crossing_kind"], row["feature_id"]))
        return DropCase(
            drop,
            job,
            tuple(crossings),
            tuple(self._told(row) for row in self._tables.hazards.rows(address_id)),
            {place: note for place, note, _ in stands},
            self._roads.get(str(road), str(road)) if is_known(road) else "",
            compass(float(air[-1, 0] - air[0, 0]), float(air[-1, 1] - air[0, 1])),
            self._common.units,
        )

    def _named(self, row: dict[Any, Any]) -> dict[Any, Any]:
        """Name a lot that is passed by its address."""
        lot = str(row["feature_id"])
        if row["crossing_kind"] != CrossingKind.LOT.value or lot not in self._lots:
            return row
        return {**row, "feature_name": self._lots[lot]}

    def _told(self, row: dict[Any, Any]) -> dict[Any, Any]:
        """Name a lot that a flag is about by its address too."""
        lot = str(row["feature_id"])
        if row["code"] != "third_party_lot" or lot not in self._lots:
            return row
        told = str(row["what"]).replace(f"lot {lot},", f"lot {lot} ({self._lots[lot]}),")
        return {**row, "what": told}

    def _marks(
        self,
        row: int,
        case: DropCase,
        route: FloatArray,
        air: FloatArray,
        stands: list[tuple[str, str, FloatArray]],
    ) -> PlanMarks:
        drop, clamp = case.drop, self._clamp(case.drop)
        access, far, far_xy = str(drop["access_pole_id"]), "", None
        if clamp is not None:
            far = next(pole for pole in (clamp.far_pole, clamp.near_pole) if pole != access)
            far_xy = shapely.get_coordinates(self.plan.layers.poles.geometry.loc[far])[0, :2]
        return PlanMarks(
            row,
            route,
            air,
            case.is_from_clamp,
            str(drop["building_id"]) if is_known(drop["building_id"]) else "",
            str(drop["terminal_id"]),
            access,
            tuple((place, float(xy[0]), float(xy[1])) for place, _, xy in stands),
            far_pole_id=far,
            far_xy=far_xy,
        )

    def _clamp(self, drop: Mapping[Any, Any]) -> Clamp | None:
        """Measure a span clamp from both poles of its span, the nearer one first."""
        span_id = drop["strand_span_id"]
        spans = self.plan.layers.spans
        if not is_known(drop["clamp_at_m"]) or not is_known(span_id) or span_id not in spans.index:
            return None
        span = spans.loc[str(span_id)]
        ends = [str(span["from_pole_id"]), str(span["to_pole_id"])]
        pole, at_m = str(drop["access_pole_id"]), float(drop["clamp_at_m"])
        if pole not in ends:
            return None
        other = ends[1 - ends.index(pole)]
        left_m = max(float(span["length_m"]) - at_m, 0.0)
        both = sorted([(at_m, pole), (left_m, other)])
        return Clamp(both[0][1], both[0][0], both[1][1], both[1][0])

    def _sheet(
        self, number: int, case: DropCase, profiles: Profiles, at: int, start: FloatArray
    ) -> dict[str, Any]:
        address_id, clamp = str(case.drop["address_id"]), self._clamp(case.drop)
        poles = (clamp.near_pole, clamp.far_pole) if clamp is not None else ()
        columns = self._tables.crossings.frame.columns
        passed = pd.DataFrame(list(case.crossings), columns=columns)
        envelopes = build_envelopes(profiles, at, passed)
        sheet = sheet_texts(
            number + 1,
            case,
            clamp,
            envelopes,
            self._tables.stringing.rows(address_id),
            self._tables.materials.rows(address_id),
            self._tables.cuts.rows(address_id),
            self._findings,
            self._common,
        )
        sheet["stringing_notes"] = stringing_notes(sheet["stringing"], case, self._limits)
        placed = [one for one in envelopes if is_known(one.start_m) and is_known(one.end_m)]
        sheet["profile_svg"] = draw_profile_picture(
            profiles, at, placed, case.drop, self._yard_m, self._common.units,
            self._overhead.words(case, poles, start),
            _power_up(case.job),
        )  # fmt: skip
        return sheet


LOT_LETTERS = 34


def _lots(plan: Plan) -> dict[str, str]:
    """Return the name of each lot that has an address."""
    return {str(lot): cut(name, LOT_LETTERS) for lot, name in lot_names(plan.layers).items()}


def _strands(plan: Plan) -> dict[str, list[dict[Any, Any]]]:
    """Return a row for each strand that a drop crosses, as crossings have them, by address."""
    met = find_meetings(plan)
    found: dict[str, list[dict[Any, Any]]] = {}
    ids = plan.drops["address_id"].iloc[met.drop]
    for address_id, at_m, name in zip(ids, met.at_m, strand_names(plan, met.span), strict=True):
        row: dict[Any, Any] = dict.fromkeys(TABLES["crossings"].column_names, None)
        row |= dict.fromkeys(("required_m", "available_m", "margin_m", "distance_m"), math.nan)
        row |= {"address_id": str(address_id), "crossing_kind": STRAND, "feature_id": str(name)}
        row |= dict.fromkeys(("start_m", "at_m", "end_m"), float(at_m))
        row |= {"is_near_miss": False, "clearance_basis": "not_checked"}
        row["clearance_note"] = "heights of wire and strand not compared"
        found.setdefault(str(address_id), []).append(row)
    return found


UP = re.compile(r"(\S+), .*\bfrom (about .+?) up\b")
"""How a power line tells how high it is."""


def _power_up(job: Mapping[Any, Any]) -> dict[str, str]:
    """Return how high power lines are, in the job's words, by id."""
    found = [UP.match(words) for words in listed(job, "power_lines")]
    return {match.group(1): match.group(2) for match in found if match is not None}


def _yard(standards: Standards) -> float:
    figure = standards.rule_set.figures.get(YARD_RULE)
    return float("nan") if figure is None else float(figure.value_si)


def _tables(plan: Plan) -> _Tables:
    places = plan.work_places
    xy = np.empty((0, 2))
    if places is not None and len(places):
        places = places.sort_values(["address_id", "place"], kind="stable", ignore_index=True)
        xy = shapely.get_coordinates(places.geometry.to_numpy())
    return _Tables(
        ByAddress.of(plan.jobs),
        ByAddress.of(plan.crossings),
        ByAddress.of(plan.hazards),
        ByAddress.of(plan.stringing),
        ByAddress.of(plan.drop_materials),
        ByAddress.of(plan.reel_cuts),
        ByAddress.of(places),
        xy,
    )


def _limits(standards: Standards, units: ReportUnits) -> str:
    """Say each limit of pull with the load case that it holds in."""
    return "; ".join(
        f"{amount(case.limit_n, 'force', units)} at"
        f" {amount(case.temperature_c, 'temperature', units)},"
        f" {load_words(case.case).replace(', ', ' and ')}"
        for case in standards.tension
    )


def _road_asked(plan: Plan, standards: Standards) -> dict[str, float]:
    """Return the greatest height asked over roads of each name, m; by id where one has none."""
    roads = plan.layers.roads
    asked: dict[str, float] = {}
    for road, name, kind in zip(roads.index, roads["name"], roads["road_class"], strict=True):
        key = str(name) if is_known(name) else str(road)
        figure = standards.rule_set.figures.get(f"{ROAD_RULE}.{ROAD_CLASS.get(kind, 'arterial')}")
        there = math.nan if figure is None else float(figure.value_si)
        asked[key] = float(np.fmax(asked.get(key, math.nan), there))
    return asked


def _findings(plan: Plan) -> dict[tuple[str, str], list[str]]:
    """Return what the checks of the layers found, by layer and row; notes of whole layers not."""
    found: dict[tuple[str, str], list[str]] = {}
    rows = plan.layers.findings
    rows = rows[rows["row_id"].notna() & rows["row_id"].ne("")]
    for layer, row_id, reason in zip(rows["layer"], rows["row_id"], rows["reason"], strict=True):
        found.setdefault((str(layer), str(row_id)), []).append(str(reason))
    return found
