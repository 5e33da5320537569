"""Rule files as TOML: those of the package, and the user's own.

Enters: the path of a file.
Leaves: its tables, parsed and not yet checked.
Does not do: know any key.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from geoplan.errors import RuleDataError
from geoplan.rules.figures import Entry


def package_file(name: str) -> Traversable:
    """Return one of the package's own rule files, or a folder of them.

    Parameters
    ----------
    name : str
        Path within ``geoplan/rules``.

    Returns
    -------
    Traversable
        It need not exist.
    """
    return files("geoplan.rules") / name


def parse_toml(source: Path | Traversable, file: str) -> Entry:
    """Read a rule file.

    Parameters
    ----------
    source : pathlib.Path or Traversable
        The file.
    file : str
        How messages name it.

    Returns
    -------
    mapping of str to object
        Its tables.

    Raises
    ------
    RuleDataError
        If it cannot be read, is not UTF-8 or not TOML.
    """
    try:
        text = source.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        remedy = "Check the path and that it is UTF-8 text"
        raise RuleDataError(file, f"cannot be read ({error})", remedy) from error
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleDataError(file, f"is not TOML ({error})", "Mend the file there") from error
