"""Every figure on a printed sheet is that of ``plan.gpkg``, rounded; none is left unexplained."""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.clearance.demands import ROAD_CLASS
from geoplan.reports.sheets.gather import SheetSource
from geoplan.reports.sheets.letters import printable
from geoplan.reports.sheets.page import sheet_html
from geoplan.rules.crew_reader import load_crew_rules
from geoplan.standards import load_standards
from geoplan.units import say

FIG = r"-?\d+(?:\.\d+)? (?:ft|in|lbf|degF|min|deg)|unknown"
"""A figure with its unit as US sheets print it, or the word for one that isn't there."""

UNIT = r"ft|in|mi|yd|lbf|lb|kip|degF|degC|deg|mph|km/h|min|h|s|V|kV|kN|N|mm|cm|km|m"
TOKEN = re.compile(rf"(?<![\w.,])(-?\d+(?:[.,]\d+)*) ?({UNIT})(?![\w/])")
NUMBER = re.compile(r"(?<![\w.,'-])-?\d+(?:[.,]\d+)*(?![\w,]|\.\d)")

Rows = Mapping[str, pd.DataFrame]


@dataclass
class Case:
    """All rows of one drop, from the tables alone."""

    drop: dict[str, Any]
    job: dict[str, Any]
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    run_asked_m: float = np.nan
    """Greatest height that the rule set asks for over the roads of the strand run."""

    @property
    def is_clamp(self) -> bool:
        return self.job["job_kind"].endswith("span_clamp")

    @property
    def is_street(self) -> bool:
        return self.job["job_kind"].startswith("street_crossing")

    @property
    def is_over_road(self) -> bool:
        return bool(self.job["is_over_street"]) or any(
            row["crossing_kind"] == "road" and not row["is_near_miss"]
            for row in self.rows["crossings"]
        )

    def has_ladder(self) -> bool:
        return self.is_clamp and not self.job["is_bucket_job"] and known(self.drop["ladder_sag_m"])


def cases_of(tables: Rows) -> dict[str, Case]:
    """Bring the rows of each drop together."""
    jobs = {row["address_id"]: row for row in tables["jobs"].to_dict("records")}
    cases = {
        row["address_id"]: Case(row, jobs[row["address_id"]])
        for row in tables["drops"].to_dict("records")
    }
    order = {"crossings": ["start_m", "crossing_kind", "feature_id"], "stringing": "temperature_c",
             "reel_cuts": "cut", "drop_materials": "item", "hazards": ["code", "at_m"],
             "air_spans": "address_id", "work_places": "place"}  # fmt: skip
    for name, by in order.items():
        for case in cases.values():
            case.rows[name] = []
        for row in tables[name].sort_values(by, kind="stable").to_dict("records"):
            if row["address_id"] in cases:
                cases[row["address_id"]].rows[name].append(row)
    return cases


def known(value: Any) -> bool:
    return not (value is None or value == "" or pd.isna(value))


def parts(value: Any) -> list[str]:
    """Return the parts of a column that is split by ';'."""
    return [one.strip() for one in str(value).split(";")] if known(value) else []


def positive(value: Any) -> bool:
    return known(value) and value > 0


def said(value: float, quantity: str) -> str:
    """Write a figure as sheets do; no minus before a zero."""
    figure = say(value, quantity, "us")
    is_zero = known(value) and not float(figure.split()[0])
    return figure.lstrip("-") if is_zero else figure


def feet(metres: float) -> str:
    return said(metres, "length")


def inches(metres: float) -> str:
    return said(metres, "sag")


def bare(value: float, quantity: str) -> str:
    """Write a figure without its unit."""
    return said(value, quantity).split()[0]


def between(text: str, start: str, end: str) -> str:
    """Cut out what stands between two words, each of which has to be there."""
    assert start in text, f"'{start}' is not on the sheet"
    _, _, rest = text.partition(start)
    assert end in rest, f"'{end}' is not on the sheet"
    return rest.partition(end)[0].strip()


def numbers(text: str) -> set[str]:
    """Return all figures of a text, with their unit where they have one."""
    return tokens(text) | plain_numbers(text)


def dotted(figure: str) -> str:
    """Make sure that the decimal point of a figure is one."""
    return figure.replace(".", r"\.")


def missing_from(text: str, wanted: list[tuple[str, str]]) -> list[str]:
    """Name labels that aren't followed by their figure, with no other figure between."""
    return [
        f"{label} {figure}"
        for label, figure in wanted
        if not re.search(rf"(?<!\w){label} (?:{dotted(figure)})(?![\d.–])", text)
    ]


@pytest.fixture(scope="module")
def cases(demo_tables, demo_work):
    return with_asked(cases_of(demo_tables), demo_work)


def asked_over_roads(plan: Any) -> dict[str, float]:
    """Return the height asked over roads of each name by the rule set, m."""
    figures, heights = load_standards(plan.project).rule_set.figures, {}
    for road_id, road in plan.layers.roads.iterrows():
        name = road["name"] if known(road["name"]) else road_id
        rule = ROAD_CLASS.get(road["road_class"], "arterial")
        height = figures[f"clearance.road.{rule}"].value_si
        heights[name] = max(height, heights.get(name, height))
    return heights


def with_asked(cases: dict[str, Case], plan: Any) -> dict[str, Case]:
    """Put in the greatest height asked over the roads below each strand run."""
    heights = asked_over_roads(plan)
    for case in cases.values():
        asked = [heights[road] for road in parts(case.job["run_roads"])]
        case.run_asked_m = max(asked, default=np.nan)
    return cases


@pytest.fixture(scope="module")
def pages(demo_paper):
    """Return front and back of each sheet."""
    return {
        name: (demo_paper.texts[page - 1], demo_paper.texts[page])
        for name, page in demo_paper.starts.items()
    }


def faults_of(cases, pages, check: Callable[[Case, str, str], tuple[Any, Any]]) -> dict[str, Any]:
    """Compare what a check wants with what it found, for every drop."""
    assert set(cases) == set(pages)
    faults = {}
    for address_id, case in cases.items():
        wanted, found = check(case, *pages[address_id])
        if wanted != found:
            faults[address_id] = {"wanted": wanted, "printed": found}
    return faults


# ---------------------------------------------------------------- front


def ports_of(case: Case, dash: str) -> str:
    first, last = case.job["first_port"], case.job["last_port"]
    return str(first) if first == last else f"{first}{dash}{last}"


FLAT_DEG = 30.0
"""A wire that leaves its strand at less is a hazard."""
ROW_END_M = 0.15
"""A place nearer than this to an end of the air span is told as that end."""
COUNTED = ("power", "pool", "existing_drop", "planned_drop", "roof")
"""Kinds whose clearance leaves the least of all open where it was not worked out."""


def end_of(case: Case) -> str:
    """Return the end of the air span at which the yard's clearance is least; empty: neither."""
    at, span = case.drop["margin_at_m"], case.drop["air_span_m"]
    if not known(at) or case.drop["margin_over"] != "yard":
        return ""
    if at >= span - ROW_END_M:
        return "house"
    return ("clamp" if case.is_clamp else "hook") if at <= ROW_END_M else ""


def least_label(case: Case) -> str:
    """Return what the least clearance is called in large type."""
    is_open = known(case.job["run_roads"]) or any(
        row["clearance_basis"] == "not_checked"
        or (row["clearance_basis"] == "none" and row["crossing_kind"] in COUNTED)
        for row in case.rows["crossings"]
    )
    if is_open:
        return "Least of the checked / asked"
    if str(case.drop["margin_over"]).startswith("roof "):
        return "Least over roof / asked"
    end = end_of(case)
    return f"Least, at the {end} / asked" if end else "Least clearance / asked"


def large_figures(case: Case) -> list[tuple[str, str | None]]:
    """Return labels and figures, both as patterns; None where the label must not be there."""
    drop, job = case.drop, case.job
    there, asked = bare(drop["margin_available_m"], "length"), feet(drop["margin_required_m"])
    is_held = case.is_clamp and not job["is_bucket_job"]  # a ladder leans on the strand
    is_over = bool(job["is_over_street"])
    at = said(drop["stringing_temperature_c"], "temperature")
    return [
        ("Clamp, above ground" if case.is_clamp else "Hook, above ground",
         feet(drop["hook_height_m"])),
        ("House, above ground", feet(drop["attachment_height_m"])),
        (f"Sag to leave at {at}", inches(drop["stringing_sag_m"])),
        ("Sag, ladder on strand", inches(drop["ladder_sag_m"]) if is_held else None),
        (least_label(case), f"{there} / {asked}" if is_over or not is_held else None),
        ("Terminal", drop["terminal_id"]),
        ("Port", ports_of(case, "–")),
        ("Length to cut" if job["supply"] == "bulk" else "Stocked length to take",
         feet(job["cut_length_m"])),
        ("Hand line, at least", feet(job["hand_line_m"])),
        ("Wire out before raising", feet(job["ground_path_m"]) if is_over and is_held else None),
    ]  # fmt: skip


