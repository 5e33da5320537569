"""The workbook: complete, typed, harmless, the same bytes, and opened by a real spreadsheet."""

from __future__ import annotations

import csv
import dataclasses
import re
import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import geoplan.reports.workbook as module
from geoplan.model import Plan
from geoplan.reports.caution import CAUTION
from geoplan.reports.frames import report_frame, report_name
from geoplan.reports.workbook import (
    MOST_LETTERS,
    WORKBOOK_TABLES,
    cell_text,
    write_tables,
    write_workbook,
)
from geoplan.tables import TABLES
from geoplan.work_tables import WORK_TABLES

NASTY = (
    '=HYPERLINK("http://x.invalid","y")',
    "+1+1",
    "-2",
    "@SUM(A1)",
    "\tTab first",
    "  spaces around  ",
    "http://x.invalid/a",
    "file:///etc/passwd",
    "mailto:a@x.invalid",
    "internal:Sheet1!A1",
    "{=A1}",
    "TRUE",
    "1e5",
    "00123",
    "2026-01-01",
    "_x0041_",
    "<c r='A1'><f>1+1</f></c> & \"quotes\" ]]>",
    "line\nbreak",
    "Straße 東京 \U0001f6b2 \u2028 end",
)
"""Texts that have to come back letter by letter."""


def work_frames(count: int = 7) -> dict[str, pd.DataFrame]:
    """Make tables of the work with figures and texts of all kinds."""
    rng = np.random.default_rng(5)
    frames = {}
    for table in WORK_TABLES:
        columns: dict[str, Any] = {}
        for number, column in enumerate(table.columns):
            if column.name in table.key:
                values: Any = (
                    pd.Series([f"{column.name} {row:02d}" for row in range(count)], dtype="str")
                    if column.kind == "text"
                    else np.arange(1, count + 1)
                )
            elif column.kind == "text":
                words = [NASTY[(row + number) % len(NASTY)] for row in range(count)]
                words[-1] = None if column.nullable else words[-1]
                values = pd.Series(words, dtype="str")
            elif column.kind == "float":
                values = np.append(rng.uniform(0.0, 900.0, count - 1), np.nan)
            elif column.kind == "int":
                values = rng.integers(0, 50, count)
            else:
                values = rng.random(count) < 0.5
            columns[column.name] = values
        if table.geometry != "none":
            columns["geometry"] = shapely.points(rng.uniform(0, 9, (count, 2)))
        frames[table.name] = pd.DataFrame(columns)
    return frames


@pytest.fixture(scope="module")
def worked(plan: Plan) -> Plan:
    return dataclasses.replace(plan, **work_frames())


