"""A folder of results that appears whole or not at all.

Enters: the folder asked for.
Leaves: the folder with all files, or an `OutputError` and what was there before.
Does not do: know what a report holds.

Results are written to a new folder beside the one asked for, which is renamed when all is done.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
from pyogrio.errors import DataLayerError, DataSourceError

from geoplan.errors import OutputError
from geoplan.tables import TABLES

MARKER_FILE = "summary.json"
MARKER = {"written_by": "geoplan"}
"""What `MARKER_FILE` of a folder written here holds."""

OUR_FILES = frozenset(
    {
        "plan.gpkg",
        "plan.gpkg-journal",
        "plan.gpkg-shm",
        "plan.gpkg-wal",
        "map.html",
        "summary.json",
        "workbook.xlsx",
        "crossing_audit.gpkg",
        "crossing_audit.xlsx",
        "permits.html",
        "permits.pdf",
        *(f"{name}.csv" for name in TABLES),
        *(f"{name}.parquet" for name in TABLES),
    }
)
"""Names of files that are ours to replace; a GIS may leave the journals of an open GeoPackage."""

SHEET_FILES = re.compile(r"[A-Za-z0-9-]+-[0-9a-f]{8}\.(html|pdf)")
"""Names of job sheets, see `geoplan.reports.sheet_names`."""
OUR_FOLDERS = {"map": re.compile(r"area-\d{3,}\.html"), "sheets": SHEET_FILES}
"""Folders that are ours to replace while they hold files with such names only."""


@dataclass(frozen=True)
class Ours:
    """What a folder of results may hold, so that it can be replaced."""

    files: frozenset[str]
    folders: dict[str, re.Pattern[str]]
    """Folders by name, and what the names of their files look like."""
    marker_file: str
    """File that says, by `MARKER`, that geoplan wrote the folder."""


OURS = Ours(OUR_FILES, OUR_FOLDERS, MARKER_FILE)
"""A folder with a plan."""

REMEDY_FOREIGN = "Name another folder, or move those files away"


@contextmanager
def output_folder(out: Path, ours: Ours = OURS) -> Iterator[Path]:
    """Give a folder to write to, and put it in the place of `out` when all went well.

    Parameters
    ----------
    out : pathlib.Path
        Folder asked for. It may be absent, empty, or written by geoplan before.
    ours : Ours
        What a folder written before may hold; that of a plan by default.

    Yields
    ------
    pathlib.Path
        An empty folder beside `out`.

    Raises
    ------
    OutputError
        If `out` is a file, holds files that geoplan did not write, or cannot be written. What
        was there before is still there then.
    """
    name = f"output folder '{out.name or out}'"
    try:
        target = out.resolve()
        check_replaceable(target, name, ours)
        draft = _new_folder(target.parent)
    except OSError as error:
        raise _output_error(name, error) from error
    try:
        yield draft
        _swap(draft, target, ours)
    except (OSError, DataSourceError, DataLayerError, sqlite3.Error, pa.ArrowException) as error:
        raise _output_error(name, error) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)


@contextmanager
def scratch_folder(out: Path) -> Iterator[Path]:
    """Give an empty folder beside `out`, which is gone in the end.

    Parameters
    ----------
    out : pathlib.Path
        Folder of results asked for.

    Yields
    ------
    pathlib.Path
        On the same disk as the results will be.

    Raises
    ------
    OutputError
        If it cannot be written to.
    """
    name = f"folder beside '{out.name or out}'"
    try:
        scratch = _new_folder(out.resolve().parent)
    except OSError as error:
        raise _output_error(name, error) from error
    try:
        yield scratch
    except (OSError, pa.ArrowException) as error:
        raise _output_error(name, error) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _new_folder(parent: Path) -> Path:
    """Make an empty folder of a name that nobody else has."""
    parent.mkdir(parents=True, exist_ok=True)
    folder = parent / f".geoplan-{secrets.token_hex(6)}"
    folder.mkdir()
    return folder


def check_replaceable(folder: Path, name: str = "output folder", ours: Ours = OURS) -> None:
    """Refuse a folder that holds anything geoplan did not write.

    Parameters
    ----------
    folder : pathlib.Path
        Folder asked for.
    name : str
        How the message names it.
    ours : Ours
        What it may hold.

    Raises
    ------
    OutputError
        If it is a file, or holds a foreign file, or files like ours without our mark.
    """
    if not folder.exists():
        return
    if not folder.is_dir():
        raise OutputError(name, "is a file", "Name a folder.")
    names = sorted(entry.name for entry in folder.iterdir())
    foreign = [name for name in names if name not in ours.files or (folder / name).is_dir()]
    foreign = [entry for name in foreign for entry in _foreign(folder, name, ours)]
    if foreign:
        shown = ", ".join(f"'{entry}'" for entry in foreign[:3])
        more = f" and {len(foreign) - 3} more" if len(foreign) > 3 else ""
        raise OutputError(name, f"holds what geoplan did not write: {shown}{more}", REMEDY_FOREIGN)
    if names and not _is_marked(folder / ours.marker_file):
        raise OutputError(
            name, f"holds files but no {ours.marker_file} written by geoplan", REMEDY_FOREIGN
        )


def _foreign(folder: Path, name: str, ours: Ours) -> list[str]:
    """Name what is not ours in an entry that is no file of ours: it, or what it holds."""
    pattern, entry = ours.folders.get(name), folder / name
    if pattern is None or entry.is_symlink() or not entry.is_dir():
        return [name]
    held = sorted(one for one in entry.iterdir() if one.is_dir() or not pattern.fullmatch(one.name))
    return [f"{name}/{one.name}" for one in held]


def _is_marked(path: Path) -> bool:
    """Whether a summary says that geoplan wrote it."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, IsADirectoryError, ValueError, RecursionError):
        return False
    return isinstance(content, dict) and MARKER.items() <= content.items()


def _swap(draft: Path, target: Path, ours: Ours) -> None:
    """Rename the draft to the target; the old target goes only after that."""
    if not target.exists():
        draft.rename(target)
        return
    check_replaceable(target, f"output folder '{target.name}'", ours)
    draft.chmod(target.stat().st_mode & 0o7777)
    old = draft.with_name(f"{draft.name}-old")
    target.rename(old)
    try:
        draft.rename(target)
    except OSError:
        old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _output_error(name: str, error: Exception) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(
        name, f"cannot be written ({reason})", "Check the path, its rights and the free space."
    )
