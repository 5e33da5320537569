"""Names of files made from ids: safe on any file system, and never twice the same.

Enters: an id from the user's data.
Leaves: a file name.
Does not do: touch files.
"""

from __future__ import annotations

import hashlib
import re

_UNSAFE = re.compile(r"[^A-Za-z0-9]+")
_LONGEST = 60


def sheet_file_name(address_id: str, suffix: str = ".html") -> str:
    """Return the file name of an address's job sheet.

    Parameters
    ----------
    address_id : str
        Any text.
    suffix : str
        Ending of the name.

    Returns
    -------
    str
        Letters, digits and hyphens of the id, then eight digits of its SHA-256, so that ids
        that differ only in other characters or in case keep names apart everywhere.

    Examples
    --------
    >>> sheet_file_name("A-101")
    'A-101-37570cb9.html'
    """
    words = _UNSAFE.sub("-", address_id).strip("-")[:_LONGEST].strip("-") or "address"
    digest = hashlib.sha256(address_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{words}-{digest}{suffix}"
