"""Places for labels: what they cost."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoplan.reports.sheets.ink import text_width
from geoplan.reports.sheets.obstacles import NEVER, Obstacles, around, boxes


def test_cost_is_the_sum_of_what_is_touched():
    taken = Obstacles(0.0, 0.0, 50.0, 30.0)
    taken.add([shapely.box(10, 10, 20, 20)], 7.0)
    taken.add([shapely.LineString([(0, 15), (50, 15)]), shapely.Point()], 2.0)
    tried = boxes(np.array([[1, 1, 4, 4], [1, 14, 4, 16], [12, 14, 15, 16], [48, 1, 52, 4]]))
    np.testing.assert_allclose(taken.costs(tried), [0.0, 2.0, 9.0, NEVER])


def test_what_is_added_later_counts_too():
    taken = Obstacles(0.0, 0.0, 50.0, 30.0)
    tried = boxes(np.array([[1.0, 1.0, 4.0, 4.0]]))
    assert taken.costs(tried)[0] == 0.0
    taken.add(list(tried), 5.0)
    assert taken.costs(tried)[0] == 5.0


def test_places_around_lie_at_their_distance():
    places = around(3.0, -2.0, (1.0, 4.0), 8)
    np.testing.assert_allclose(np.hypot(*(places - [3.0, -2.0]).T), [1.0] * 8 + [4.0] * 8)


@pytest.mark.parametrize(("words", "size"), [("HOUSE", 2.3), ("16.1 ft there", 2.8), ("PW12", 2.7)])
def test_width_of_words_is_that_of_the_font(words, size):
    """Helvetica's published widths, thousandths of the size, letter by letter."""
    widths = {
        "H": 722, "O": 778, "U": 722, "S": 667, "E": 667, "1": 556, "6": 556, "2": 556, ".": 278,
        " ": 278, "f": 278, "t": 278, "h": 556, "e": 556, "r": 333, "P": 667, "W": 944,
    }  # fmt: skip
    right = size * sum(widths[letter] for letter in words) / 1000
    assert text_width(words, size) == pytest.approx(right, rel=1e-6)
    assert text_width(words, size, bold=True) > right


def test_letter_outside_the_table_counts_as_a_full_square():
    assert text_width("\u5bb6", 2.0) == 2.0
