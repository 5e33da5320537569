"""Summary and screen: figures that add up, no machine in them, harmless text."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.model import Plan
from geoplan.reports.caution import CAUTION
from geoplan.reports.screen import COLUMNS, LINES, fit, terminal_summary
from geoplan.reports.summary import describe_crs, plain, summarise, write_summary
from geoplan.tables import CrossingKind


@pytest.fixture(scope="module")
def summary(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    path = write_summary(plan, tmp_path_factory.mktemp("summary") / "summary.json")
    return json.loads(path.read_text(encoding="utf-8"))


def test_addresses_are_conserved(summary: dict) -> None:
    counts = summary["counts"]
    parts = counts["served"] + counts["unserved"] + counts["addresses_set_aside"]
    assert parts == counts["addresses_read"] == 15
    assert sum(counts["served_by_route_kind"].values()) == counts["served"] == 12
    assert sum(counts["unserved_by_code"].values()) == counts["unserved"]


def test_crossings_and_hazards_are_counted(plan: Plan, summary: dict) -> None:
    assert summary["crossings"]["crossed_by_kind"]["road"] == 6
    assert summary["crossings"]["crossed_by_kind"]["tree"] == 0
    assert summary["crossings"]["near_by_kind"]["tree"] == 4
    assert summary["crossings"]["roads_by_class"] == {"residential": 6}
    assert sum(summary["hazards"]["by_code"].values()) == len(plan.hazards)
    assert sum(summary["hazards"]["by_severity"].values()) == len(plan.hazards)


def test_totals_are_the_sums_of_the_drops(plan: Plan, summary: dict) -> None:
    assert summary["totals"]["cost"] == pytest.approx(12 * 100.0 + 66 / 3.0)
    assert summary["totals"]["air_span_m"] == pytest.approx(plan.drops["air_span_m"].sum())


def test_unknown_is_null_and_settings_are_in_force(summary: dict) -> None:
    assert summary["optimality"]["unknown"] is None
    assert summary["optimality"]["served"] == 12
    assert summary["settings"]["limits"]["max_air_span"] == 60.0
    assert summary["settings"]["layers"]["poles"]["source"] == "poles.gpkg"


def test_it_carries_the_caution_and_what_is_unchecked(plan: Plan, summary: dict) -> None:
    assert summary["caution"] == list(CAUTION)
    assert summary["unchecked"] == list(plan.unchecked)
    assert set(summary["absent_layers"]) == set(plan.layers.absent)
    assert summary["absent_layers"]["rail"] == "rail crossings are not checked"
    assert summary["inputs"]["addresses"]["sha256"] == "ab" * 32
    assert summary["inputs"]["addresses"]["rows_set_aside"] == 1


def test_it_names_the_rules_and_what_they_leave_out(plan: Plan, summary: dict) -> None:
    assert summary["standards"] == plan.standards
    assert summary["standards"]["covers_not"] == ["clearance.water: nothing could be read."]


def test_it_tells_of_clearances(summary: dict) -> None:
    told = summary["clearance"]
    assert told["raised_hooks"] == 2
    assert told["least_margin"]["over"].startswith("road NUL\ufffd")
    assert told["greatest_tension"]["share"] == pytest.approx(0.91)
    assert told["routes_changed_by_clearance"]["count"] == 2


def test_no_folder_and_no_time_of_this_machine(plan: Plan, summary: dict) -> None:
    text = json.dumps(summary)
    assert str(Path.home()) not in text
    assert "/data" not in text
    assert "timings" not in text


def test_scale_is_said_in_millimetres_on_the_longest_span(plan: Plan) -> None:
    told = describe_crs(plan.layers.crs, 50.0)
    assert told["ground_minus_grid_mm"] == pytest.approx(50e3 * (1 / 0.9999 - 1), abs=1e-3)
    assert told["ground_minus_grid_mm"] > 0  # the grid is shorter than the ground
    assert told["authority_code"] == "EPSG:2264"


def test_shuffled_plan_gives_the_same_bytes(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    first = write_summary(plan, tmp_path / "a.json").read_bytes()
    assert write_summary(fenmoor.shuffled(plan, 5), tmp_path / "b.json").read_bytes() == first


def test_plain_refuses_what_json_cannot_hold() -> None:
    assert plain([np.float64("inf"), pd.NA, np.int64(3), {"b", "a"}]) == [None, None, 3, ["a", "b"]]
    with pytest.raises(TypeError, match="object has no place in a summary"):
        plain(object())


def _empty(plan: Plan) -> Plan:
    names = ("drops", "air_spans", "crossings", "hazards", "unserved", "alternatives")
    return dataclasses.replace(plan, **{name: getattr(plan, name).iloc[:0] for name in names})


def test_an_empty_plan_has_a_summary(plan: Plan) -> None:
    told = summarise(_empty(plan))
    assert told["counts"]["served"] == 0
    assert told["totals"]["longest_air_span_m"] is None
    json.dumps(told, allow_nan=False)
    assert "served 0" in terminal_summary(_empty(plan))


@pytest.mark.parametrize("units", ["us", "metric"])
def test_screen_fits_and_tells_the_fate(fenmoor: Any, units: str) -> None:
    text = terminal_summary(fenmoor.build(units))
    lines = text.split("\n")
    assert len(lines) <= LINES
    assert max(map(len, lines)) <= COLUMNS
    assert "served 12, unserved 2, set aside 1" in text
    assert "Not for construction" in text
    assert ("232.0 ft" in text) == (units == "us")
    assert "Rules 'us', light: must be verified against the code in force" in text
    margin = "13.4 in" if units == "us" else "0.34 m"
    assert f"Least margin {margin}, most tension 91.0% of limit; raised: hooks 2, houses 4" in text
    assert re.search(r"Of these bucket jobs +3\n", text)


def test_the_screen_tells_of_drops_without_wire_and_of_days_too_long(plan: Plan) -> None:
    work = {
        "jobs_by_crew_size": {"1": 8, "2": 4},
        "crew_days": {"scheduled": True, "crew_days": 6, "days_over_length": ["D001-1p"]},
        "reels": {"reels": 3, "not_on_a_reel": ["A1", "A2"]},
        "materials": {"drops_without_wire": ["A2", "A3"]},
    }
    text = terminal_summary(dataclasses.replace(plan, work=work))
    told = "  Without wire 3; 6 crew days (1 over length), 3 reels; 8 drops for 1"
    assert told in text
    well = {
        **work,
        "reels": {"reels": 3, "not_on_a_reel": []},
        "materials": {"drops_without_wire": []},
        "crew_days": {"scheduled": True, "crew_days": 6, "days_over_length": []},
    }
    text = terminal_summary(dataclasses.replace(plan, work=well))
    assert "  6 crew days, 3 reels; 8 drops for 1, 4 for 2 people\n" in text
    many = dict.fromkeys("123456789", 10**6)
    lines = terminal_summary(
        dataclasses.replace(plan, work={**work, "jobs_by_crew_size": many})
    ).split("\n")
    assert max(map(len, lines)) <= COLUMNS
    assert len(lines) <= LINES


def test_the_fullest_screen_still_fits(plan: Plan) -> None:
    absent = (
        "buildings", "strands", "power", "trees", "rail", "water", "sidewalks", "driveways",
        "pools", "existing_drops", "terrain",
    )  # fmt: skip
    crossings = pd.concat(
        [
            plan.crossings.assign(crossing_kind=kind.value, is_near_miss=False)
            for kind in CrossingKind
        ]
    )
    unserved = pd.concat([plan.unserved.assign(code=f"a_reason_with_a_name_{n}") for n in range(9)])
    full = dataclasses.replace(
        plan,
        layers=dataclasses.replace(plan.layers, absent=absent),
        crossings=crossings,
        unserved=unserved,
        standards={**plan.standards, "rule_set": "r" * 90},
        unchecked=("not checked: " + "this and that, " * 40, "and more"),
    )
    lines = terminal_summary(full).split("\n")
    assert len(lines) <= LINES
    assert max(map(len, lines)) <= COLUMNS
    assert all(name in "\n".join(lines) for name in absent)
    assert lines[-1].endswith("asks for one.")


def test_names_cannot_steer_the_terminal(plan: Plan) -> None:
    name = "\x1b[2J\r\u202eevil\n" + "\u6771" * 60  # the door refuses it; so does the screen
    wild = dataclasses.replace(plan, project=plan.project.model_copy(update={"name": name}))
    text = terminal_summary(wild)
    assert "\x1b" not in text
    assert "\r" not in text
    assert "\u202e" not in text
    assert text.split("\n")[0].startswith("Plan '?[2J??evil?")


def test_wide_characters_take_two_columns() -> None:
    assert fit("\u6771" * 10, 20) == "\u6771" * 10
    assert fit("\u6771" * 11, 20) == "\u6771" * 8 + "..."
    assert math.isclose(len(fit("x" * 100, 80)), 80)