def parts_of_front(front: str) -> tuple[str, str]:
    """Return what stands before the table of lesser figures, and the rest."""
    before, mark, rest = front.partition(" Leaves from pole ")
    assert mark, "'Leaves from pole' is not on the sheet"
    return before, mark + rest


def faults_in(text: str, rows: list[tuple[str, str | None]]) -> tuple[list[str], list[str]]:
    """Name labels without their figure, and labels that must not be there."""
    told = [(label, figure) for label, figure in rows if figure is not None]
    absent = [label for label, figure in rows if figure is None]
    return missing_from(text, told), [
        label for label in absent if re.search(rf"(?<!\w){label} ", text)
    ]


def test_large_figures_are_those_of_the_plan(cases, pages):
    def check(case, front, _):
        return ([], []), faults_in(parts_of_front(front)[0], large_figures(case))

    assert faults_of(cases, pages, check) == {}
    rows = [dict(large_figures(case)) for case in cases.values()]
    assert sum(row["Sag, ladder on strand"] is not None for row in rows) > 100
    assert sum(row["Wire out before raising"] is not None for row in rows) > 10


def test_several_ports_are_told_from_first_to_last(cases, pages):
    several = [name for name, c in cases.items() if c.job["first_port"] != c.job["last_port"]]
    assert several
    for name in several:
        first, last = cases[name].job["first_port"], cases[name].job["last_port"]
        front, back = pages[name]
        assert f" Port {first}–{last} " in front
        assert f"Ports {first} to {last} are free at terminal" in back
        assert f", ports {first} to {last}, with a drip loop" in back


def lesser_figures(case: Case) -> list[tuple[str, str | None]]:
    """Return labels and figures, both as patterns; None where the label must not be there."""
    drop, job = case.drop, case.job

    def where(is_so, metres):
        return feet(metres) if is_so else None

    def part(label, metres):  # wire of no length may go without a line
        return (label, feet(metres)) if metres >= 0.005 else (rf"{label}(?! 0\.0 ft)", None)

    case_words = rf"(?:, (?:{FIG})(?:, [a-z ]+)?)?"
    tightest = "Pull nearest its limit"
    if known(drop["tension_case_c"]):
        load = drop["tension_case_load"].replace(", ", " and ")
        tightest += f": {said(drop['tension_case_c'], 'temperature')}, {load}"
    pull = f"{bare(drop['tension_worst_n'], 'force')} of {said(drop['tension_limit_n'], 'force')}"
    there, asked = bare(drop["margin_available_m"], "length"), feet(drop["margin_required_m"])
    pole = re.escape(drop["access_pole_id"])
    return [
        ("Leaves from pole", pole),
        ("Air span, level", feet(drop["air_span_m"])),
        (f"Clamp from (?:pole|{pole})", where(case.is_clamp, drop["clamp_at_m"])),
        ("Along strand", where(drop["strand_run_m"] > 0, drop["strand_run_m"])),
        ("Wire: hanging", feet(job["air_arc_m"])),
        ("Wire: building run", feet(job["building_run_m"])),
        part("Wire: on the strand", job["strand_wire_m"]),
        part("Wire: at the pole", job["pole_run_m"]),
        part("Wire: loops, connections", job["loops_m"]),
        ("Wire in all", feet(job["wire_m"])),
        ("Coiled up", where(positive(job["coil_m"]), job["coil_m"])),
        ("Hand line, house side", where(job["is_over_street"], job["hand_line_house_m"])),
        ("Wire out before raising", where(job["is_over_street"], job["ground_path_m"])),
        (f"Worst sag{case_words}", inches(drop["sag_worst_m"])),
        ("Least margin", margin(drop["margin_m"])),
        ("Clearance there / asked", f"{there} / {asked}"),
        (tightest, pull),
        ("Pull, ladder on the strand",
         said(drop["ladder_tension_n"], "force") if case.has_ladder() else None),
        ("Time on site", said(job["work_s"], "duration")),
    ]  # fmt: skip


def margin(metres: float) -> str:
    """Return the pattern of a margin: as a sag, or as a length where it is over a yard."""
    return f"{inches(metres)}|{feet(metres)}" if metres > 0.9144 else inches(metres)


def test_lesser_figures_are_those_of_the_plan(cases, pages):
    def check(case, front, _):
        return ([], []), faults_in(parts_of_front(front)[1], lesser_figures(case))

    assert faults_of(cases, pages, check) == {}
    for at, least in (("Along strand", 190), ("Hand line, house side", 60),
                      ("Wire out before raising", 60)):  # fmt: skip
        rows = [dict(lesser_figures(case))[at] for case in cases.values()]
        assert sum(figure is not None for figure in rows) >= least, at
    assert sum(case.is_clamp for case in cases.values()) > 100


def crossing_pattern(row: dict[str, Any]) -> str:
    start, end = feet(row["start_m"]), feet(row["end_m"])
    aside = rf", {feet(row['distance_m'])} aside(?: in plan)? " if row["is_near_miss"] else " "
    out = rf"{start}(?: – {end})?" if start == end else f"{start} – {end}"
    if row["clearance_basis"] != "computed":
        word = "NOT CHECKED" if row["clearance_basis"] == "not_checked" else "nothing|[Ll]ook|LOOK"
        return rf"{aside}{out} – – – (?:{word})"
    figures = f"{feet(row['required_m'])} {feet(row['available_m'])}"
    return rf"{aside}{out} {figures} (?:{margin(row['margin_m'])}) "


def test_crossings_are_printed_with_their_place_and_in_order(cases, pages):
    def check(case, front, _):
        rows = case.rows["crossings"]
        table = between(front, "wire as strung.", "Stringing: sag to leave")
        lines, wanted = lines_by_wire(case), {}
        for number, row in enumerate(rows):
            name = row["feature_id"]
            is_line = row["crossing_kind"] == "power" and row["clearance_basis"] == "none"
            is_told = is_line and name in lines  # in one row, however often it is met
            wanted.setdefault(
                (name, -1 if is_told else number),
                lines[name] if is_told else crossing_pattern(row),
            )
        wanted = [(name, pattern) for (name, _), pattern in wanted.items()]
        wanted += [(road, run_pattern(case, road)) for road in parts(case.job["run_roads"])]
        wanted += [("yard", yard_pattern(case))] if case.drop["margin_over"] == "yard" else []
        missing, at = [], 0
        for name, pattern in wanted:
            found = re.compile(pattern).search(table, at)
            at = found.end() - 1 if found else at
            missing += [] if found else [name]
        return [], missing

    assert faults_of(cases, pages, check) == {}
    rows = [row for case in cases.values() for row in case.rows["crossings"]]
    assert sum(row["is_near_miss"] for row in rows) > 5
    assert {row["clearance_basis"] for row in rows} == {"computed", "not_checked", "none"}


def run_pattern(case: Case, road: str) -> str:
    """Return the row of a road below the strand run: the height asked, nothing worked out."""
    asked = feet(case.run_asked_m)
    return rf"strand run over {re.escape(road)} – {asked} – – NOT WORKED OUT: measure"


def lines_by_wire(case: Case) -> dict[str, str]:
    """Return the row of each power line that the wire passes: what is asked, and what is there."""
    told = {}
    for words in parts(case.job["power_places"]):
        if words.startswith("wire: "):
            name, there, asked = re.fullmatch(
                r"wire: (\S+), (.+?) \(.+\), (.+) asked", words
            ).groups()  # fmt: skip
            told[name] = rf"{name}, beside (?:{FIG})(?: – (?:{FIG}))? {asked} {there} – approach"
    return told


def yard_pattern(case: Case) -> str:
    """Return the row of the yard, where its clearance is the least."""
    drop = case.drop
    at_m = drop["air_span_m" if end_of(case) == "house" else "margin_at_m"]
    figures = " ".join(map(feet, (at_m, drop["margin_required_m"], drop["margin_available_m"])))
    return rf"yard \(fine dots\), [a-z ]+ {figures} (?:{margin(drop['margin_m'])}) "


