"""CSV: harmless in a spreadsheet, complete, the same bytes each time."""

from __future__ import annotations

import csv
import dataclasses
import re
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.model import Plan
from geoplan.reports.csv_tables import CSV_TABLES, FORMULA_STARTS, neutralise, write_csv_tables
from geoplan.reports.frames import report_name
from geoplan.tables import TABLES


def _read(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


@pytest.fixture(scope="module")
def folder(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("csv")
    write_csv_tables(plan, made)
    return made


@pytest.mark.parametrize("name", CSV_TABLES)
def test_header_and_rows_are_all_there(plan: Plan, folder: Path, name: str) -> None:
    rows = _read(folder / f"{name}.csv")
    assert rows[0] == [report_name(column, "us") for column in TABLES[name].columns]
    assert len(rows) == len(getattr(plan, name)) + 1
    assert {len(row) for row in rows} == {len(rows[0])}


@pytest.mark.parametrize("name", CSV_TABLES)
def test_no_text_starts_like_a_formula(folder: Path, name: str) -> None:
    rows = _read(folder / f"{name}.csv")
    texts = [n for n, column in enumerate(TABLES[name].columns) if column.kind == "text"]
    for row in rows[1:]:
        assert not any(row[n].startswith(FORMULA_STARTS) for n in texts)


def test_hostile_texts_come_through_whole(fenmoor: Any, plan: Plan, folder: Path) -> None:
    rows = _read(folder / "drops.csv")
    labels = {row[rows[0].index("label")] for row in rows[1:]}
    for text in fenmoor.HOSTILE:
        kept = text.replace("\x00", "\ufffd")
        assert kept in labels or f"'{kept}" in labels


def test_negative_numbers_stay_numbers(folder: Path) -> None:
    rows = _read(folder / "terminals.csv")
    assert rows[1][rows[0].index("port_value_cost")] == "-120.5"


def test_unknown_is_empty(folder: Path) -> None:
    rows = _read(folder / "unserved.csv")
    assert rows[1][rows[0].index("excess_ft")] == ""


def test_rows_end_with_a_line_feed(folder: Path) -> None:
    data = (folder / "terminals.csv").read_bytes()
    assert data.endswith(b"\n")
    assert b"\r" not in data


def test_shuffled_plan_gives_the_same_bytes(
    fenmoor: Any, plan: Plan, folder: Path, tmp_path: Path
) -> None:
    for path in write_csv_tables(fenmoor.shuffled(plan, 3), tmp_path):
        assert path.read_bytes() == (folder / path.name).read_bytes()


@given(st.lists(st.one_of(st.none(), st.text(st.characters(codec="utf-8"))), min_size=1))
@settings(max_examples=60, deadline=None)
def test_neutralised_text_keeps_its_content(texts: list[str | None]) -> None:
    safe = neutralise(pd.Series(texts, dtype="str"))
    for before, after in zip(texts, safe, strict=True):
        if before is None:
            assert pd.isna(after)
            continue
        content = re.sub("\r(?!\n)", "\n", before)
        assert after in (content, f"'{content}")
        assert not after.lstrip(" ").startswith(FORMULA_STARTS)


@pytest.mark.parametrize(
    "front", ["", " ", "\u00a0", "\u3000", "\ufeff", "\u200b \u2003", "\u202e"]
)
def test_nothing_unseen_hides_the_start_of_a_formula(front: str) -> None:
    assert neutralise(pd.Series([f"{front}=1+1"]))[0] == f"'{front}=1+1"
    assert neutralise(pd.Series([f"{front}a=1"]))[0] == f"{front}a=1"


def test_a_lone_carriage_return_starts_no_row(plan: Plan, tmp_path: Path) -> None:
    """Readers take one for the end of a row, and what follows for a cell of its own."""
    hostile = plan.drops.assign(label="\r=1+1\rtail")
    write_csv_tables(dataclasses.replace(plan, drops=hostile), tmp_path)
    rows = _read(tmp_path / "drops.csv")
    assert len(rows) == len(plan.drops) + 1
    assert {row[rows[0].index("label")] for row in rows[1:]} == {"'\n=1+1\ntail"}