@pytest.fixture(scope="module")
def path(worked: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_workbook(worked, tmp_path_factory.mktemp("workbook") / "workbook.xlsx")


@pytest.fixture(scope="module")
def book(path: Path) -> Any:
    return openpyxl.load_workbook(path)


def decoded(text: object) -> object:
    """Undo the escapes of the format, which openpyxl leaves as they are."""
    if not isinstance(text, str):
        return text
    return re.sub("_x([0-9A-F]{4})_", lambda found: chr(int(found[1], 16)), text)


def test_there_is_a_sheet_for_every_table_of_the_plan(worked: Plan, book: Any) -> None:
    names = [name.replace("_", " ") for name in WORKBOOK_TABLES]
    assert book.sheetnames == ["about", "columns", *names]


def test_a_plan_without_the_work_has_no_sheets_of_it(plan: Plan, tmp_path: Path) -> None:
    bare = dataclasses.replace(plan, **{table.name: None for table in WORK_TABLES})
    made = openpyxl.load_workbook(write_workbook(bare, tmp_path / "a.xlsx"))
    work = {table.name.replace("_", " ") for table in WORK_TABLES}
    assert not work & set(made.sheetnames)
    assert "drops" in made.sheetnames


@pytest.mark.parametrize("name", WORKBOOK_TABLES)
def test_every_cell_is_that_of_the_report(worked: Plan, book: Any, name: str) -> None:
    frame = report_frame(worked, name)
    sheet = book[name.replace("_", " ")]
    rows = list(sheet.iter_rows(values_only=True))
    assert list(rows[0]) == [report_name(column, "us") for column in TABLES[name].columns]
    assert len(rows) == len(frame) + 1
    for number, column in enumerate(TABLES[name].columns):
        wanted = frame.iloc[:, number]
        for row, value in zip(rows[1:], wanted.tolist(), strict=True):
            cell = row[number]
            if pd.isna(value):
                assert cell is None
            elif column.kind == "text":
                assert isinstance(cell, str)
                whole = cell_text(value)
                assert decoded(cell) == whole
            elif column.kind == "bool":
                assert cell is value
            else:
                assert isinstance(cell, int | float)
                assert not isinstance(cell, bool)
                assert cell == value


@pytest.mark.parametrize("name", WORKBOOK_TABLES)
def test_headers_are_frozen_and_filter(book: Any, name: str) -> None:
    sheet = book[name.replace("_", " ")]
    assert sheet.freeze_panes == "B2"
    assert sheet.auto_filter.ref == sheet.dimensions


def test_numbers_show_the_decimals_of_their_unit(book: Any) -> None:
    sheet = book["drops"]
    formats = {cell.value: sheet.cell(2, cell.column).number_format for cell in sheet[1]}
    assert formats["air_span_ft"] == "0.0"
    assert formats["tension_worst_lbf"] == "0"
    assert formats["cost"] == "0.00"
    assert formats["ports_needed"] == "0"
    sheet = book["terminals"]
    formats = {cell.value: sheet.cell(2, cell.column).number_format for cell in sheet[1]}
    assert formats["fill"] == "General"  # "0.####" would show a whole number as "1."


def test_nothing_is_a_formula_or_a_link(path: Path, book: Any) -> None:
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        for name in names:
            if name.startswith("xl/worksheets/"):
                sheet = archive.read(name).decode()
                assert "<f>" not in sheet
                assert "<f " not in sheet
                assert "hyperlink" not in sheet
    assert not [name for name in names if "_rels/sheet" in name or "external" in name.lower()]
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            assert all(cell.data_type in "snbi" for cell in row)


def test_hostile_texts_come_back_as_text(fenmoor: Any, worked: Plan, book: Any) -> None:
    sheet = book["drops"]
    column = next(cell.column for cell in sheet[1] if cell.value == "label")
    found = {decoded(sheet.cell(row, column).value) for row in range(2, sheet.max_row + 1)}
    assert found == {cell_text(text) for text in fenmoor.HOSTILE}
    sheet = book["jobs"]
    column = next(cell.column for cell in sheet[1] if cell.value == "label")
    found = {decoded(sheet.cell(row, column).value) for row in range(2, sheet.max_row)}
    assert found <= set(NASTY)
    assert len(found) > 3


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("a\x07\x1bb\x00c", "a\ufffd\ufffdb\ufffdc"),
        ("one\r\ntwo\rthree", "one\ntwo\nthree"),
        ("lone \ud800 half", "lone ? half"),
        ("not \uffff a letter", "not \ufffd a letter"),
        ("<r><t>markup</t></r>", "<r><t>markup</t></r> "),
        ("<r><f>1</f></r>x", "<r><f>1</f></r>x"),
    ],
)
def test_what_a_cell_cannot_hold_is_replaced_visibly(
    worked: Plan, tmp_path: Path, text: str, cell: str
) -> None:
    assert cell_text(text) == cell
    drops = worked.drops.assign(label=pd.Series([text] * len(worked.drops), dtype=object))
    changed = dataclasses.replace(worked, drops=drops)
    made = openpyxl.load_workbook(write_tables(changed, ("drops",), tmp_path / "a.xlsx"))
    column = next(found.column for found in made["drops"][1] if found.value == "label")
    assert decoded(made["drops"].cell(2, column).value) == cell


@pytest.mark.parametrize("letter", ["n", "\U0001f6b2"])
def test_a_text_too_long_for_a_cell_is_cut_and_that_is_said(
    worked: Plan, tmp_path: Path, letter: str
) -> None:
    labels = pd.Series([letter * 40_000] * len(worked.drops), dtype="str")
    changed = dataclasses.replace(worked, drops=worked.drops.assign(label=labels))
    made = openpyxl.load_workbook(write_tables(changed, ("drops",), tmp_path / "a.xlsx"))
    column = next(cell.column for cell in made["drops"][1] if cell.value == "label")
    text = made["drops"].cell(2, column).value
    assert text.endswith(" … [cut here; 40000 letters in all: see plan.gpkg]")
    assert text.startswith(letter * 16_000)
    assert len(text.encode("utf-16-le")) // 2 <= MOST_LETTERS
    said = [row for row in made["about"].iter_rows(values_only=True) if row[0] == "cut"]
    assert len(said) == 1
    assert said[0][1].startswith(f"drops, column label: {len(changed.drops)} texts")


def test_a_text_that_just_fits_is_whole(worked: Plan, tmp_path: Path) -> None:
    labels = pd.Series(["n" * MOST_LETTERS] * len(worked.drops), dtype="str")
    changed = dataclasses.replace(worked, drops=worked.drops.assign(label=labels))
    made = openpyxl.load_workbook(write_tables(changed, ("drops",), tmp_path / "a.xlsx"))
    column = next(cell.column for cell in made["drops"][1] if cell.value == "label")
    assert made["drops"].cell(2, column).value == "n" * MOST_LETTERS
    assert not [row for row in made["about"].iter_rows(values_only=True) if row[0] == "cut"]


