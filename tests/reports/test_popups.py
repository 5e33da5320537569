"""Popups say what a drop is, how it hangs, what is wrong and what to do, in words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.hanging import LADDER_WORDS
from geoplan.model import Plan
from geoplan.reports.popups import (
    Row,
    clearance_rows,
    drop_rows,
    street_crossing_rows,
    unserved_rows,
)
from geoplan.tables import RouteKind


def _records(frame: pd.DataFrame) -> dict[str, Row]:
    return {row["address_id"]: row for row in frame.drop(columns="geometry").to_dict("records")}


def _drop(plan: Plan, address_id: str, **changes: Any) -> dict[str, str]:
    flags = plan.hazards[plan.hazards["address_id"].eq(address_id)].to_dict("records")
    row = {**_records(plan.drops)[address_id], **changes}
    return dict(drop_rows(row, flags, plan.project.units))


def _crossing(plan: Plan, **wanted: Any) -> Row:
    rows = plan.crossings
    for name, value in wanted.items():
        rows = rows[rows[name].eq(value)]
    return rows.drop(columns="geometry").to_dict("records")[0]


def test_heights_are_told_with_what_is_raised(plan: Plan) -> None:
    told = _drop(plan, "A01")
    assert told["Clamp height"] == "19.7 ft above ground, raised above its usual place"
    assert told["House height"] == "12.1 ft above ground, raised above its usual place"
    told = _drop(plan, "A00")
    assert told["Hook height"] == "19.7 ft above ground"
    assert "Clamp height" not in told


def test_sag_tension_and_margin_are_told_with_their_cases(plan: Plan, metric_plan: Plan) -> None:
    told = _drop(plan, "A00")
    assert told["Sag to leave"] == "10.0 in at 59 degF"
    assert told["Worst sag"] == "16.0 in (clearance hot)"
    assert told["Tension"] == "80.0% of its limit: 180 lbf of 225 lbf (tension loaded)"
    assert told["Least margin"].startswith("35.4 in at road <script>")
    assert told["Least margin"].endswith("15.4 ft required, 18.4 ft there (clearance hot)")
    assert told["Rule"] == "Book of Rules (invented), from memory"
    assert _drop(metric_plan, "A00")["Sag to leave"] == "0.25 m at 15 degC"


def test_a_margin_that_is_missed_is_negative(plan: Plan) -> None:
    assert _drop(plan, "A00", margin_m=-0.0508)["Least margin"].startswith("-2.0 in at road")


def test_unknown_tension_is_said_to_be_unknown(plan: Plan) -> None:
    told = _drop(plan, "A00", tension_worst_n=np.nan)["Tension"]
    assert told.startswith("unknown share of its limit: unknown of 225 lbf")


def test_a_span_clamp_tells_of_ladder_and_shift(plan: Plan) -> None:
    told = _drop(plan, "A01")
    assert told["Ladder"] == "may lean on the strand"
    assert told["Ladder on"] == "sag 5.0 in; clamp 3.9 in toward the street"
    assert told["Ladder gone"] == "clamp 2.0 in toward the house, lower by 0.8 in"
    lifted = _drop(plan, "A01", clamp_sink_m=-0.02)["Ladder gone"]
    assert lifted.endswith("higher by 0.8 in")


@pytest.mark.parametrize("word", LADDER_WORDS)
def test_a_bucket_job_says_why_no_ladder(plan: Plan, word: str) -> None:
    told = _drop(plan, "A03", strand_ladder=word)
    assert told["Bucket job"] == f"no ladder on this strand: {LADDER_WORDS[word]}"
    assert "Ladder" not in told
    assert "Ladder on" not in told


def test_a_ladder_that_was_not_judged_is_said(plan: Plan) -> None:
    assert "not checked" in _drop(plan, "A01", strand_ladder=None)["Ladder"]


def test_a_route_that_clearance_rules_out_is_told_once(plan: Plan) -> None:
    row = _records(plan.drops)["A02"]
    flag = {"severity": "note", "what": row["clearance_note"], "remedy": "none"}
    told = drop_rows(row, [flag], "us")
    assert sum(row["clearance_note"] in text for _, text in told) == 1
    assert told[2] == ["Ruled out", row["clearance_note"]]
    assert "Ruled out" not in _drop(plan, "A00")


def test_flags_are_in_words_the_grave_ones_first(plan: Plan) -> None:
    flags = [
        {"severity": severity, "what": f"{severity} happens", "remedy": f"Mend {severity}."}
        for severity in ("note", "warning", "error")
    ]
    told = drop_rows(_records(plan.drops)["A00"], flags, "us")
    labels = [label for label, _ in told]
    assert labels[2:4] == ["Error", "Warning"]
    assert labels.index("Note") > labels.index("Least margin")
    assert ["Warning", "Warning happens. Mend warning."] in told


def test_a_crossing_tells_required_available_and_rule(plan: Plan) -> None:
    told = dict(street_crossing_rows(_crossing(plan, crossing_kind="road"), "us"))
    assert told["Required"] == "15.4 ft"
    assert told["Available"] == "16.8 ft"
    assert told["Margin"] == "16.0 in (clearance hot)"
    assert told["Rule"].endswith("from memory")


def test_an_assumption_behind_a_clearance_is_told(plan: Plan) -> None:
    row = {**_crossing(plan, crossing_kind="road"), "clearance_note": "height is a default"}
    assert dict(clearance_rows(row, "us"))["Assumed"] == "height is a default"


def test_a_clearance_that_was_not_checked_says_why(fenmoor: Any, plan: Plan) -> None:
    row = _crossing(plan, clearance_basis="not_checked")
    assert clearance_rows(row, "us") == [
        ["Clearance", f"not checked: no figure for it {fenmoor.SCRIPT}"]
    ]
    bare = {**row, "clearance_note": None}
    assert clearance_rows(bare, "us") == [["Clearance", "not checked: reason unknown"]]


def test_nothing_to_clear_is_not_called_checked(plan: Plan) -> None:
    row = _crossing(plan, clearance_basis="none")
    assert clearance_rows(row, "us") == [["Clearance", "nothing to clear"]]


def test_unserved_for_clearance_tells_how_much_is_missing(plan: Plan) -> None:
    rows = _records(plan.unserved)
    told = dict(unserved_rows(rows["A13"], "us"))
    assert told["Clearance"] == "4.0 in short of clearance and the margin asked for"
    assert told["To do"] == "add 2 ports at P4"
    assert "Clearance" not in dict(unserved_rows(rows["A12"], "us"))


def test_every_text_is_cut_and_storable(plan: Plan) -> None:
    for address_id, row in _records(plan.drops).items():
        flags = plan.hazards[plan.hazards["address_id"].eq(address_id)].to_dict("records")
        for label, text in drop_rows(row, flags, "us"):
            assert len(label) < 20
            assert len(text) < 1300
            assert "\x00" not in text


def test_the_fixture_has_every_kind_of_ladder_and_route(plan: Plan) -> None:
    assert set(plan.drops["route_kind"]) == {kind.value for kind in RouteKind}
    assert set(plan.drops["strand_ladder"].dropna()) == {"allowed", "strand_small"}
