"""The block on clearances: counts that add up, the tightest drops, short lists."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.model import Plan
from geoplan.reports.clearances import (
    MOST_LISTED,
    clearance_counts,
    describe_clearances,
    describe_rules,
    tightest,
)


def _with(plan: Plan, **columns: Any) -> Plan:
    return dataclasses.replace(plan, drops=plan.drops.assign(**columns))


def test_counts_are_those_of_the_columns(plan: Plan) -> None:
    count = clearance_counts(plan)
    assert (count.raised_hooks, count.raised_attachments) == (2, 4)
    assert count.bucket_jobs == 3
    assert count.heights_assumed == 8
    assert count.ground_assumed == 12
    assert count.routes_changed == 2


def test_an_allowed_ladder_is_no_bucket_job(plan: Plan) -> None:
    assert clearance_counts(_with(plan, strand_ladder="allowed")).bucket_jobs == 0
    assert clearance_counts(_with(plan, strand_ladder=None)).bucket_jobs == 0
    assert clearance_counts(_with(plan, strand_ladder="strand_unknown")).bucket_jobs == 12


def test_the_tightest_drops_are_found(plan: Plan) -> None:
    least, most = tightest(plan)
    assert least is not None
    assert most is not None
    assert least["address_id"] == "A11"
    assert least["margin_m"] == pytest.approx(0.9 - 0.0508 * 11)
    assert least["rule"] == "Book of Rules (invented), from memory"
    assert most["address_id"] == "A11"
    assert most["share"] == pytest.approx(0.91)


def test_ties_go_to_the_lesser_address_whatever_the_order(fenmoor: Any, plan: Plan) -> None:
    same = _with(plan, margin_m=0.2, tension_worst_n=500.0)
    for seed in range(3):
        least, most = tightest(fenmoor.shuffled(same, seed))
        assert least is not None
        assert most is not None
        assert (least["address_id"], most["address_id"]) == ("A00", "A00")


def test_unknown_figures_are_passed_over(plan: Plan) -> None:
    assert tightest(_with(plan, margin_m=np.nan, tension_worst_n=np.nan)) == (None, None)


def test_lists_hold_what_their_name_says(plan: Plan) -> None:
    told = describe_clearances(plan)
    changed = told["routes_changed_by_clearance"]
    assert [row["address_id"] for row in changed["first"]] == ["A02", "A07"]
    assert "misses clearance by 3.0 in" in changed["first"][0]["note"]
    raised = told["kept_clear_by_raising"]
    assert raised["count"] == 4
    assert [row["address_id"] for row in raised["first"]] == ["A09", "A07", "A03", "A01"]
    unserved = told["unserved_for_clearance"]
    assert unserved["count"] == 1
    assert unserved["first"][0]["address_id"] == "A13"
    assert unserved["first"][0]["miss_m"] == pytest.approx(0.1016)
    assert told["crossings_by_basis"] == {"computed": 6, "not_checked": 1, "none": 3}


def test_lists_are_short_and_their_counts_are_not(fenmoor: Any, plan: Plan) -> None:
    drops = pd.concat(
        [plan.drops.assign(address_id=f"X{n}" + plan.drops["address_id"]) for n in range(9)],
        ignore_index=True,
    )
    changed = describe_clearances(dataclasses.replace(plan, drops=drops))[
        "routes_changed_by_clearance"
    ]
    assert changed["count"] == 18
    many = _with(dataclasses.replace(plan, drops=drops), clearance_note="other")
    listed = describe_clearances(many)["routes_changed_by_clearance"]
    assert listed["count"] == 108
    assert len(listed["first"]) == MOST_LISTED


def test_an_empty_plan_has_no_tightest_drop(plan: Plan) -> None:
    told = describe_clearances(dataclasses.replace(plan, drops=plan.drops.iloc[:0]))
    assert told["least_margin"] is None
    assert told["greatest_tension"] is None
    assert told["raised_hooks"] == 0


def test_rules_are_never_called_verified(plan: Plan) -> None:
    told = describe_rules(plan)
    assert "3 of its 7 figures were read at their source" in told
    assert "all must be verified against the code in force" in told


def test_the_demo_has_each_kind_of_row(demo_plan: Plan) -> None:
    told = describe_clearances(demo_plan)
    drops = demo_plan.drops
    for name in ("routes_changed_by_clearance", "kept_clear_by_raising", "unserved_for_clearance"):
        assert told[name]["count"] > 0
    assert told["bucket_jobs"] == demo_plan.hazards["code"].eq("bucket_job").sum()
    assert told["raised_hooks"] == demo_plan.hazards["code"].eq("raised_hook").sum()
    assert told["least_margin"]["margin_m"] == drops["margin_m"].min()
    assert 0.0 < told["greatest_tension"]["share"] <= 1.0005
    assert sum(told["crossings_by_basis"].values()) == len(demo_plan.crossings)