def test_a_table_with_too_many_rows_goes_on_in_a_further_sheet(
    worked: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_ROWS", 6)
    made = openpyxl.load_workbook(write_tables(worked, ("drops",), tmp_path / "a.xlsx"))
    assert made.sheetnames[2:] == ["drops", "drops (2)", "drops (3)"]
    rows = [
        row[0]
        for sheet in made.worksheets[2:]
        for row in list(sheet.iter_rows(values_only=True))[1:]
    ]
    assert rows == report_frame(worked, "drops")["address_id"].tolist()
    said = {row[0]: row[1] for row in made["about"].iter_rows(values_only=True)}
    assert said["drops (3)"].startswith("2 rows. ")


def test_the_first_sheet_carries_the_caution_and_what_was_not_checked(
    worked: Plan, book: Any
) -> None:
    words = [row[1] for row in book["about"].iter_rows(values_only=True)]
    assert set(CAUTION) <= set(words)
    assert {text.removeprefix("not checked: ") for text in worked.unchecked} <= set(words)
    assert not any(str(text).startswith("not checked") for text in words)
    assert any("computed" in text for text in words)
    assert any("US customary" in text for text in words)


def test_the_first_sheet_says_what_the_work_did_not_check(worked: Plan, tmp_path: Path) -> None:
    told = "sight distance not checked: no layer tells"
    plan = dataclasses.replace(worked, work={"work_not_checked": [told]})
    made = openpyxl.load_workbook(write_tables(plan, ("drops",), tmp_path / "a.xlsx"))
    assert ("not checked", told) in made["about"].iter_rows(values_only=True, max_col=2)


def test_every_column_is_explained_with_its_unit(worked: Plan, book: Any) -> None:
    rows = list(book["columns"].iter_rows(values_only=True))[1:]
    told = {(sheet, column): (unit, meaning) for sheet, column, unit, meaning in rows}
    for name in WORKBOOK_TABLES:
        for column in TABLES[name].columns:
            key = (name.replace("_", " "), report_name(column, "us"))
            assert told[key][1] == column.meaning
    assert told["drops", "air_span_ft"][0] == "ft"
    assert told["drops", "stringing_sag_in"][0] == "in"
    assert told["drops", "cost"][0] == "currency of [costs]"


def test_metric_reports_have_metric_headers(metric_plan: Plan, tmp_path: Path) -> None:
    made = openpyxl.load_workbook(write_tables(metric_plan, ("drops",), tmp_path / "a.xlsx"))
    assert "air_span_m" in [cell.value for cell in made["drops"][1]]


def test_a_plan_without_rows_is_written_all_the_same(worked: Plan, tmp_path: Path) -> None:
    empty = {name: getattr(worked, name).iloc[:0] for name in WORKBOOK_TABLES}
    made = openpyxl.load_workbook(
        write_workbook(dataclasses.replace(worked, **empty), tmp_path / "a.xlsx")
    )
    assert [made[name.replace("_", " ")].max_row for name in WORKBOOK_TABLES] == [1] * len(
        WORKBOOK_TABLES
    )


def test_shuffled_plan_gives_the_same_bytes(worked: Plan, path: Path, tmp_path: Path) -> None:
    mixed = {
        name: getattr(worked, name).sample(frac=1.0, random_state=4) for name in WORKBOOK_TABLES
    }
    again = write_workbook(dataclasses.replace(worked, **mixed), tmp_path / "again.xlsx")
    assert again.read_bytes() == path.read_bytes()


def test_only_the_workbook_is_left_in_the_folder(path: Path) -> None:
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


@given(st.lists(st.text(max_size=60), min_size=1, max_size=8))
@settings(max_examples=25, deadline=None)
def test_any_text_makes_a_workbook_that_reads_back(worked: Plan, texts: list[str]) -> None:
    import tempfile

    frame = worked.unserved.iloc[:1]
    frame = pd.concat([frame] * len(texts), ignore_index=True)
    frame["address_id"] = [f"A{row:02d}" for row in range(len(texts))]
    frame["reasons"] = pd.Series(texts, dtype=object)
    changed = dataclasses.replace(worked, unserved=frame)
    with tempfile.TemporaryDirectory() as folder:
        made = openpyxl.load_workbook(write_tables(changed, ("unserved",), Path(folder) / "a.xlsx"))
    sheet = made["unserved"]
    column = next(cell.column for cell in sheet[1] if cell.value == "reasons")
    back = [sheet.cell(row + 2, column).value or "" for row in range(len(texts))]
    assert [decoded(text) for text in back] == [cell_text(text) for text in texts]


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice Calc is not installed")
def test_libreoffice_opens_every_sheet_and_reads_the_same_values(
    worked: Plan, path: Path, tmp_path: Path
) -> None:
    form = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    run = subprocess.run(
        ["soffice", profile, "--headless", "--convert-to", form, "--outdir", tmp_path, path],
        check=True, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    words = (run.stdout + run.stderr).lower()
    assert "repair" not in words
    assert "error" not in words
    for name in WORKBOOK_TABLES:
        title = name.replace("_", " ")
        with (tmp_path / f"{path.stem}-{title}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        frame = report_frame(worked, name)
        assert rows[0] == list(frame.columns)
        assert len(rows) == len(frame) + 1
        for number, column in enumerate(TABLES[name].columns):
            cells = [row[number] for row in rows[1:]]
            for cell, value in zip(cells, frame.iloc[:, number].tolist(), strict=True):
                if pd.isna(value):
                    assert cell == ""
                elif column.kind == "text":
                    assert cell == cell_text(value)
                elif column.kind == "bool":
                    assert cell == str(value).upper()
                else:
                    assert float(cell) == pytest.approx(value, abs=1e-9)
