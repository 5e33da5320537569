"""Tell addresses that a street has from texts by which nobody finds a house.

Enters: the label of an address.
Leaves: whether it has the usual form.
Does not do: know which streets there are; change a label.
"""

from __future__ import annotations

import re

USUAL = re.compile(r"[^\W_](?:[^\W_]|[ .,'\u2019#&/()-])*")
"""Letters and figures of any script, with the marks that addresses have."""
NUMBER, WORD = re.compile(r"\d"), re.compile(r"[^\W\d_]{2}")


def is_usual_title(label: str) -> bool:
    """Tell whether a label has the form of a street address.

    Parameters
    ----------
    label : str
        As the layer of addresses has it.

    Returns
    -------
    bool
        True where there are a figure and a word, and no quotes nor signs of markup or formulas.

    Examples
    --------
    >>> is_usual_title("12B St. Mary's Road")
    True
    >>> is_usual_title("=1+1")
    False
    """
    parts = USUAL.fullmatch(label.strip()), NUMBER.search(label), WORD.search(label)
    return all(part is not None for part in parts)
