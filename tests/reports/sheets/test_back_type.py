"""The back of a sheet has the largest type that its text has room for."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.reports.sheets.back_type import BACK_SIZES, BACKS_MM, back_height, back_size
from geoplan.reports.sheets.gather import SheetSource

LEAST_PT = 7.0
"""Type smaller than this nobody reads on a ladder."""


@pytest.fixture(scope="module")
def sheets(demo_work):
    return SheetSource(demo_work, np.arange(len(demo_work.drops))).batch(0, len(demo_work.drops))


def test_a_short_back_is_set_larger_than_a_long_one(sheets):
    sheet = sheets[0]
    short = {**sheet, "steps": sheet["steps"][:2], "hazards": [], "checks": []}
    long = {**sheet, "steps": sheet["steps"] * 4}
    assert back_size(short) > back_size(long)
    assert back_size({**sheet, "steps": ["word " * 200] * 40}) == BACK_SIZES[-1]


def test_no_back_of_the_demo_has_type_too_small_to_read(sheets):
    sizes = {sheet["address_id"]: back_size(sheet) for sheet in sheets}
    assert {name: size for name, size in sizes.items() if size < LEAST_PT} == {}


def test_height_grows_with_each_line(sheets):
    width = BACKS_MM[0][0]
    for name, more in (("checks", "word"), ("steps", "word"), ("hazards", ("note", "a", "b")),
                       ("crew", ("Power:", "none"))):  # fmt: skip
        longer = {**sheets[0], name: [*sheets[0][name], more]}
        grown = back_height(longer, 8.0, width) - back_height(sheets[0], 8.0, width)
        assert 8.0 * 1.12 * 25.4 / 72 < grown < 5.0, name


def test_lines_break_at_spaces_and_behind_hyphens(sheets):
    width, bare = BACKS_MM[0][0], {**sheets[0], "checks": [], "steps": [], "hazards": []}
    heights = [
        back_height({**bare, "steps": [text]}, 8.0, width)
        for text in ("abc " * 40, "ab-" * 53, "a" * 160, "abc\N{NO-BREAK SPACE}" * 40)
    ]
    one = back_height({**bare, "steps": ["abc"]}, 8.0, width)
    assert heights == pytest.approx([one + 8.0 * 1.12 * 25.4 / 72] * 4)
