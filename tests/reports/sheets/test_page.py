"""Type is as large as there is room for, and pages carry the numbers that the index gives."""

from __future__ import annotations

import re

import numpy as np
import pytest

from geoplan.reports.sheets.gather import SheetSource
from geoplan.reports.sheets.page import (
    INDEX_ROWS,
    front_class,
    front_lines,
    leading_pages,
    sheet_html,
)


@pytest.fixture(scope="module")
def sheet(demo_work):
    return SheetSource(demo_work, np.array([0])).batch(0, 1)[0]


def test_stops_are_marked_for_bold_type(sheet):
    hazards = [("STOP", "power", "Do not start."), ("note", "walk", "Guard it.")]
    text = sheet_html({**sheet, "hazards": hazards}, is_first=True)
    assert text.count('class="stop"') == 1
    assert re.search(r'class="stop"><td><b>STOP</b>', text)


def test_heads_of_the_table_are_not_blank(sheet):
    assert all(sheet["crossing_heads"])


def test_pages_printed_are_those_of_the_joined_file(demo_paper):
    count = len(demo_paper.starts)
    assert leading_pages(count) == -(-count // INDEX_ROWS)
    for page in demo_paper.starts.values():
        assert f"Job sheet, front · page {page} of the file" in demo_paper.texts[page - 1]
        assert f"Job sheet, back · page {page + 1} of the file" in demo_paper.texts[page]


def test_a_front_with_more_on_it_has_smaller_type():
    bare = {"crossings": [], "alerts": [], "kinds": [("Job", "Same side")], "figures": [],
            "stringing": [0, 0, 0, 0], "legend": "Thick: this drop."}  # fmt: skip
    row = ("–", "yard", "3 ft", "–", "–", "–", "rule")
    found = [front_class({**bare, "crossings": [row] * n}) for n in range(30)]
    assert list(dict.fromkeys(found)) == ["roomy", "", "dense", "dense packed"]
    wrapped = {**bare, "crossings": [(*row[:-1], "x" * 200)]}
    assert front_lines(wrapped) == front_lines({**bare, "crossings": [row]}) + 2
    told = {**bare, "alerts": [("Power", "keep 2.0 ft away")]}
    assert front_lines(told) > front_lines(bare)
