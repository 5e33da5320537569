"""The errors a user can cause, each one line that says where, what and how to mend it.

Enters: nothing.
Leaves: the exception classes below.
Does not do: print, log or exit; the command line does that.

::

    GeoplanError                 one line; exit code on the class
    +- ProjectFileError          file, key, value
    +- LayerError                layer, row, column
    |  +- CrsError
    |  +- ColumnError
    |  +- GeometryError
    +- RuleDataError             wire, strand or rule that isn't there, or is incomplete
    +- NoPlanError               no usable pole, terminal or address is left
    +- OutputError               results cannot be written
    +- MissingExtraError         a feature whose optional packages are not installed
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable

_UNSAFE = frozenset({"Cc", "Cf", "Cs"})
"""Unicode categories of characters that control what is shown, or cannot be shown at all."""

EXIT_CLEAN = 0
EXIT_WARNINGS = 1
EXIT_CANNOT_PLAN = 2
EXIT_INTERNAL = 70


class GeoplanError(Exception):
    """A fault the user can mend, told in one line.

    Parameters
    ----------
    where : str
        Place of the fault: file, layer and row, or key.
    problem : str
        What is wrong there.
    remedy : str
        What to do about it.
    """

    exit_code = EXIT_CANNOT_PLAN

    def __init__(self, where: str, problem: str, remedy: str) -> None:
        self.where = _sentence(where)
        self.problem = _sentence(problem)
        self.remedy = _sentence(remedy)
        super().__init__(f"{self.where}: {self.problem}. {self.remedy}")

    def __reduce__(self) -> tuple[type[GeoplanError], tuple[str, str, str]]:
        return type(self), (self.where, self.problem, self.remedy)


class ProjectFileError(GeoplanError):
    """The project file is missing, not TOML, or has a wrong key or value."""


class LayerError(GeoplanError):
    """A layer as a whole cannot be used."""


class CrsError(LayerError):
    """A coordinate reference system is missing, unknown or unfit."""


class ColumnError(LayerError):
    """A column that is needed is not there."""


class GeometryError(LayerError):
    """A layer has the wrong kind of geometry throughout."""


class RuleDataError(GeoplanError):
    """A wire, strand or rule is unknown or incomplete."""


class NoPlanError(GeoplanError):
    """Nothing is left to plan with."""


class OutputError(GeoplanError):
    """The results cannot be written where they were asked for."""


class MissingExtraError(GeoplanError):
    """An optional package is needed for what was asked."""


class UsageError(GeoplanError):
    """Options of a command that don't go together."""


class ClusterError(GeoplanError):
    """The processes or machines asked for cannot be had, or were lost."""


def nearest_name(name: str, valid: Iterable[str]) -> str:
    """Return a hint that names the valid word nearest to a wrong one, or lists them all.

    Parameters
    ----------
    name : str
        The word that was given.
    valid : iterable of str
        The words that would have been right.

    Returns
    -------
    str
        ``"Did you mean 'x'?"`` or ``"Valid: a, b, c."``.

    Examples
    --------
    >>> nearest_name("polse", ["poles", "roads"])
    "Did you mean 'poles'?"
    """
    names = sorted(valid)
    match = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if match:
        return f"Did you mean '{match[0]}'?"
    return f"Valid: {', '.join(names)}."


def one_line(text: str) -> str:
    r"""Bring text to one line that cannot steer a terminal.

    Parameters
    ----------
    text : str
        Any text; it may hold what a file holds.

    Returns
    -------
    str
        White space becomes single spaces, any other control character a question mark.

    Examples
    --------
    >>> one_line("pole 'a\x1b[31m'\n  is full")
    "pole 'a?[31m' is full"
    """
    words = " ".join(str(text).split())
    if words.isprintable():
        return words
    return "".join("?" if unicodedata.category(letter) in _UNSAFE else letter for letter in words)


def _sentence(text: str) -> str:
    return one_line(text).rstrip(".")