STANDS = rf"the clamp stands (?:({FIG}) (toward|away from) the (house|street)|where it was)"
LADDER = re.compile(
    rf"With the ladder on the strand(?:, at {FIG})?: sag ({FIG})(?:, pull {FIG})?; {STANDS}\."
    rf" Ladder gone: sag ({FIG}); {STANDS} and ({FIG}) (higher|lower) than the empty strand"
)


def test_clamp_with_and_without_the_ladder_is_printed_as_planned(cases, pages):
    def signed(figure, way, side):
        """Return a shift as told, positive toward the house."""
        if not figure or not float(figure.split()[0]):
            return inches(0.0)
        is_to_house = (way == "toward") == (side == "house")
        return figure if is_to_house else f"-{figure}"

    def check(case, front, _):
        drop, found = case.drop, LADDER.findall(front)
        if not case.has_ladder():
            is_told = "No ladder on the strand (" in front
            return ([], bool(case.job["is_bucket_job"])), (found, is_told)
        wanted = [inches(drop[name]) for name in ("ladder_sag_m", "ladder_shift_m",
                                                 "stringing_sag_m", "clamp_shift_m",
                                                 "clamp_sink_m")]  # fmt: skip
        told = [
            [one[0], signed(*one[1:4]), one[4], signed(*one[5:8]),
             one[8] if one[9] == "lower" or not float(one[8].split()[0]) else f"-{one[8]}"]
            for one in found
        ]  # fmt: skip
        return [wanted], told

    assert faults_of(cases, pages, check) == {}
    assert sum(case.has_ladder() for case in cases.values()) > 100
    assert sum(bool(case.job["is_bucket_job"]) for case in cases.values()) > 5


DRAWN = {
    "ends": rf"({FIG}) (CLAMP|HOOK) ({FIG}) HOUSE ({FIG})",
    "sags": rf"sag ({FIG}) worst ({FIG})",
    "least": rf"({FIG}) there ({FIG}) asked",
    "level": r"(LEVEL GROUND ASSUMED: check on site\.)",
}
"""What is written in the profile beside its dimensions."""


def test_dimensions_of_the_profile_are_printed_as_planned(cases, pages):
    def check(case, front, _):
        drop, air = case.drop, case.rows["air_spans"][0]
        is_level = not (known(air["start_z_m"]) and known(air["end_z_m"]))
        is_power = drop["margin_over"].startswith("power ")
        wanted = {
            "ends": [(feet(drop["hook_height_m"]), "CLAMP" if case.is_clamp else "HOOK",
                      feet(drop["attachment_height_m"]), feet(drop["air_span_m"]))],
            "sags": [(inches(drop["stringing_sag_m"]), inches(drop["sag_worst_m"]))],
            "least": [] if is_power else [(feet(drop["margin_available_m"]),
                                           feet(drop["margin_required_m"]))],
            "level": ["LEVEL GROUND ASSUMED: check on site."] if is_level else [],
        }  # fmt: skip
        drawn = between(front, "Read the back before", "Sheet ")
        return wanted, {name: re.findall(pattern, drawn) for name, pattern in DRAWN.items()}

    assert faults_of(cases, pages, check) == {}


def times_of(front: str) -> float:
    told = re.search(r"Heights drawn ([\d.]+) times the scale of distances", front)
    assert told or "Heights and distances at one scale." in front
    return float(told.group(1)) if told else 1.0


SCALE = r"(\d+) ft(?: Work| Place of work| Whole route)?,? 1 : (\d+)"
DRAWN_ONLY = (SCALE, rf"about (?:{FIG}) above ground", rf"to [A-Z]\w*, (?:{FIG})(?= [A-Z0-9])")
"""Figures that the drawings make from their geometry; no table has them, so none is held here."""


def but_for_drawings(text: str) -> str:
    """Return a text without figures that only the drawings have."""
    for pattern in DRAWN_ONLY:
        text = re.sub(pattern, " ", text)
    return text


def bars_of(text: str) -> list[tuple[int, int]]:
    """Return what scale bars and scales say, in feet and as 1 to n."""
    return [(int(bar), int(scale)) for bar, scale in re.findall(SCALE, text)]


def test_scales_are_printed_as_drawn(demo_work, pages):
    """The drawings themselves are measured elsewhere, against these scales."""
    rows = np.arange(0, len(demo_work.drops), 9)
    ids = demo_work.drops["address_id"].iloc[rows]
    for address_id, sheet in zip(
        ids, SheetSource(demo_work, rows).batch(0, len(rows)), strict=True
    ):
        front = pages[address_id][0]
        plan, profile = sheet["plan_svg"], sheet["profile_svg"]
        bars = re.findall(r'<polyline points="([^"]*)"[^>]*data-(?:scale|key)-bar="([\d.]+)"', plan)
        told = bars_of(front)
        assert [round(float(metres) / 0.3048) for _, metres in bars] == [bar for bar, _ in told]
        assert len(told) >= 1
        assert float(re.search(r'data-scale="([\d.]+)"', plan).group(1)) == told[0][1]
        for (points, metres), (_, scale) in zip(bars, told, strict=True):
            x_mm = [float(point.split(",")[0]) for point in points.split()]
            long_m = (max(x_mm) - min(x_mm)) / 1000 * scale
            assert long_m == pytest.approx(float(metres), rel=5e-3)
        across, up = (
            float(re.search(rf'data-mm-per-m{end}="([\d.]+)"', profile).group(1))
            for end in ("", "-up")
        )
        assert up / across == pytest.approx(times_of(front), rel=1e-3)


def test_head_and_foot_are_those_of_the_job(cases, pages, demo_paper):
    order = {name: number + 1 for number, name in enumerate(demo_paper.starts)}
    for address_id, (front, back) in pages.items():
        job = cases[address_id].job
        foot = f"Sheet {order[address_id]} of {len(cases)} · {address_id} · "
        assert foot in front
        assert foot in back
        day = f"Crew day {job['crew_day_id']}" if known(job["crew_day_id"]) else "On no crew day"
        who = "ONE PERSON" if job["crew_size"] == 1 else f"{job['crew_size']} PEOPLE"
        assert f" {day} " in front
        assert f" Who {who} " in front
        assert f"Who, and traffic {who}" in back


# ---------------------------------------------------------------- back


def test_checks_repeat_the_figures_of_the_plan(cases, pages, demo_work):
    figures = load_standards(demo_work.project).entry.figures.values()
    unsure = sum(figure.status.value != "read" for figure in figures)

    def check(case, _, back):
        drop, job = case.drop, case.job
        assumed = [(feet(drop["hook_height_m"]), feet(drop["attachment_height_m"]))]
        beside = [
            r for r in case.rows["crossings"] if r["crossing_kind"] == "roof" and r["is_near_miss"]
        ]
        reach = [r["feature_id"] for r in within_swing(case)]
        judged = [
            r for r in beside
            if r["feature_id"] in reach or r["clearance_basis"] == "not_checked"
        ]  # fmt: skip
        held = {r["feature_id"] for r in judged}
        wanted = {
            "not checked": [out_of(case, row["at_m"]) for row in case.rows["crossings"]
                            if row["clearance_basis"] == "not_checked"
                            and row["feature_id"] not in held
                            and row["feature_id"] not in parts(job["crossed_later"])],
            "swing": [(r["feature_id"], feet(r["distance_m"])) for r in judged],
            "assumed": assumed if drop["height_basis"] != "measured" else [],
            "ports": [ports_of(case, " to ")],
            "run": [(feet(job["building_run_m"]), feet(job["cut_length_m"]))],
        }  # fmt: skip
        text = between(back, "figures rest on)", "Who, and traffic")
        assert f"{unsure} of its {len(figures)} figures were not read" in back
        patterns = {
            "not checked": rf"Clearance at [^(]+ \({OUT}\) NOT CHECKED",
            "swing": rf"(\w+) \([^()]*?({FIG}) aside, the wire swings",
            "assumed": rf"Heights are assumed \((?:clamp|hook) ({FIG}), house ({FIG})\)",
            "ports": r"Ports? (\d+(?: to \d+)?) (?:is|are) free at terminal",
            "run": rf"Building run of ({FIG}) is enough .*?, before ({FIG}) is cut",
        }
        return wanted, {name: re.findall(pattern, text) for name, pattern in patterns.items()}

    assert faults_of(cases, pages, check) == {}
    assert any(case.drop["height_basis"] != "measured" for case in cases.values())


