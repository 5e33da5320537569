"""The lowest power over hook or clamp, by its name."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.reports.sheets.power_overhead import Overhead
from geoplan.rules import load_rule_set
from geoplan.work.powers import look_up_powers
from tests.work.cases import case_of


def test_the_lowest_line_on_the_hooks_pole_is_told_and_named(demo_work: Plan) -> None:
    powers = look_up_powers(demo_work, load_rule_set("us"), 0.3048)
    overhead = Overhead(demo_work, powers)
    power, poles = demo_work.layers.power, demo_work.layers.poles
    hooks = demo_work.drops[demo_work.drops["strand_span_id"].isna()]
    named = 0
    for address_id, pole_id in zip(hooks["address_id"], hooks["access_pole_id"], strict=True):
        pole = poles.loc[pole_id]
        lines = power[power.distance(pole.geometry) <= 1.0]
        lines = lines[lines["power_kind"] != "supply_drop"]
        heights = [*lines["height_m"].dropna(), pole["power_height_m"]]
        low = np.nanmin([*heights, np.inf])
        xy = shapely.get_coordinates(pole.geometry)[0]
        words = overhead.words(case_of(demo_work, address_id), (), xy)
        if not np.isfinite(low):
            assert words == ""
            continue
        assert f"from {low / 0.3048:.1f} ft up" in words
        by_line = re.search(r"hook: (\S+),", words)
        assert (by_line is not None) == (
            low < pole["power_height_m"] or pd.isna(pole["power_height_m"])
        )
        if by_line:
            assert float(power["height_m"][by_line.group(1)]) == low
            named += 1
    assert named > 10


def test_power_on_a_pole_of_the_clamps_span_is_told_with_pole_and_line(demo_work: Plan) -> None:
    overhead = Overhead(demo_work, look_up_powers(demo_work, load_rule_set("us"), 0.3048))
    power, poles = demo_work.layers.power, demo_work.layers.poles
    spans, clamps = demo_work.layers.spans, demo_work.drops[demo_work.drops["clamp_at_m"].notna()]
    told = 0
    for address_id, span_id in zip(clamps["address_id"], clamps["strand_span_id"], strict=True):
        ends = [spans.loc[span_id, name] for name in ("from_pole_id", "to_pole_id")]
        words = overhead.words(case_of(demo_work, address_id), ends, np.array([0.0, 0.0]))
        if not words:
            continue
        found = re.fullmatch(
            r"POWER on pole (.+) of the clamp's span(?:: (\S+))?, from .* up \(not drawn\)", words
        )
        assert found is not None
        for pole in found.group(1).split(" and "):
            assert pole in ends
            if found.group(2):
                line = power.geometry[found.group(2)]
                assert line.distance(poles.geometry[pole]) <= 1.0
            told += 1
    assert told > 10
