"""The audit as files: the same figures everywhere, and nothing of others is replaced."""

from __future__ import annotations

import csv
import dataclasses
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest

from geoplan.audit import build_audit
from geoplan.errors import OutputError
from geoplan.model import Plan
from geoplan.reports.audit_files import audit_summary, write_audit
from geoplan.reports.caution import CAUTION
from geoplan.reports.frames import report_frame
from geoplan.units import say
from tests.audit.jobs_frame import jobs_of


@pytest.fixture(scope="module")
def audited(demo_plan: Plan) -> Plan:
    return dataclasses.replace(demo_plan, crossing_audit=build_audit(demo_plan, jobs_of(demo_plan)))


@pytest.fixture(scope="module")
def folder(audited: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("audit") / "out"
    write_audit(audited, out, with_pdf=False)
    return out


def test_table_workbook_layer_and_pages_are_written(folder: Path) -> None:
    assert sorted(entry.name for entry in folder.iterdir()) == [
        "crossing_audit.csv",
        "crossing_audit.gpkg",
        "crossing_audit.xlsx",
        "permits.html",
        "summary.json",
    ]


def test_table_and_workbook_hold_the_same_figures(audited: Plan, folder: Path) -> None:
    frame = report_frame(audited, "crossing_audit")
    with (folder / "crossing_audit.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    sheet = openpyxl.load_workbook(folder / "crossing_audit.xlsx")["crossing audit"]
    cells = list(sheet.iter_rows(min_row=2, values_only=True))
    assert len(rows) == len(cells) == len(frame) > 0
    for name, number in zip(frame.columns, range(len(frame.columns)), strict=True):
        for row, cell, value in zip(rows, cells, frame[name].tolist(), strict=True):
            if pd.isna(value):
                assert (row[name], cell[number]) == ("", None)
            elif isinstance(value, str):
                assert (row[name].removeprefix("'"), cell[number]) == (value, value)
            else:
                assert float(row[name]) == cell[number] == value


def test_the_map_layer_is_in_si_where_the_crossings_are(audited: Plan, folder: Path) -> None:
    path = folder / "crossing_audit.gpkg"
    assert [name for name, _ in pyogrio.list_layers(path)] == ["crossing_audit", "layer_styles"]
    layer = gpd.read_file(path, layer="crossing_audit")
    audit = audited.crossing_audit
    assert layer["address_id"].tolist() == audit["address_id"].tolist()
    np.testing.assert_array_equal(layer["along_m"], audit["along_m"])
    np.testing.assert_array_equal(layer["other_extra_cost"], audit["other_extra_cost"])
    assert layer.geometry.geom_equals_exact(audit.geometry.set_crs(layer.crs), 1e-6).all()
    with closing(sqlite3.connect(path)) as connection:
        styled = connection.execute("SELECT f_table_name FROM layer_styles").fetchall()
    assert styled == [("crossing_audit",)]


def test_the_summary_file_marks_the_folder_and_carries_the_cautions(
    audited: Plan, folder: Path
) -> None:
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary["written_by"] == "geoplan"
    assert summary["caution"] == list(CAUTION)
    assert summary["not_checked"] == list(audited.unchecked)
    assert summary["crossings"] == len(audited.crossing_audit)


def test_an_audit_takes_the_place_of_an_audit_with_the_same_bytes(
    audited: Plan, folder: Path, tmp_path: Path
) -> None:
    out = tmp_path / "again"
    write_audit(audited, out, with_pdf=False)
    mixed = audited.crossing_audit.sample(frac=1.0, random_state=1)
    write_audit(dataclasses.replace(audited, crossing_audit=mixed), out, with_pdf=False)
    for entry in folder.iterdir():
        assert (out / entry.name).read_bytes() == entry.read_bytes()


def test_a_folder_with_a_plan_is_refused_and_left_as_it_is(audited: Plan, tmp_path: Path) -> None:
    (tmp_path / "plan.gpkg").write_bytes(b"a plan")
    (tmp_path / "summary.json").write_text('{"written_by": "geoplan"}', encoding="utf-8")
    with pytest.raises(OutputError, match=r"more than an audit: 'plan.gpkg'. Name another folder"):
        write_audit(audited, tmp_path)
    assert (tmp_path / "plan.gpkg").read_bytes() == b"a plan"


def test_the_screen_counts_each_road_with_its_least_margin(audited: Plan) -> None:
    lines = audit_summary(audited).splitlines()
    audit = audited.crossing_audit
    with_way = audit.loc[audit["other_terminal_id"].notna(), "address_id"].nunique()
    assert lines[0] == (
        f"{len(audit)} crossings of roads, railways and water by "
        f"{audit['address_id'].nunique()} of {len(audited.drops)} drops; "
        f"{with_way} of these could do without one."
    )
    groups = audit.groupby(["crossing_kind", "feature_id"])
    assert len(lines) == len(groups) + 2
    counts = [int(line.split(": ")[1].split(",")[0]) for line in lines[1:-1]]
    assert counts == sorted(counts, reverse=True)
    assert sum(counts) == len(audit)
    for (kind, feature), rows in groups:
        (line,) = [line for line in lines if line.startswith(f"  {kind} {feature} ")]
        assert rows["permit_owner"].iloc[0] in line
        least = rows["margin_m"].min()
        if np.isfinite(least):
            assert f"least margin {say(least, 'sag', 'us')}" in line
        else:
            assert "not checked for clearance" in line


def test_the_screen_of_an_empty_audit_says_so(audited: Plan) -> None:
    empty = dataclasses.replace(audited, crossing_audit=audited.crossing_audit.iloc[:0])
    lines = audit_summary(empty).splitlines()
    assert lines[0].startswith("0 crossings of roads")
    assert lines[1] == "No railway, water or highway is crossed: no permit pages."


def test_names_that_could_steer_a_terminal_are_made_harmless(audited: Plan) -> None:
    audit = audited.crossing_audit.assign(feature_name="a\x1b[31m\nb")
    words = audit_summary(dataclasses.replace(audited, crossing_audit=audit))
    assert "\x1b" not in words
    assert "a?[31m b" in words