def within_swing(case: Case) -> list[dict[str, Any]]:
    """Return buildings beside the wire that its swing, a parabola along it, may reach."""
    most, span = case.drop["swing_worst_m"], case.drop["air_span_m"]
    return [
        row
        for row in case.rows["crossings"]
        if row["crossing_kind"] == "roof" and row["is_near_miss"]
        and not row["distance_m"] > 4 * most * (row["at_m"] / span) * (1 - row["at_m"] / span)
    ]  # fmt: skip


def test_figures_of_reasons_are_printed_with_them(cases, pages):
    def check(case, _, back):
        job = case.job
        text = numbers(between(back, "figures rest on)", " Hazards "))  # boxes have some of it
        words = [job[name] for name in ("crew_reasons", "traffic_reasons", "power_approach_note")]
        told = {one for reason in words if known(reason) for one in numbers(reason)}
        return set(), told - text - {"0 V"}  # that of a line without voltage is told in words

    assert faults_of(cases, pages, check) == {}


def test_approach_distance_is_printed_where_there_is_one_and_nowhere_else(cases, pages):
    def check(case, _, back):
        asked = case.job["power_approach_m"]
        text = powers_told(back)
        found = re.findall(rf"[Kk]eep ({FIG}) away", text)
        found += re.findall(rf"[Kk]eep (?:{FIG}) away, ({FIG}) with the bucket", text)
        if not known(asked):
            return [], found
        return True, feet(asked) in found

    assert faults_of(cases, pages, check) == {}
    told = {case.job["power_approach"]: pages[name][1] for name, case in cases.items()}
    assert set(told) == {"none", "clear", "close", "within", "not_checked"}
    assert "CLOSE: clear only while head and hands stay below" in told["close"]
    assert "WITHIN THE APPROACH DISTANCE" in told["within"]
    assert "NOT CHECKED" in told["not_checked"]


def powers_told(back: str) -> str:
    """Return the words on power."""
    who = between(back, "Who, and traffic", " Hazards ")
    assert " Power: " in who
    return who.rpartition(" Power: ")[2]


def test_every_power_line_near_is_told_with_its_distance(cases, pages):
    def check(case, _, back):
        told = [words.strip() for words in powers_told(back).split(";")]
        missing = []
        for line in str(case.job["power_lines"] or "").split(";"):
            name, _, rest = line.strip().partition(", ")
            keep = re.search(rf"keep {FIG} away", rest)
            if keep and not any(
                re.search(rf"(?<!\w){re.escape(name)}(?!\w)", words, re.IGNORECASE)
                and keep.group() in words
                for words in told
            ):
                missing.append(line)
        return [], missing

    assert faults_of(cases, pages, check) == {}
    assert sum(known(case.job["power_lines"]) for case in cases.values()) > 100


def test_sag_and_pull_with_the_ladder_on_are_told_for_each_temperature(cases, pages):
    def check(case, front, _):
        rows = sorted(case.rows["stringing"], key=lambda row: row["temperature_c"])
        wanted = []
        for head, column, quantity in (
            ("Ladder on: sag, in", "ladder_sag_m", "sag"),
            ("Ladder on: pull, lbf", "ladder_tension_n", "force"),
        ):
            if case.has_ladder() and any(known(row[column]) for row in rows):
                cells = [bare(row[column], quantity) if known(row[column]) else "NO"
                         for row in rows]  # fmt: skip
                wanted.append(f"{head} {' '.join(cells)}")
        return (wanted, len(wanted)), (
            [words for words in wanted if words in front],
            front.count("Ladder on: "),
        )

    assert faults_of(cases, pages, check) == {}
    assert sum(case.has_ladder() for case in cases.values()) > 100


RUN_SIGNS = ("run_sign_1_m", "run_sign_2_m", "run_sign_3_m", "run_taper_m", "run_buffer_m")
SIGNS = ("sign_1_m", "sign_2_m", "sign_3_m", "taper_m", "buffer_m")
SIGN_HEADS = ("Work or taper to sign 1", "Sign 1 to sign 2", "Sign 2 to sign 3", "Taper", "Buffer")


def test_signs_taper_and_buffer_have_a_table_where_no_step_tells_them(cases, pages):
    """What the step tells of them is held with the other steps."""

    def check(case, _, back):
        there = [(head, feet(case.job[name])) for head, name in zip(SIGN_HEADS, SIGNS, strict=True)
                 if positive(case.job[name])]  # fmt: skip
        heads, cells = (" ".join(part) for part in zip(*there, strict=True)) if there else ("", "")
        wanted = f"{heads} {cells}" if there and not has_step_on_traffic(case) else ""
        text = between(back, "Who, and traffic", " Hazards ")
        return wanted, "".join(re.findall(r"Work or taper to sign 1.*", text))

    assert faults_of(cases, pages, check) == {}
    for name in SIGNS:
        assert sum(positive(case.job[name]) for case in cases.values()) >= 5, name
    assert any(not known(case.job["sign_1_m"]) for case in cases.values())


def has_step_on_traffic(case: Case) -> bool:
    """Whether a step sets up traffic control for the air span and those who stand."""
    job = case.job
    is_by_road = case.is_over_road or known(job["road_id"]) or known(job["other_roads"])
    return job["traffic_class"] != "none" and is_by_road


TOLD_ELSEWHERE = frozenset(
    {
        "third_party_lot", "raised_attachment", "height_assumed", "level_ground_assumed",
        "strand_inferred", "attachment_assumed", "clearance_not_checked", "raised_hook",
        "steep_wall_angle",
    }
)  # fmt: skip
"""Flags that a box of the checks or a step tells: no line of their own, unless they are a stop."""
WIRES = ("existing_drop", "planned_drop")
OF_WIRES = ("existing_drop_crossing", "planned_drop_crossing", "clearance_not_checked")
"""Flags that the line on other wires tells of all of them."""


def stop_row(line: str) -> str:
    """Return how a row to stop for has a place for the distance to a line."""
    name = re.escape(line)
    if line.startswith("power on pole "):  # several poles are named as one
        name = rf"power on poles? (?:(?!____).)*{re.escape(line.rpartition(' ')[2])}"
    blanks = rf"(?:Measured: (?:[^_]+ ____, )*{name} ____|{name} measured: ____"
    blanks += rf"|{name}(?!\w)(?:(?!WARNING).)*nearest of the others)"
    return rf"STOP(?:(?!WARNING).)*{blanks}"


def test_figures_of_hazards_are_printed_and_no_others(cases, pages):
    def check(case, _, back):
        rows = [r for r in case.rows["hazards"] if not r["code"].endswith("_changed_by_clearance")]
        twice = {r["feature_id"] for r in rows if r["code"] == "street_crossing"}
        rows = [
            r for r in rows if not (r["code"] == "oblique_crossing" and r["feature_id"] in twice)
        ]
        lines = [r for r in rows if r["severity"] == "error" or r["code"] not in TOLD_ELSEWHERE]
        wires = [r for r in case.rows["crossings"] if r["clearance_basis"] == "not_checked"
                 and r["crossing_kind"] in WIRES and not r["is_near_miss"]]  # fmt: skip
        met = {r["feature_id"] for r in wires}
        lines = [r for r in lines if r["code"] not in OF_WIRES or r["feature_id"] not in met]
        row = f" {between(back, ' Hazards ', ' Steps ')} "
        lines = [
            r for r in lines
            if r["code"] != "near_power"
            or not re.search(rf" {r['feature_id']} (?:measured: )?____", row)
        ]  # fmt: skip
        words = [r["what"] for r in lines]
        words += [  # a line with a place for its distance in a row before has no row of its own
            tight
            for tight in parts(case.job["power_tight"])
            if not re.search(stop_row(tight.partition(": ")[0]), row)
        ]
        words += [out_of(case, r["at_m"]) for r in wires]
        words += [feet(case.run_asked_m)] if known(case.job["run_roads"]) else []
        words += parts(case.job["strands_met"])
        landing = [p.partition("house_run: ")[2] for p in parts(case.job["power_places"])]
        words += [one for one in landing if one and f" {one.partition(', ')[0]}, live, " in row]
        angle = case.job["strand_angle_deg"]
        words += [said(angle, "angle")] if angle < FLAT_DEG else []
        told = {one for what in words for one in numbers(what)}
        others = {one for r in rows if r not in lines for one in numbers(r["what"])}
        blanks = r"Measured: [^_]+ ____, nearest of the others, which: ____, ____"
        printed = re.sub(blanks, "", between(back, " Hazards ", " Steps "))
        found = numbers(printed) - {"1"}  # of 'step 1'
        return (told - {"1"}, set()), (found, others - numbers(back))

    assert sum(known(case.job["power_tight"]) for case in cases.values()) > 5
    assert not [name for name, (_, back) in pages.items() if "See the plan's hazards" in back]
    assert faults_of(cases, pages, check) == {}


