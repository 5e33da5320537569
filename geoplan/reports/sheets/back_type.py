"""Size of type for the back of a job sheet: the largest at which its text has room on one page.

Enters: texts of a sheet.
Leaves: a size.
Does not do: markup; shorten texts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

from geoplan.reports.sheets.ink import text_width

BACK_SIZES = tuple(quarter / 4.0 for quarter in range(39, 23, -1))
"""Sizes of type of a back, pt: the largest that its text has room for is taken."""
BACKS_MM = ((202.9, 264.5), (197.0, 282.0))
"""Width and height of the room on a back: letter, A4."""
LINE_EM = 1.12
"""Height of a line as part of the size of type."""
PT_MM = 25.4 / 72.0
TICK_MM, NUMBER_MM, LEVEL_MM = 4.1, 5.0, 19.3
"""Width of boxes to tick, of steps' numbers and of levels of hazards, with the space beside."""
CELL_RIM_MM, CAUTION_RIM_MM = 2.1, 2.6
"""What rims take of the width of a cell and of the cautions."""
LIST_MM, PARAGRAPH_MM, CELL_MM, STOP_MM = 0.05, 0.4, 0.7, 1.1
"""Space between one line of a list, paragraph, row of a table and the next, beyond the type."""
FIXED_MM = 51.8
"""Heads, and the boxes to fill in."""
SIGNS_ROWS = 2
SPARE_LINES = 1
"""Lines kept free, since a text that just fits a line here may take one more on paper."""


@lru_cache(maxsize=1 << 14)
def _wide(word: str) -> float:
    """Return the width of a word as part of the size of type."""
    return text_width(word, 1.0)


SPACE_EM = text_width(" ", 1.0)
BOLD = 1.08
"""Width of bold words over plain ones, at most."""


def _words(text: str, widen: float = 1.0) -> list[tuple[float, float]]:
    """Return widths of the parts that a line may break after, and of the space behind each."""
    return [
        (_wide(part) * widen, SPACE_EM if is_last else 0.0)
        for word in text.split(" ")
        for part, is_last in _pieces(word)
    ]


def _pieces(word: str) -> Iterator[tuple[str, bool]]:
    """Split a word behind its hyphens."""
    parts = word.split("-")
    for part in parts[:-1]:
        yield f"{part}-", False
    yield parts[-1], True


def _lines(words: Sequence[tuple[float, float]], room: float) -> int:
    """Return over how many lines of so much room, as part of the size of type, words go."""
    count, at = 1, 0.0
    for wide, space in words:
        if at > 0.0 and at + wide > room:
            count, at = count + 1, 0.0
        at += wide + space
        while at - space > room:  # a word wider than a line is broken
            count, at = count + 1, at - room
    return count


class _Back:
    """The texts of a back, measured once for all sizes."""

    def __init__(self, sheet: dict[str, Any]) -> None:
        self.checks = [_words(text) for text in sheet["checks"]]
        self.steps = [_words(text) for text in sheet["steps"]]
        self.crew = [[*_words(name, BOLD), *_words(text)] for name, text in sheet["crew"]]
        self.crew.append(_words(f"{sheet['reel']} {sheet['materials']}"))
        self.hazards = [
            (level == "STOP", *(_words(text, BOLD if level == "STOP" else 1.0) for text in texts))
            for level, *texts in sheet["hazards"]
        ]
        self.signs = SIGNS_ROWS if sheet["signs"] else 0
        self.caution = _words(" ".join([*sheet["cautions"], sheet["rules"], sheet["not_checked"]]))

    def height(self, size: float, width: float) -> float:
        """Return about how high it is, mm, by size of type, pt, and width of the text, mm."""
        em = size * PT_MM
        line, cell = LINE_EM * em, ((width - LEVEL_MM) / 2.0 - CELL_RIM_MM) / em
        count = SPARE_LINES + sum(_lines(words, (width - TICK_MM) / em) for words in self.checks)
        count += sum(_lines(words, (width - NUMBER_MM) / em) for words in self.steps)
        count += sum(_lines(words, width / em) for words in self.crew)
        count += sum(max(_lines(one, cell) for one in cells) for _, *cells in self.hazards)
        count += self.signs + _lines(self.caution, (width - CAUTION_RIM_MM) / em)
        more = (
            (len(self.checks) + len(self.steps)) * LIST_MM
            + len(self.crew) * PARAGRAPH_MM
            + self.signs * CELL_MM
        )
        more += sum(STOP_MM if is_stop else CELL_MM for is_stop, *_ in self.hazards)
        return count * line + more + FIXED_MM


def back_height(sheet: dict[str, Any], size: float, width: float) -> float:
    """Return about how much of a page the back of a sheet takes, by the widths of its letters.

    Parameters
    ----------
    sheet : dict
        Texts as `geoplan.reports.sheets.content.sheet_texts` makes them.
    size : float
        Size of type, pt.
    width : float
        Width of the text, mm.

    Returns
    -------
    float
        Height, mm.
    """
    return _Back(sheet).height(size, width)


def back_size(sheet: dict[str, Any]) -> float:
    """Return the size of type for the back of a sheet.

    Parameters
    ----------
    sheet : dict
        Texts as `geoplan.reports.sheets.content.sheet_texts` makes them.

    Returns
    -------
    float
        One of `BACK_SIZES`, pt: the largest at which its text has room on one page of either
        paper; else the least.
    """
    back = _Back(sheet)
    sizes = (
        size
        for size in BACK_SIZES
        if all(back.height(size, width) <= height for width, height in BACKS_MM)
    )
    return next(sizes, BACK_SIZES[-1])
