"""Materials: counted by the catalogue, and sums that agree to the last digit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.tables import TABLES, schema
from geoplan.work.days import schedule_days
from geoplan.work.materials import Bill, bill_materials
from geoplan.work.reels import cut_reels
from tests.work.stores_town import town_jobs, town_plan


def _needs(bill: Bill, address_id: str) -> dict[str, float]:
    own = bill.drop_materials[bill.drop_materials["address_id"] == address_id]
    return dict(zip(own["item"], own["quantity"], strict=True))


def _one(**columns: Any) -> pd.DataFrame:
    return town_jobs(1).assign(
        job_kind="same_side",
        building_run_m=6.1,
        strand_wire_m=0.0,
        cut_length_m=30.7848,
        **{"coil_m": 0.0, **columns},
    )


@pytest.fixture(scope="module")
def town() -> tuple[pd.DataFrame, Bill]:
    jobs = town_jobs(80)
    plan = town_plan(jobs)
    days = schedule_days(plan, jobs)
    reels = cut_reels(days.jobs, days.crew_stops, plan.project).reels
    return days.jobs, bill_materials(plan, days.jobs, reels)


@pytest.mark.parametrize("name", ["drop_materials", "day_materials", "materials"])
def test_tables_are_as_declared(town: tuple[pd.DataFrame, Bill], name: str) -> None:
    schema(TABLES[name]).validate(getattr(town[1], name))


def test_a_direct_drop_takes_these() -> None:
    jobs = _one()
    assert _needs(bill_materials(town_plan(jobs), jobs), "A000000") == {
        "bonding_set": 1.0,
        "connector": 2.0,
        "drive_hook": 1.0,
        "drop_clamp": 2.0,
        "drop_tag": 1.0,
        "drop_wire": 30.7848,
        "house_hook": 1.0,
        "wall_bushing": 1.0,
        "wire_clip": 16.0,  # 6.1 m at 0.4 m
    }


def test_a_span_clamp_drop_takes_a_span_clamp_and_ties_but_no_hook() -> None:
    jobs = _one().assign(job_kind="street_crossing_span_clamp", strand_wire_m=12.0)
    needs = _needs(bill_materials(town_plan(jobs), jobs), "A000000")
    assert "drive_hook" not in needs
    assert needs["span_clamp"] == 1.0
    assert needs["strand_tie"] == 24.0
    assert needs["drop_clamp"] == 2.0


def test_several_ports_take_several_connectors() -> None:
    jobs = _one()
    plan = town_plan(jobs)
    plan.drops["ports_needed"] = 3
    needs = _needs(bill_materials(plan, jobs), "A000000")
    assert needs["connector"] == 6.0
    assert needs["drop_tag"] == 3.0


def test_wire_with_connectors_is_counted_by_stocked_length() -> None:
    jobs = town_jobs(3).assign(supply="pre_connectorised", cut_length_m=[45.0, 30.0, 45.0])
    bill = bill_materials(town_plan(jobs, units="us"), jobs)
    wire = bill.materials[bill.materials["item"].str.startswith("drop_wire")]
    assert wire["item"].tolist() == ["drop_wire_ready_30_m", "drop_wire_ready_45_m"]
    assert wire["title"].tolist()[1] == "Drop wire with connectors, 147.6 ft"
    assert wire["quantity"].tolist() == [1.0, 2.0]
    assert wire["order_quantity"].tolist() == [2.0, 3.0]
    assert "connector" not in bill.materials["item"].tolist()


def test_sums_agree_exactly(town: tuple[pd.DataFrame, Bill]) -> None:
    jobs, bill = town
    drops = bill.drop_materials
    by_plan = bill.materials.set_index("item")["quantity"]
    assert (_sum(drops, ["item"]) == by_plan).all()
    assert (_sum(bill.day_materials, ["item"]) == by_plan).all()
    day = jobs.set_index("address_id")["crew_day_id"]
    by_day = _sum(drops.assign(crew_day_id=day[drops["address_id"]].array), ["crew_day_id", "item"])
    assert (bill.day_materials.set_index(["crew_day_id", "item"])["quantity"] == by_day).all()


def _sum(frame: pd.DataFrame, keys: list[str]) -> pd.Series:
    return (frame.set_index(keys)["quantity"] * 1e6).round().groupby(keys).sum() / 1e6


def test_the_wire_of_a_drop_is_its_cut_length(town: tuple[pd.DataFrame, Bill]) -> None:
    jobs, bill = town
    wire = bill.drop_materials[bill.drop_materials["item"] == "drop_wire"]
    assert wire["address_id"].tolist() == jobs["address_id"].tolist()
    assert wire["quantity"].tolist() == jobs["cut_length_m"].tolist()


def test_drops_without_a_day_are_shown_apart() -> None:
    jobs = town_jobs(4)
    bill = bill_materials(town_plan(jobs), jobs)
    assert bill.day_materials["crew_day_id"].unique().tolist() == ["unscheduled"]


def test_what_is_ordered_is_need_and_spare_in_whole_packs(town: tuple[pd.DataFrame, Bill]) -> None:
    row = town[1].materials.set_index("item").loc["drop_clamp"]
    assert row["quantity"] == 160.0
    assert row["order_quantity"] == 175.0  # 168 with 5 %, in packs of 25
    assert row[["unit_cost", "total_cost"]].isna().all()


def test_no_fewer_reels_are_ordered_than_the_reel_plan_uses() -> None:
    jobs = town_jobs(12).assign(cut_length_m=160.0)  # one to a reel of 305 m
    bill = bill_materials(town_plan(jobs), jobs)
    wire = bill.materials.set_index("item").loc["drop_wire"]
    assert wire["quantity"] == 12 * 160.0
    assert wire["order_quantity"] == 12 * 305.0


def test_a_price_is_multiplied_by_what_is_ordered(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(
        'name = "own"\nbase = "generic"\n[items.drop_clamp]\nunit_cost = 2.5\npack = 10\n'
    )
    jobs = town_jobs(8)
    bill = bill_materials(town_plan(jobs, materials={"catalogue": str(file)}), jobs)
    row = bill.materials.set_index("item").loc["drop_clamp"]
    assert row["order_quantity"] == 20.0
    assert row["total_cost"] == 50.0
    assert bill.figures["materials"]["total_cost"] == 50.0
    assert bill.figures["materials"]["without_price"] == len(bill.materials) - 1
    assert bill.figures["materials"]["catalogue"] == "own"


def test_the_order_of_rows_has_no_effect(town: tuple[pd.DataFrame, Bill]) -> None:
    jobs, bill = town
    again = bill_materials(town_plan(jobs), jobs.sample(frac=1.0, random_state=4))
    pd.testing.assert_frame_equal(again.drop_materials, bill.drop_materials)
    pd.testing.assert_frame_equal(again.day_materials, bill.day_materials)


def test_no_drop_needs_nothing() -> None:
    jobs = town_jobs(0)
    bill = bill_materials(town_plan(jobs), jobs)
    assert len(bill.drop_materials) == len(bill.day_materials) == len(bill.materials) == 0
    assert bill.figures["materials"]["total_cost"] is None


def test_an_unknown_length_is_not_made_up() -> None:
    jobs = _one().assign(cut_length_m=np.nan)
    bill = bill_materials(town_plan(jobs), jobs)
    assert "drop_wire" not in _needs(bill, "A000000")
    assert bill.figures["materials"]["drops_without_wire"] == ["A000000"]