OUT = rf"(?:({FIG}) from the (?:pole|clamp)|at the (?:house|pole|clamp))"
ROOM = rf"(\S+) \({OUT}, ({FIG}) aside(?:, the wire swings (?:{FIG}))?\)"
"""How the box on room beside buildings tells of one."""
NUMBERS = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5}
STEPS = {
    "walk": rf"Walk the line from (?:the clamp, ({FIG}) along the strand from )?"
    rf"pole (\S+), ({FIG})",
    "sign 1": rf"the nearest sign ({FIG}) before the (?:work|taper|flagger)",
    "signs 2, 3": rf", the next ({FIG}) farther",
    "taper": rf"; taper ({FIG})",
    "buffer": rf"(?:[,;] buffer |: flaggers, )({FIG})",
    "trees": rf"Tree (\S+), ({FIG}) to ({FIG}) from the (?:pole|clamp): its crown",
    "roofs": rf"Roof (\S+), {OUT}: with",
    "buildings": rf"Building (\S+), {OUT}: the wire passes ({FIG}) from it in plan",
    "wires": rf"(?:Other wire in the line:|,| and) [^,.;]+? \({OUT}\)(?=,| and |\. Over or under)",
    "house": rf"Set the attachment [^,]+, ({FIG}) above the ground",
    "wall": rf"leaves the wall at only ({FIG})",
    "clamp": rf"Fix the span clamp ({FIG}) along the strand from pole (\S+),"
    rf" toward pole \S+, (?:{FIG}) short of it; it hangs ({FIG}) above",
    "hook": rf"Drive the hook at ({FIG}) above",
    "hand line": rf"Hang the hand line over [a-z ]+, at least ({FIG})"
    rf"(?:: ({FIG}) of it on the side to the house)?",
    "wire out": rf"draw off at least ({FIG}) more",
    "on the wire": rf"Tie the hand line on ({FIG}) from the house's clamp",
    "gauge": rf"with a pull gauge: ({FIG}) at ({FIG})",
    "run left": rf"(?:Leave ({FIG}) for the building run beyond the clamp"
    rf"|drop clamp on ({FIG}) from the wire's end)",
    "cut": rf"(?:Draw off ({FIG}) in open loops out of people's way, and cut"
    rf"|and cut: ({FIG}) in all)",
    "ladder sag": rf"has for that at today's temperature \(({FIG}) at ({FIG})\)",
    "shift": rf"the clamp goes (toward|away from) the house, ({FIG}), and the sag",
    "sag": rf"(?:sag with|set it by) the stringing table at today's temperature"
    rf" \(({FIG}) at ({FIG})\)",
    "strand": rf"Strand run, ({FIG})(?:, (\d+) whole spans?)?: lead the wire from .*?"
    r"to pole (\S+), tied",
    "run height": rf"NOT WORKED OUT: measure it, ({FIG}) asked",
    "port": r"onnect at terminal (\S+), ports? (\d+(?: to \d+)?), with",
    "building": rf"Building run: ({FIG}) down",
    "coil": rf"; coil ({FIG}) ",
    "lowest, where": rf"(?:Measure the clearance over [^:]+?, {OUT}:|Lowest place is the"
    r" (clamp|hook|house) (?:attachment )?itself: measure its height,)",
    "lowest, today": rf"at least what the stringing table has for today: ({FIG}) at ({FIG});"
    rf" ({FIG}) asked at the worst sag",
    "lowest, fixed": rf"at least ({FIG}) on any day; ({FIG}) asked at the worst sag",
    "to power": rf"Least distance: to power (\S+), {OUT}, ({FIG}) at its least \(({FIG}) asked\)",
}
"""Each sentence of the steps that holds a figure."""

AT_HOUSE = rf"(?:, (?:lands on|passes) this house (?:at|(?:{FIG}) from) the attachment)?"
POWERS = {
    "power crossed": rf"(\S+) \(meets the wire {OUT}{AT_HOUSE}\)",
    "power beside": rf"(\S+) \({OUT}, ({FIG}) aside in plan{AT_HOUSE}\)",
}
"""How the words on power tell where a line meets the wire or passes it."""


def out_of(case: Case, metres: float) -> str:
    """Return how far out a place is; empty where it is told as an end of the air span."""
    is_inside = ROW_END_M < metres < case.drop["air_span_m"] - ROW_END_M
    return feet(metres) if is_inside else ""


BY_HAND_N = 200.0
"""Pull above which a gauge is asked for."""


def lowest_wanted(case: Case) -> dict[str, list[Any]]:
    """Return what the last step says: where the least clearance is, and what it is today."""
    drop, at_c = case.drop, case.drop["stringing_temperature_c"]
    at, asked, there = (drop[f"margin_{name}_m"] for name in ("at", "required", "available"))
    is_power = str(drop["margin_over"]).startswith("power ")
    end = end_of(case)
    for row in case.rows["crossings"]:  # told within what is crossed, from the clamp's own place
        if drop["margin_over"] == f"{row['crossing_kind']} {row['feature_id']}":
            at = float(np.clip(at, row["start_m"], row["end_m"]))
            break
    today = [
        (feet(row["height_there_m"]), said(at_c, "temperature"), feet(asked))
        for row in case.rows["stringing"]
        if known(row["height_there_m"]) and abs(row["temperature_c"] - at_c) < 0.01
    ]
    name = str(drop["margin_over"]).partition(" ")[2]
    is_fixed = end == "house" or (end == "hook" and not today)
    today, there = ([], drop["attachment_height_m"]) if end == "house" else (today, there)
    return {
        "lowest, where": [] if is_power else [("" if end else out_of(case, at), end)],
        "lowest, today": [] if is_power else today,
        "lowest, fixed": [(feet(there), feet(asked))] if is_fixed else [],
        "to power": [(name, out_of(case, at), feet(there), feet(asked))] if is_power else [],
    }


def signs_wanted(case: Case) -> dict[str, list[str]]:
    """Return distances of signs that steps tell: for the air span, then for the strand run."""
    job, found = case.job, {}
    heads = {"sign 1": ("sign_1_m",), "signs 2, 3": ("sign_2_m", "sign_3_m"),
             "taper": ("taper_m",), "buffer": ("buffer_m",)}  # fmt: skip
    for head, columns in heads.items():
        names = list(columns) if has_step_on_traffic(case) else []
        names += [f"run_{column}" for column in columns] if known(job["run_roads"]) else []
        found[head] = [feet(job[name]) for name in names if positive(job[name])]
    return found


def signs_once(case: Case) -> dict[str, list[str]]:
    """Return distances of signs that are told once: those for the run are the same."""
    both, found = signs_wanted(case), {}
    for head, told in both.items():
        half = len(told) // 2
        assert told[:half] == told[half:], head
        found[head] = told[:half]
    return found


def gap_between(before_m: float, after_m: float) -> str:
    """Return how far apart two figures are as they are printed."""
    if not (known(before_m) and known(after_m)):
        return "unknown"
    return f"{abs(float(bare(after_m, 'sag')) - float(bare(before_m, 'sag'))):.1f} in"


