"""Report frames: declared columns, units in the names, stable order."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoplan.model import Plan
from geoplan.reports.frames import (
    clean_text,
    declared_frame,
    report_frame,
    report_name,
    report_values,
)
from geoplan.tables import TABLES, UNIT_SUFFIX, Column


@pytest.mark.parametrize("name", TABLES)
def test_declared_frame_has_just_the_declared_columns(plan: Plan, name: str) -> None:
    expected = list(TABLES[name].column_names)
    if TABLES[name].geometry != "none":
        expected.append("geometry")
    assert list(declared_frame(plan, name).columns) == expected


@pytest.mark.parametrize("name", TABLES)
def test_order_of_rows_does_not_matter(fenmoor: Any, plan: Plan, name: str) -> None:
    mixed = declared_frame(fenmoor.shuffled(plan, 7), name)
    pd.testing.assert_frame_equal(mixed, declared_frame(plan, name))


@pytest.mark.parametrize(
    ("column", "us", "metric"),
    [
        (Column("air_span_m", "float", "", quantity="length"), "air_span_ft", "air_span_m"),
        (Column("clamp_at_m", "float", "", quantity="length"), "clamp_at_ft", "clamp_at_m"),
        (Column("sag_m", "float", "", quantity="sag"), "sag_in", "sag_m"),
        (Column("tension_n", "float", "", quantity="force"), "tension_lbf", "tension_n"),
        (
            Column("temperature_c", "float", "", quantity="temperature"),
            "temperature_degf",
            "temperature_degc",
        ),
        (Column("speed_m_per_s", "float", "", quantity="speed"), "speed_mph", "speed_kmh"),
        (Column("angle_deg", "float", "", quantity="angle"), "angle_deg", "angle_deg"),
        (Column("cost", "float", ""), "cost", "cost"),
        (Column("amount", "float", ""), "amount_si", "amount_si"),
    ],
    ids=lambda value: value.name if isinstance(value, Column) else value,
)
def test_the_name_says_the_unit(column: Column, us: str, metric: str) -> None:
    assert report_name(column, "us") == us
    assert report_name(column, "metric") == metric


def test_values_are_in_the_unit_of_the_name(plan: Plan, metric_plan: Plan) -> None:
    metres = declared_frame(plan, "drops")["air_span_m"]
    feet = report_frame(plan, "drops")["air_span_ft"]
    np.testing.assert_allclose(feet, metres / 0.3048, atol=0.0501)
    shown = report_frame(metric_plan, "drops")["air_span_m"]
    np.testing.assert_allclose(shown, metres, atol=0.00501)


def test_every_column_with_a_quantity_ends_as_its_quantity_says() -> None:
    for table in TABLES.values():
        for column in table.columns:
            if column.quantity is not None:
                assert column.name.endswith(UNIT_SUFFIX[column.quantity]), column.name
                assert report_name(column, "us") != report_name(column, "metric") or (
                    column.quantity in ("angle", "voltage", "duration")
                )


def test_every_column_that_names_a_unit_has_its_quantity() -> None:
    endings = ("_m", "_n", "_c", "_v", "_deg", "_m_per_s", "_s")
    for table in TABLES.values():
        for column in table.columns:
            if column.kind == "float" and column.name.endswith(endings):
                assert column.quantity is not None, f"{table.name}.{column.name}"


def test_stringing_is_in_inches_pounds_and_fahrenheit(plan: Plan, metric_plan: Plan) -> None:
    shown = report_frame(plan, "stringing").iloc[:3]
    names = ["temperature_degf", "sag_in", "tension_lbf", "ladder_sag_in", "ladder_tension_lbf"]
    assert list(shown.columns) == ["address_id", *names, "height_there_ft"]
    assert shown["temperature_degf"].tolist() == [14, 59, 104]
    assert shown["sag_in"].tolist() == [7.1, 9.1, 11.0]
    assert shown["tension_lbf"].tolist() == [76, 65, 54]
    metric = report_frame(metric_plan, "stringing").iloc[:3]
    assert metric["temperature_degc"].tolist() == [-10, 15, 40]
    assert metric["sag_m"].tolist() == [0.18, 0.23, 0.28]
    assert metric["tension_n"].tolist() == [340, 290, 240]


def test_margins_are_finer_than_heights(plan: Plan) -> None:
    drops = report_frame(plan, "drops")
    assert drops["margin_in"].iloc[0] == 35.4
    assert drops["margin_required_ft"].iloc[0] == 15.4
    crossings = report_frame(plan, "crossings")
    road = crossings[crossings["crossing_kind"].eq("road")].iloc[0]
    assert (road["required_ft"], road["available_ft"], road["margin_in"]) == (15.4, 16.8, 16.0)


@pytest.mark.parametrize(("units", "unit", "one"), [("us", "ft", 0.3048), ("metric", "m", 1.0)])
def test_items_by_the_metre_are_in_the_unit_of_the_reader(
    fenmoor: Any, units: str, unit: str, one: float
) -> None:
    materials = pd.DataFrame(
        {
            "item": ["clamp", "wire"],
            "title": ["Clamp", "Wire"],
            "quantity": [3.0, 61.0],
            "unit": ["each", "m"],
            "order_quantity": [25.0, 305.0],
            "unit_cost": [2.0, 1.5],
            "total_cost": [50.0, 457.5],
        }
    )
    plan = dataclasses.replace(fenmoor.build(units), materials=materials)
    shown = report_frame(plan, "materials")
    assert shown["unit"].tolist() == ["each", unit]
    assert shown["quantity"].tolist() == [3.0, pytest.approx(61.0 / one, abs=1e-4)]
    assert shown["order_quantity"].tolist() == [25.0, pytest.approx(305.0 / one, abs=1e-4)]
    assert shown["unit_cost"].tolist() == [2.0, pytest.approx(1.5 * one, abs=0.005)]
    assert shown["total_cost"].tolist() == [50.0, 457.5]


def test_sag_is_in_inches() -> None:
    column = Column("sag_m", "float", "", quantity="sag")
    assert report_values(pd.Series([0.254]), column, "us").tolist() == [10.0]


def test_infinite_is_unknown_and_minus_nothing_is_nothing() -> None:
    values = report_values(pd.Series([np.inf, -0.0, -1e-9]), Column("cost", "float", ""), "us")
    assert np.isnan(values[0])
    assert [str(value) for value in values[1:]] == ["0.0", "0.0"]


def test_whole_units_have_no_decimals() -> None:
    column = Column("angle_deg", "float", "", quantity="angle")
    values = report_values(pd.Series([71.5, np.nan]), column, "us")
    assert str(values.dtype) == "Int64"
    assert values[0] == 72
    assert values[1] is pd.NA


def test_text_that_no_file_can_hold_is_replaced() -> None:
    values = clean_text(pd.Series(["a\x00b", "\ud800", None], dtype=object))
    assert values.tolist()[:2] == ["a\ufffdb", "?"]
    assert pd.isna(values[2])


def test_the_fixture_is_in_feet(fenmoor: Any, plan: Plan) -> None:
    assert plan.layers.crs.unit_to_metre == pytest.approx(fenmoor.FOOT_M)
    assert plan.layers.crs.project_crs.axis_info[0].unit_name == "US survey foot"
