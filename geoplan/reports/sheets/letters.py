"""Letters that no font of this computer has, told by their number: never an empty box on a sheet.

Enters: words.
Leaves: the same words, with such letters as ``[U+5C4B]``.
Does not do: choose fonts; where fontconfig is missing, words stay as they are.

Latin, Greek and Cyrillic need no more than Liberation Sans or DejaVu Sans (packages
``fonts-liberation`` and ``fonts-dejavu-core`` of Debian); other scripts need a font of their own,
such as those of ``fonts-noto-cjk``.
"""

from __future__ import annotations

import shutil
import subprocess
from functools import lru_cache

SURE_BELOW = 0x250
"""Letters below this are in every font that the sheets name."""


def printable(words: str) -> str:
    """Return words in which a letter that no font has is told by its number.

    Parameters
    ----------
    words : str
        Any text.

    Returns
    -------
    str
        For print.

    Examples
    --------
    >>> printable("Straße, 12 ft")
    'Straße, 12 ft'
    """
    if words.isascii():
        return words
    return "".join(
        letter if ord(letter) < SURE_BELOW or has_letter(letter) else f"[U+{ord(letter):04X}]"
        for letter in words
    )


@lru_cache(maxsize=4096)
def has_letter(letter: str) -> bool:
    """Tell whether some font has a letter; true where that can't be found out."""
    finder = _finder()
    if finder is None or letter.isspace():
        return True
    asked = [finder, f":charset={ord(letter):x}", "family"]
    try:
        found = subprocess.run(asked, capture_output=True, timeout=10.0, check=True)  # noqa: S603
    except (OSError, subprocess.SubprocessError):
        return True
    return bool(found.stdout.strip())


@lru_cache(maxsize=1)
def _finder() -> str | None:
    return shutil.which("fc-list")