def steps_wanted(case: Case) -> dict[str, list[Any]]:
    """Return the figures of the steps."""
    drop, job = case.drop, case.job
    crossings = case.rows["crossings"]
    pole, at = drop["access_pole_id"], feet(drop["clamp_at_m"])
    temperature = said(drop["stringing_temperature_c"], "temperature")
    passed = drop["spans_passed"]
    is_over = bool(job["is_over_street"])
    is_beyond = bool(drop["is_street_crossing"]) if case.is_clamp else is_over
    house = feet(job["hand_line_house_m"]) if is_over else ""
    is_steep = any(row["code"] == "steep_wall_angle" for row in case.rows["hazards"])
    has_run = drop["strand_run_m"] > 0
    strand = (feet(drop["strand_run_m"]), str(passed) if passed else "", drop["terminal_id"])
    pull = drop["ladder_tension_n" if case.has_ladder() else "stringing_tension_n"]
    is_heavy = max(pull, drop["stringing_tension_n"]) > BY_HAND_N  # with the ladder or gone
    moved = gap_between(drop["ladder_shift_m"], drop["clamp_shift_m"])
    is_toward = drop["clamp_shift_m"] > drop["ladder_shift_m"]

    def out(metres: float) -> str:
        return out_of(case, metres)

    def either(metres: float) -> tuple[str, str]:
        return ("", feet(metres)) if is_beyond else (feet(metres), "")

    def met(*kinds: str) -> list[dict[str, Any]]:
        return [r for r in crossings if r["crossing_kind"] in kinds and not r["is_near_miss"]]

    def beside(kind: str) -> list[dict[str, Any]]:
        return [r for r in crossings if r["crossing_kind"] == kind and r["is_near_miss"]]

    return {
        "walk": [(at if case.is_clamp else "", pole, feet(drop["air_span_m"]))],
        **signs_wanted(case),
        "trees": [(row["feature_id"], feet(row["start_m"]), feet(row["end_m"]))
                  for row in met("tree")],
        "roofs": [(row["feature_id"], out(row["at_m"])) for row in met("roof")],
        "buildings": sorted((row["feature_id"], out(row["at_m"]), feet(row["distance_m"]))
                            for row in beside("roof")),
        "wires": [out(row["at_m"]) for row in met(*WIRES)
                  if row["feature_id"] not in parts(job["crossed_later"])],
        "power crossed": sorted((row["feature_id"], out(row["at_m"])) for row in met("power")),
        "power beside": sorted((row["feature_id"], out(row["at_m"]), feet(row["distance_m"]))
                               for row in beside("power")),
        "house": [feet(drop["attachment_height_m"])],
        "wall": [said(drop["wall_angle_deg"], "angle")] if is_steep else [],
        "clamp": [(at, pole, feet(drop["hook_height_m"]))] if case.is_clamp else [],
        "hook": [] if case.is_clamp else [feet(drop["hook_height_m"])],
        "hand line": [(feet(job["hand_line_m"]), house)],
        "wire out": [feet(job["ground_path_m"])] if is_beyond else [],
        "on the wire": [feet(job["air_arc_m"])] if has_run and not is_beyond else [],
        "gauge": [(said(pull, "force"), temperature)] if is_heavy else [],
        "run left": [either(job["building_run_m"])],
        "cut": [either(job["cut_length_m"])],
        "ladder sag": [(inches(drop["ladder_sag_m"]), temperature)] if case.has_ladder() else [],
        "shift": [("toward" if is_toward else "away from", moved)] if case.has_ladder() else [],
        "sag": [(inches(drop["stringing_sag_m"]), temperature)],
        "strand": [strand] if has_run else [],
        "run height": [feet(case.run_asked_m)] if known(job["run_roads"]) else [],
        "port": [(drop["terminal_id"], ports_of(case, " to "))],
        "building": [feet(job["building_run_m"])],
        "coil": [feet(job["coil_m"])] if positive(job["coil_m"]) else [],
        **lowest_wanted(case),
    }  # fmt: skip


def test_figures_of_the_steps_are_those_of_the_plan(cases, pages):
    def check(case, _, back):
        text = between(back, " Steps ", " Wire and materials ")
        found = {name: re.findall(pattern, text) for name, pattern in STEPS.items()}
        room = re.findall(ROOM, between(back, "Check on site first", "Who, and traffic"))
        found["buildings"] = sorted([*found["buildings"], *room])
        told = powers_told(back)
        found |= {name: sorted(re.findall(pattern, told)) for name, pattern in POWERS.items()}
        wanted = steps_wanted(case)
        assert set(wanted) == set(found)
        if "as set up before, moved along" in text:
            wanted |= signs_once(case)
        return (
            {name: one for name, one in wanted.items() if one != found[name]},
            {name: one for name, one in found.items() if one != wanted[name]},
        )

    assert faults_of(cases, pages, check) == {}
    told = {name for case in cases.values() for name, one in steps_wanted(case).items()
            if one}  # fmt: skip
    # no drop of the demo leaves a surplus or has its least clearance over power
    assert {*STEPS, *POWERS} - told == {"coil", "to power"}


def test_everybody_of_the_crew_has_one_duty_while_the_wire_goes_up(cases, pages):
    seen = 0
    for name, (_, back) in pages.items():
        steps = between(back, " Steps ", " Wire and materials ")
        for count, duties in re.findall(r"(\d+) people: ([^.]+)", steps):
            told = re.findall(
                r"(one|two|three|four|five) (?:holds?|pulls?|watch(?:es)?|works?|in|at)\b", duties
            )
            assert int(count) == cases[name].job["crew_size"], name
            assert sum(NUMBERS[word] for word in told) == int(count), (name, duties)
            seen += 1
    assert seen > 20


def test_reels_and_materials_are_printed_and_no_others(cases, pages):
    def amount(row):
        if row["unit"] == "m":
            return f"{feet(row['quantity'])} {row['title']}"
        quantity = np.format_float_positional(round(row["quantity"], 2), trim="-")
        unit = "×" if row["unit"] == "each" else row["unit"]
        return f"{quantity} {unit} {row['title']}"

    def check(case, _, back):
        is_steep = any(row["code"] == "steep_wall_angle" for row in case.rows["hazards"])
        wanted = [
            f"Cut {row['cut']} from reel {row['reel_id']}: {feet(row['from_m'])} to"
            f" {feet(row['to_m'])}."
            for row in case.rows["reel_cuts"]
        ]
        held = [amount(row) for row in case.rows["drop_materials"]]
        wanted += [words.replace("hook or bracket", "bracket") if is_steep else words
                   for words in held]  # fmt: skip
        wanted.append(f"hand line, {feet(case.job['hand_line_m'])}")
        text = between(back, " Wire and materials ", " As built ")
        count = len(re.findall(r"(?:^|[.;] )(?:Cut \d|\d[\d.]* (?:ft|×)|hand line, \d)", text))
        return ([], len(wanted)), ([words for words in wanted if words not in text], count)

    assert all(case.rows["drop_materials"] for case in cases.values())
    assert all(case.rows["reel_cuts"] for case in cases.values())
    assert faults_of(cases, pages, check) == {}


def test_caution_counts_the_figures_of_the_rule_set(demo_work, pages):
    status = demo_work.standards["figures_by_status"]
    figures = load_standards(demo_work.project).rule_set.figures.values()
    read = sum(figure.status.value == "read" for figure in figures)
    assert sum(status.values()) == len(figures)
    words = f": {read} of its {len(figures)} figures were read at their source;"
    assert {name for name, (_, back) in pages.items() if words not in back} == set()


# ---------------------------------------------------------------- nothing else


PRINTED: dict[str, dict[str, tuple[str, ...]]] = {
    "drops": {
        "length": ("hook_height_m", "attachment_height_m", "air_span_m", "clamp_at_m",
                   "strand_run_m", "margin_available_m", "margin_required_m", "margin_at_m"),
        "sag": ("stringing_sag_m", "sag_worst_m", "margin_m", "ladder_sag_m", "ladder_shift_m",
                "clamp_shift_m", "clamp_sink_m"),
        "force": ("tension_limit_n", "ladder_tension_n", "stringing_tension_n"),
        "temperature": ("stringing_temperature_c", "tension_case_c"),
        "angle": ("wall_angle_deg",),
    },
    "jobs": {
        "length": ("building_run_m", "air_arc_m", "strand_wire_m", "pole_run_m", "loops_m",
                   "wire_m", "cut_length_m", "coil_m", "ground_path_m", "hand_line_m",
                   "hand_line_house_m", "power_approach_m", *SIGNS, *RUN_SIGNS),
        "duration": ("work_s",),
        "angle": ("strand_angle_deg",),
    },
    "crossings": {
        "length": ("start_m", "end_m", "at_m", "required_m", "available_m", "distance_m"),
        "sag": ("margin_m",),
    },
    "reel_cuts": {"length": ("from_m", "to_m")},
}  # fmt: skip
"""Columns that sheets print with a unit, and how each is rounded."""

