"""No letter of a sheet is an empty box: what no font has is told by its number."""

from __future__ import annotations

import pytest

from geoplan.reports.sheets import letters
from geoplan.reports.sheets.letters import has_letter, printable


@pytest.fixture
def latin_only(monkeypatch):
    monkeypatch.setattr(letters, "has_letter", lambda letter: letter in "–“”")


@pytest.mark.usefixtures("latin_only")
def test_a_letter_that_no_font_has_is_told_by_its_number():
    assert printable("“Ünit” 屋, 3 – 4") == "“Ünit” [U+5C4B], 3 – 4"
    assert printable("\U0001f3e0") == "[U+1F3E0]"


def test_latin_words_stay_as_they_are():
    assert printable("7 Zażółć Straße, O'Dell's") == "7 Zażółć Straße, O'Dell's"


def test_without_a_finder_nothing_is_changed(monkeypatch):
    monkeypatch.setattr(letters, "_finder", lambda: None)
    has_letter.cache_clear()
    assert printable("屋") == "屋"
    has_letter.cache_clear()


def test_a_number_that_no_font_can_have_is_found_out():
    if letters._finder() is None:
        pytest.skip("no fontconfig here")
    assert not has_letter("\U000e1234")
