"""Boxes of the front on drops that go up before or after this one, as ladders bring them down.

Enters: a `DropCase`.
Leaves: names of boxes with words.
Does not do: decide the order.
"""

from __future__ import annotations

from geoplan.reports.frames import cut
from geoplan.reports.sheets.wording import ID_LETTERS
from geoplan.work.drop_case import DropCase
from geoplan.work.hang_words import hang_before, hung_after, hung_first, up_already


def order_boxes(case: DropCase) -> list[tuple[str, str]]:
    """Return a box for each way in which the order on a strand span counts.

    Parameters
    ----------
    case : DropCase
        The drop.

    Returns
    -------
    list of (str, str)
        Names of boxes and addresses; empty where the order counts for nothing.
    """
    told = (
        ("HANG BEFORE", hang_before(case), ""),
        ("FIRST HANG", hung_first(case), ""),
        ("FLAGGERS", up_already(case), ", up before this: see back"),
        ("FLAGGERS AGAIN", hung_after(case), ", hung after this: see back"),
    )
    return [
        (name, f"{cut(', '.join(drops), ID_LETTERS)}{why}") for name, drops, why in told if drops
    ]