TOLD: dict[str, tuple[str, ...]] = {
    "drops": ("margin_rule",),
    "jobs": (
        "crew_reasons",
        "traffic_reasons",
        "power_approach_note",
        "label",
        "cut_note",
        "power_lines",
        "power_tight",
        "power_around",
        "run_power",
        "run_reach_note",
        "near_rail",
        "power_places",
        "run_lots",
        "run_lots_sides",
        "last_ladder",
        "drives_beside",
        "run_truck",
        "strands_met",
    ),
    "work_places": ("note",),
    "hazards": ("what", "remedy"),
    "crossings": ("clearance_note", "rule", "feature_name"),
    "drop_materials": ("title",),
}
"""Columns of words that sheets print, figures and all."""


def shared_by_all(plan: Any) -> set[str]:
    """Return figures that are the same on each sheet: what is not checked, and the load cases.

    All other texts that are the same on each sheet (cautions, legends, headings) hold no figure.
    """
    standards = load_standards(plan.project)
    some = [*standards.tension, *standards.clearance, standards.stringing]
    found = {said(one.temperature_c, "temperature") for one in some}
    found |= {said(one.limit_n, "force") for one in standards.tension}
    return found.union(*(tokens(words) for words in plan.unchecked))


def rows_of(case: Case, table: str) -> list[dict[str, Any]]:
    return {"drops": [case.drop], "jobs": [case.job]}.get(table) or case.rows.get(table, [])


def explained(case: Case, findings: list[str], shared: set[str]) -> set[str]:
    """Return each figure with its unit that a sheet of this drop may print."""
    found = set(shared)
    for table, by_quantity in PRINTED.items():
        for row in rows_of(case, table):
            for quantity, columns in by_quantity.items():
                for column in columns:
                    found.add(said(row[column], quantity))
                    if column.endswith(("_shift_m", "_sink_m")):  # told with a word for the sign
                        found.add(said(abs(row[column]), quantity))
    found |= {
        margin(row["margin_m"]).partition("|")[2] for row in (case.drop, *case.rows["crossings"])
    }  # a great one is told as a length
    if any("exception for slope" in str(row["rule"]) for row in case.rows["crossings"]):
        found.add("4 in")  # of a slope of 4 in 12
    found.add(gap_between(case.drop["ladder_shift_m"], case.drop["clamp_shift_m"]))
    found |= {feet(swing_m(case, row["at_m"])) for row in case.rows["crossings"]
              if row["crossing_kind"] == "roof" and row["is_near_miss"]}  # fmt: skip
    found |= {said(r["temperature_c"], "temperature") for r in case.rows["stringing"]}
    found |= {feet(case.run_asked_m)} | {
        feet(row["height_there_m"])
        for row in case.rows["stringing"]
        if abs(row["temperature_c"] - case.drop["stringing_temperature_c"]) < 0.01
    }
    found |= {feet(r["quantity"]) for r in case.rows["drop_materials"] if r["unit"] == "m"}
    words = [row[name] for table, names in TOLD.items() for row in rows_of(case, table)
             for name in names]  # fmt: skip
    for text in [*words, *findings]:
        if known(text):
            found |= tokens(text)
    return found - {"unknown"}


def swing_m(case: Case, at_m: float) -> float:
    """Return the sideways swing at a place: a parabola through both ends and the greatest."""
    share = float(np.clip(at_m / case.drop["air_span_m"], 0.0, 1.0))
    return case.drop["swing_worst_m"] * (1.0 - (2.0 * share - 1.0) ** 2)


def tokens(text: str) -> set[str]:
    return {f"{number} {unit}" for number, unit in TOKEN.findall(text)}


def findings_of(case: Case, findings: pd.DataFrame) -> list[str]:
    """Return what was found of address, poles, building and what is crossed."""
    layers = {"road": "roads", "power": "power", "tree": "trees", "rail": "rail"}
    own = {("addresses", case.drop["address_id"]), ("buildings", case.drop["building_id"])}
    own |= {("poles", case.drop[name]) for name in ("access_pole_id", "terminal_id")}
    own |= {(layers.get(row["crossing_kind"]), row["feature_id"]) for row in case.rows["crossings"]}
    at = [pair in own for pair in zip(findings["layer"], findings["row_id"], strict=True)]
    return findings.loc[at, "reason"].tolist()


def test_each_figure_with_a_unit_is_one_of_the_plan(
    cases, pages, demo_tables, demo_paper, demo_work
):
    left, seen, shared = {}, 0, shared_by_all(demo_work)
    poles = demo_work.layers.poles["power_height_m"]
    for address_id, case in cases.items():
        sheet = demo_paper.sheet(address_id)
        found = tokens(but_for_drawings(sheet))
        power = poles.get(case.drop["access_pole_id"], np.nan)
        may = explained(case, findings_of(case, demo_tables["findings"]), shared) | {feet(power)}
        seen += len(found)
        if found - may:
            left[address_id] = sorted(found - may)
    assert left == {}
    assert seen > 30 * len(cases)


def plain_numbers(text: str) -> set[str]:
    """Return numbers that no unit follows."""
    return set(NUMBER.findall(TOKEN.sub(" ", text)))


def in_pieces(found: set[str], front: str, ids: pd.Index) -> set[str]:
    """Return numbers that are the rest of a line's name, turned in the plan and read in pieces."""
    heads = set(re.findall(r"(?<!\S)E\d{0,2}(?!\S)", front)) - set(ids)
    rest = {one for one in found if any(one in name[1:] for name in ids)}
    return rest if len(rest) <= 2 * len(heads) else set()


def test_each_number_without_a_unit_is_one_of_the_plan(
    cases, pages, demo_tables, demo_work, demo_paper
):
    flaggers = int(load_crew_rules(demo_work.project).value("people.flaggers"))
    labels = demo_work.layers.addresses.set_index("parcel_id")["label"]
    status = demo_work.standards["figures_by_status"]
    wire = load_standards(demo_work.project).entry.figures.values()
    shared = {sum(status.values()), len(wire), sum(f.status.value != "read" for f in wire),
              *status.values(), len(cases)}  # fmt: skip
    left = {}
    for number, address_id in enumerate(pages, start=1):
        case = cases[address_id]
        front, back = pages[address_id]
        job = case.job
        steps = len(re.findall(r"(?<![\w.])\d+\.(?= |$)", between(back, "As built", "Sheet ")))
        may = {str(one) for one in shared} | {str(number), job["crew_day_id"]}
        may |= {str(job[name]) for name in ("first_port", "last_port", "crew_size")}
        may |= {str(case.drop["spans_passed"]), ports_of(case, "–")}
        may |= {str(row["cut"]) for row in case.rows["reel_cuts"]}
        may |= {bare(row[column], quantity) for row in case.rows["stringing"]
                for column, quantity in (("temperature_c", "temperature"), ("sag_m", "sag"),
                                         ("tension_n", "force"), ("ladder_sag_m", "sag"),
                                         ("height_there_m", "length"),
                                         ("ladder_tension_n", "force"))}  # fmt: skip
        may |= {str(demo_paper.starts[address_id]), str(demo_paper.starts[address_id] + 1)}
        if job["flaggers"]:
            may |= {str(flaggers), str(job["flaggers"])}
        may.add(bare(case.drop["tension_worst_n"], "force"))  # 'of' its limit, with the unit
        may |= {f"{row['quantity']:g}" for row in case.rows["drop_materials"]}
        may |= {str(scale) for _, scale in bars_of(front)}  # held by a test of their own
        may |= {"1", f"{times_of(front):g}"}
        may |= {bare(case.drop["margin_available_m"], "length")}
        words = [row[name] for table, names in TOLD.items() for row in rows_of(case, table)
                 for name in names]  # fmt: skip
        for text in [*words, *findings_of(case, demo_tables["findings"])]:
            may |= plain_numbers(printable(text)) if known(text) else set()
        may |= {str(step) for step in range(1, steps + 1)}  # numbers of the steps
        lots = {row["feature_id"] for row in case.rows["crossings"]
                if row["crossing_kind"] == "lot"}  # fmt: skip
        may |= plain_numbers(" ".join(labels[labels.index.isin(lots)].dropna()))  # of their houses
        may |= {"1", "2", "3"}  # heads of signs
        found = plain_numbers(f"{front} {back}") - may
        found -= in_pieces(found, front, demo_work.layers.power.index)
        if found:
            left[address_id] = sorted(found)
    assert left == {}


# ---------------------------------------------------------------- what isn't there


