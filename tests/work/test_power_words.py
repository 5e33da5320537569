"""Words on power: sorted lists, poles together, heights, places."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from geoplan.model import Plan
from tests.work.test_approach import across, approach, long_leg, with_power

DEMO_POLES = r"power on poles \w+, \w+ and \w+, 15000 V \(assumed\), from about 24\.6 ft up: keep"


def test_each_line_is_listed_once_by_distance_voltage_and_name(demo_work: Plan) -> None:
    for told in demo_work.jobs["power_lines"].dropna():
        items = told.split(";")
        names = [item.partition(", ")[0] for item in items]
        assert len(set(names)) == len(names)
        drops = [name for name, item in zip(names, items, strict=True) if "supply drop" in item]
        assert drops == sorted(drops)
        figured = [re.findall(r"([\d.]+) ft", item.rpartition("keep ")[2]) for item in items]
        asked = [max(float(figure) for figure in figures) for figures in figured]
        assert asked == sorted(asked, reverse=True)


def test_poles_with_power_alike_are_one_entry(demo_work: Plan) -> None:
    told = demo_work.jobs["power_lines"].dropna()
    assert told.str.contains(DEMO_POLES).any()
    of_bucket = told.str.contains("with the bucket", regex=False)
    assert (told.str.count("power on pole") <= 1 + of_bucket).all(), "a bucket keeps farther off"


def test_height_along_the_strand_is_told_of_lines_and_not_of_drops(demo_work: Plan) -> None:
    jobs = demo_work.jobs
    told = jobs["power_lines"].dropna()
    along = told[told.str.contains("along the strand from about 30.2 ft up", regex=False)]
    assert len(along) > 0
    assert along.str.contains("E001, supply line, 7200 V, along", regex=False).all()
    assert not told.str.contains(r"supply drop, 240 V, (?:from|along)").any()
    by_clamp = jobs["job_kind"].str.contains("span_clamp")
    over = told.str.contains("E001", regex=False) & by_clamp
    assert over.any()
    assert told[over].str.contains("E001, supply line, 7200 V, along the strand").all()


def test_a_height_from_the_settings_is_told_as_assumed(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    plan = with_power(demo_plan, [240.0], [across(leg)], height_m=np.nan)
    assert approach(plan).iloc[row]["power_lines"] == (
        "E000, supply line, 240 V, from about 27.9 ft up (assumed): keep 1.0 ft away"
    )


def test_distances_are_told_with_their_place(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    note = approach(with_power(demo_plan, [240.0], [across(leg, 0.6)], height_m=3.0)).iloc[row]
    half = np.hypot(*(leg[2:] - leg[:2])) / 2 / 0.3048
    assert f"from the strand run ({half:.1f} ft from pole P" in note["power_approach_note"]


def test_lines_to_measure_first_are_told_with_both_distances(demo_work: Plan) -> None:
    jobs = demo_work.jobs
    told = approach(demo_work)["power_tight"].dropna().str.split(";").explode()
    pattern = (
        r"(?:E\d+|power on pole [A-Z]+\d+):"
        r" (?:(?:at least |just under )?\d+\.\d ft worked out|distance not known)"
        r" from [a-z ]+(?: \([^)]+\))?, \d+\.\d ft asked"
    )
    assert len(told) > 10
    assert told[~told.str.fullmatch(pattern)].tolist() == []
    assert (jobs.loc[told.index, "power_approach"] != "none").all()


def test_words_of_a_plan_without_power_are_null(demo_plan: Plan) -> None:
    found = approach(with_power(demo_plan, [], []))
    for name in ("power_lines", "run_power", "power_tight", "power_around"):
        assert found[name].isna().all()
        assert isinstance(found[name].dtype, pd.StringDtype)