def of_kind(kind: str) -> Callable[[Case], bool]:
    return {
        "hook": lambda case: not case.is_clamp,
        "clamp": lambda case: case.has_ladder(),
        "street": lambda case: case.is_street,
        "signs": lambda case: (
            positive(case.job["taper_m"])
            and has_step_on_traffic(case)
            and not known(case.job["run_roads"])
        ),
        "run": lambda case: positive(case.job["run_buffer_m"]),
        "moving": lambda case: (
            case.drop["margin_over"] == "yard" and end_of(case) not in {"house", "hook"}
        ),
        "crossing": lambda case: (
            [row["clearance_basis"] for row in case.rows["crossings"]] == ["computed"]
        ),
        "any": lambda case: True,
    }[kind]


ONE_NEXT = r"the nearest sign 250\.0 ft before the (?:taper|work), the next 250\.0 ft farther;"
NO_SIGN_1 = r"^(?!.*the nearest sign \d)"

ABSENT = [
    ("drops", "clamp_at_m", "clamp", (r"Clamp from \S+ unknown", "the clamp, unknown along",
                                      "Fix the span clamp unknown along")),
    ("drops", "stringing_sag_m", "clamp", ("Sag to leave at 60 degF unknown", " sag unknown ",
                                           "Ladder gone: sag unknown", r"\(unknown at 60 degF\)")),
    ("drops", "stringing_temperature_c", "clamp", ("Sag to leave at unknown", "in at unknown")),
    ("drops", "sag_worst_m", "any", (r"Worst sag(?:, -?\d+ degF(?:, [a-z ]+)?)? unknown",
                                     "worst unknown")),
    ("drops", "tension_worst_n", "any", (r"Pull nearest its limit: -?\d+ degF, [a-z ]+ unknown of"
                                         r" \d+ lbf",)),
    ("drops", "tension_limit_n", "any", (r"Pull nearest its limit: -?\d+ degF, [a-z ]+ \d+ of"
                                         " unknown",)),
    ("drops", "tension_case_c", "any", (r"Pull nearest its limit \d+ of \d+ lbf",)),
    ("drops", "margin_m", "any", ("Least margin unknown",)),
    ("drops", "margin_required_m", "hook", (r"Clearance there / asked [\d.]+ / unknown",)),
    ("drops", "margin_available_m", "hook", ("Clearance there / asked not checked",
                                             "Least[^/]* / asked not checked")),
    ("drops", "margin_at_m", "any", ("Measure the lowest place of the wire: its clearance was",)),
    ("drops", "ladder_sag_m", "clamp", ("Sag, ladder on strand not known",
                                        "Sag with the ladder on the strand: not worked out")),
    ("drops", "ladder_shift_m", "clamp", (r"the clamp stands an unknown way off\. Ladder gone",
                                          r"the clamp moves \(how far is not worked out\)")),
    ("drops", "clamp_shift_m", "clamp", ("the clamp stands an unknown way off and",)),
    ("drops", "clamp_sink_m", "clamp", (" and an unknown way lower or higher than the empty",)),
    ("drops", "strand_run_m", "clamp", ("Along strand unknown", "Strand run, unknown")),
    ("jobs", "building_run_m", "any", ("Wire: building run unknown", "Building run of unknown",
                                       "Building run: unknown down")),
    ("jobs", "air_arc_m", "any", ("Wire: hanging unknown",)),
    ("jobs", "strand_wire_m", "any", ("Wire: on the strand unknown",)),
    ("jobs", "pole_run_m", "any", ("Wire: at the pole unknown",)),
    ("jobs", "loops_m", "any", ("Wire: loops, connections unknown",)),
    ("jobs", "wire_m", "any", ("Wire in all unknown",)),
    ("jobs", "cut_length_m", "any", ("Length to cut unknown",
                                     r"[Dd]raw off .*?unknown|and cut: unknown")),
    ("jobs", "hand_line_m", "any", ("Hand line, at least unknown",
                                    "over [a-z ]+, at least unknown")),
    ("jobs", "hand_line_house_m", "street", ("Hand line, house side unknown",)),
    ("jobs", "ground_path_m", "street", ("Wire out before raising unknown",)),
    ("jobs", "work_s", "any", ("Time on site unknown",)),
    ("jobs", "sign_1_m", "signs", (NO_SIGN_1,)),
    ("jobs", "sign_2_m", "signs", (ONE_NEXT,)),
    ("jobs", "sign_3_m", "signs", (ONE_NEXT,)),
    ("jobs", "taper_m", "signs", (r"^(?!.*; taper \d)",)),
    ("jobs", "buffer_m", "signs", (r"^(?!.*buffer \d)",)),
    ("jobs", "run_sign_1_m", "run", (r"^(?!.*on [A-Z][^.;:]* for the strand run: (?:(?!hold).)*"
                                       r" sign \d)",)),
    ("jobs", "run_buffer_m", "run", (r"^(?!.*on [A-Z][^.;:]* for the strand run: (?:(?!hold).)*"
                                       r" buffer \d)",)),
    ("jobs", "run_traffic_class", "run", (r"for the strand run, on each approach: its kind was"
                                          " NOT WORKED OUT, ask the office",)),
    ("stringing", "sag_m", "any", ("Sag, in NO NO", "NO: do not string at this temperature")),
    ("stringing", "tension_n", "any", ("Pull, lbf NO NO",)),
    ("stringing", "height_there_m", "moving", ("what it must be today was NOT worked out;",)),
    ("drop_materials", "quantity", "any", ("unknown × Connector for the end",)),
    ("crossings", "required_m", "crossing", ("ft unknown ",)),
    ("crossings", "available_m", "crossing", ("ft unknown ",)),
    ("crossings", "margin_m", "crossing", ("ft unknown ",)),
    ("crossings", "start_m", "crossing", ("unknown – ",)),
    ("crossings", "end_m", "crossing", (" – unknown ",)),
    ("reel_cuts", "from_m", "any", (": unknown to ",)),
    ("reel_cuts", "to_m", "any", (" to unknown",)),
]  # fmt: skip
"""Figures taken away from one drop each: table, column, kind of drop, what its sheet must say."""


@pytest.fixture(scope="module")
def without(demo_work, cases):
    """Return the sheet's words and the case of each drop that lacks a figure, by column."""
    tables = {name: getattr(demo_work, name).copy() for name in
              ("drops", "jobs", "crossings", "stringing", "reel_cuts", "drop_materials", "hazards",
               "air_spans")}  # fmt: skip
    chosen: dict[tuple[str, str], str] = {}
    for table, column, kind, _ in ABSENT:
        if (table, column) in chosen:
            continue
        fits = of_kind(kind)
        address_id = next(
            (name
            for name, case in cases.items()
            if name not in chosen.values() and fits(case) and len(case.rows["crossings"]) < 4
            and all(known(row[column]) for row in rows_of(case, table))
            and rows_of(case, table)), None
        )  # fmt: skip
        assert address_id, f"no drop has {column} and is of kind '{kind}'"
        chosen[table, column] = address_id
        frame = tables[table]
        frame.loc[frame["address_id"].eq(address_id), column] = np.nan
    plan = dataclasses.replace(demo_work, **tables)
    ids = plan.drops["address_id"].tolist()
    rows = np.array([ids.index(name) for name in chosen.values()])
    sheets = SheetSource(plan, rows).batch(0, len(rows))
    texts = [re.sub(r"<[^>]*>", " ", sheet_html(sheet, is_first=True)) for sheet in sheets]
    words = [re.sub(r"\s+", " ", html.unescape(text)) for text in texts]
    changed = with_asked(cases_of({**tables, "work_places": plan.work_places}), plan)
    return {
        key: (changed[name], text) for (key, name), text in zip(chosen.items(), words, strict=True)
    }


@pytest.mark.parametrize(("table", "column", "kind", "said"), ABSENT)
def test_sheet_says_that_a_figure_is_absent(
    without, demo_tables, demo_work, table, column, kind, said
):
    case, text = without[table, column]
    findings = findings_of(case, demo_tables["findings"])
    assert not re.search(r"\b(?:nan|None|inf|NaT)\b", text)
    for words in said:
        assert re.search(words, text)
    power = demo_work.layers.poles["power_height_m"].get(case.drop["access_pole_id"], np.nan)
    shared = shared_by_all(demo_work) | {feet(power)}
    assert tokens(but_for_drawings(text)) - explained(case, findings, shared) == set()
    assert not any(known(row[column]) for row in rows_of(case, table))
