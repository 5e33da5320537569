"""Crew and traffic rules: who may build a drop, and with what traffic control.

Enters: the name of built-in crew rules, or the user's own TOML.
Leaves: `CrewRules`, every figure in SI with document and status.
Does not do: judge a drop; let an unknown key pass.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

import numpy as np
import numpy.typing as npt

from geoplan.errors import RuleDataError, nearest_name
from geoplan.project import Project
from geoplan.rules.figures import (
    PROVENANCE_KEYS,
    Entry,
    Figure,
    as_table,
    read_figure,
    refuse_unknown,
    text_of,
)
from geoplan.rules.toml_files import package_file, parse_toml
from geoplan.units import to_si

ROAD_CLASSES: Final = (
    "highway",
    "arterial",
    "collector",
    "residential",
    "local",
    "alley",
    "rural",
    "other",
)
"""Road classes that crew rules know; a road of any other class counts as ``other``."""

WAYS: Final = ("alone", "stop", "flaggers")
"""Ways over a road that have limits, the least first."""

SIGN_ROWS: Final = ("urban_low", "urban_middle", "urban_high", "rural", "expressway")
OWNERS: Final = ("rail", "water", "highway")
"""Crossings that need their owner's permit and a crew."""

_SPEED_BANDS: Final = ("urban_low", "urban_middle")
_SINGLE: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        "taper": {
            "low_speed_to": "speed",
            "low_divisor": "count",
            "merging": "count",
            "shifting": "count",
            "shoulder": "count",
            "lane_width": "length",
            "one_lane_least": "length",
            "one_lane": "length",
            "downstream": "length",
            "device_spacing_per_mph": "length",
            "one_lane_device_spacing": "length",
        },
        "people": dict.fromkeys(
            ("traffic", "flaggers", "hazard", "bucket", "run_over_road", "post"), "count"
        ),
        "run": {"longest_stop": "length", "pass_width": "length"},
        "hold": {"clamp_vehicles": "count"},
        "alone": {"max_pull": "length", "no_contact": "length"},
        "places": dict.fromkeys(
            (
                "keep_off",
                "beside_road",
                "near_road",
                "reel_away",
                "reel_from_ladder",
                "bucket_away",
                "bucket_keep_off",
                "kerb_keep_off",
                "kerb_lane",
                "kerb_lane_aloft",
                "kerb_told",
                "water_away",
                "near_rail",
            ),
            "length",
        ),
    }
)
"""Sections in which each table is one figure, and the quantity of each."""

_LIMITS: Final = {"speed": "speed", "vehicles": "count"}
_ABOUT: Final = ("title", "caution")
_SECTIONS: Final = ("signs", *_SINGLE, "buffer", "crossing", "assumed", "owner")
_TOP_KEYS: Final = ("name", *_ABOUT, "base", *_SECTIONS)
_BUFFER_BAND: Final = re.compile(r"to_([1-9][0-9]*)_mph")

_Found = Iterator[tuple[str, object, str]]  # dotted key, entry, quantity
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CrewRules:
    """Crew and traffic rules with their figures by dotted key.

    Parameters
    ----------
    name, title, caution, file, base : str
        What the file says of itself, its name, and the built-in rules it builds on.
    figures : mapping of str to Figure
        For example ``"crossing.alone.residential.speed"``.
    """

    name: str
    title: str
    caution: str
    file: str
    base: str
    figures: Mapping[str, Figure]

    def require(self, key: str) -> Figure:
        """Return a figure that complete rules have.

        Parameters
        ----------
        key : str
            Dotted key.

        Returns
        -------
        Figure
            The figure.

        Raises
        ------
        RuleDataError
            If there is none.
        """
        if key not in self.figures:
            where = f"{self.file} {key}"
            raise RuleDataError(where, "has no figure", _remedy(key))
        return self.figures[key]

    def value(self, key: str) -> float:
        """Return a figure's value in SI, see `require`."""
        return self.require(key).value_si

    def by_class(self, prefix: str, name: str) -> FloatArray:
        """Lay out one figure of each road class.

        Parameters
        ----------
        prefix : str
            ``"crossing.alone"``, ``"crossing.stop"``, ``"crossing.flaggers"`` or ``"assumed"``.
        name : str
            ``"speed"`` or ``"vehicles"``.

        Returns
        -------
        ndarray of float64, shape (8,)
            In the order of `ROAD_CLASSES`; NaN: the class may not be crossed that way.
        """
        keys = [f"{prefix}.{road_class}.{name}" for road_class in ROAD_CLASSES]
        figures = [self.figures.get(key) for key in keys]
        return np.array([np.nan if figure is None else figure.value_si for figure in figures])

    def buffers(self) -> tuple[tuple[float, Figure], ...]:
        """Return the buffer's bands.

        Returns
        -------
        tuple of (float, Figure)
            Highest speed of the band, m/s, and its figure; ascending.
        """
        bands = [
            (_band_speed(key.rpartition(".")[2]), figure)
            for key, figure in self.figures.items()
            if key.startswith("buffer.")
        ]
        return tuple(sorted(bands, key=lambda pair: pair[0]))


def available_crew_rules() -> tuple[str, ...]:
    """List the built-in crew rules.

    Returns
    -------
    tuple of str
        Names in alphabetical order.
    """
    names = (item.name for item in package_file("crew").iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def load_crew_rules(project: Project) -> CrewRules:
    """Load the crew rules that a project asks for.

    Parameters
    ----------
    project : Project
        Settings; ``[crew] rules`` is a built-in name or the path of a ``.toml`` file.

    Returns
    -------
    CrewRules
        Complete rules.

    Raises
    ------
    RuleDataError
        If there are no such rules, or a key is unknown or a figure missing or wrong.
    """
    return read_crew_rules(project.crew.rules)


def read_crew_rules(name_or_path: str | Path) -> CrewRules:
    """Load built-in crew rules, or a user's file that changes them.

    Parameters
    ----------
    name_or_path : str or pathlib.Path
        A name from `available_crew_rules`, or the path of a ``.toml`` file. A file with
        ``base = "us"`` needs only `name` and the figures that it changes.

    Returns
    -------
    CrewRules
        Complete rules.

    Raises
    ------
    RuleDataError
        As for `load_crew_rules`.
    """
    if isinstance(name_or_path, Path) or name_or_path.endswith(".toml"):
        path = Path(name_or_path)
        return _read(parse_toml(path, path.name), path.name)
    return _built_in(name_or_path, f"crew rules '{name_or_path}'")


def _built_in(name: str, where: str) -> CrewRules:
    if name not in available_crew_rules():
        hint = nearest_name(name, available_crew_rules())
        raise RuleDataError(
            where, f"'{name}' is not built in", f"{hint} Or give the path of a .toml file"
        )
    file = f"{name}.toml"
    return _read(parse_toml(package_file(f"crew/{file}"), file), file)


def _read(document: Entry, file: str) -> CrewRules:
    refuse_unknown(document, _TOP_KEYS, file=file, key="")
    base: CrewRules | None = None
    if "base" in document:
        base = _built_in(text_of(document, "base", file=file, key=""), f"{file} base")
    figures = dict(base.figures) if base else {}
    for section in _SECTIONS:
        if section not in document:
            continue
        table = as_table(document[section], file=file, key=section)
        for key, entry, quantity in _entries(section, table, file):
            figures[key] = _positive(entry, file, key, quantity)
    about = {
        name: text_of(
            document, name, file=file, key="", default=getattr(base, name) if base else None
        )
        for name in _ABOUT
    }
    rules = CrewRules(
        name=text_of(document, "name", file=file, key=""),
        file=file,
        base=base.name if base else "",
        figures=MappingProxyType(figures),
        **about,
    )
    for key in _required():
        rules.require(key)
    return rules


def _required() -> Iterator[str]:
    for section, names in _SINGLE.items():
        yield from (f"{section}.{name}" for name in names)
    for row in SIGN_ROWS:
        yield from (f"signs.{row}.{name}" for name in _sign_keys(row))
    for road_class in ROAD_CLASSES:
        yield from (f"assumed.{road_class}.{name}" for name in _LIMITS)
    yield from (f"owner.{name}.people" for name in OWNERS)


def _remedy(key: str) -> str:
    section, _, rest = key.partition(".")
    if section in _SINGLE:
        return f"Give [{key}] with value, document and status"
    parent, _, name = rest.rpartition(".")
    return f"Give {name} in [{section}.{parent}], with document and status"


def _positive(entry: object, file: str, key: str, quantity: str) -> Figure:
    """Read a figure; refuse what is negative, and numbers of people that are not whole."""
    figure = read_figure(entry, file=file, key=key, quantity=quantity)
    where = f"{file} {key}"
    if figure.value_si < 0 or (figure.value_si == 0 and key == "taper.low_divisor"):
        raise RuleDataError(where, f"'{figure.printed}' is too small", "Give a greater value")
    is_people = key.startswith(("people.", "owner."))
    if is_people and (figure.value_si % 1 or figure.value_si < 1):
        raise RuleDataError(where, f"'{figure.printed}' is no number of people", "Give 1, 2 or 3")
    return figure


def _entries(section: str, table: Entry, file: str) -> _Found:
    """Return the figures of a section."""
    if section in _SINGLE:
        refuse_unknown(table, tuple(_SINGLE[section]), file=file, key=section)
        return iter(
            (f"{section}.{name}", entry, _SINGLE[section][name]) for name, entry in table.items()
        )
    return _READERS[section](table, file)


def _signs(table: Entry, file: str) -> _Found:
    for row, entry in _rows(table, SIGN_ROWS, "signs", file):
        yield from _split(entry, f"signs.{row}", _sign_keys(row), file)


def _buffers(table: Entry, file: str) -> _Found:
    for band, entry in table.items():
        if not _BUFFER_BAND.fullmatch(band):
            remedy = "Name the band by its upper end, such as to_25_mph"
            where = f"{file} buffer.{band}"
            raise RuleDataError(where, "is not a speed band", remedy)
        yield f"buffer.{band}", entry, "length"


def _crossings(table: Entry, file: str) -> _Found:
    for way, classes in _rows(table, WAYS, "crossing", file):
        for name, entry in _rows(classes, ROAD_CLASSES, f"crossing.{way}", file):
            yield from _split(entry, f"crossing.{way}.{name}", _LIMITS, file)


def _assumed(table: Entry, file: str) -> _Found:
    for name, entry in _rows(table, ROAD_CLASSES, "assumed", file):
        yield from _split(entry, f"assumed.{name}", _LIMITS, file)


def _owners(table: Entry, file: str) -> _Found:
    for name, entry in _rows(table, OWNERS, "owner", file):
        yield from _split(entry, f"owner.{name}", {"people": "count"}, file)


_READERS: Final[Mapping[str, Callable[[Entry, str], _Found]]] = MappingProxyType(
    {
        "signs": _signs,
        "buffer": _buffers,
        "crossing": _crossings,
        "assumed": _assumed,
        "owner": _owners,
    }
)


def _sign_keys(row: str) -> dict[str, str]:
    keys = dict.fromkeys(("a", "b", "c"), "length")
    return {**keys, "to_speed": "speed"} if row in _SPEED_BANDS else keys


def _split(entry: Entry, key: str, names: Mapping[str, str], file: str) -> _Found:
    """Split a table of several values that share their provenance; all have to be given."""
    refuse_unknown(entry, (*names, *PROVENANCE_KEYS), file=file, key=key)
    shared = {name: entry[name] for name in PROVENANCE_KEYS if name in entry}
    for name, quantity in names.items():
        value = text_of(entry, name, file=file, key=key)
        yield f"{key}.{name}", {"value": value, **shared}, quantity


def _rows(table: Entry, valid: tuple[str, ...], key: str, file: str) -> Iterator[tuple[str, Entry]]:
    refuse_unknown(table, valid, file=file, key=key)
    for name, row in table.items():
        yield name, as_table(row, file=file, key=f"{key}.{name}")


def _band_speed(band: str) -> float:
    match = _BUFFER_BAND.fullmatch(band)
    if match is None:
        message = f"band {band!r} is not named as to_25_mph"
        raise ValueError(message)
    return float(to_si(float(match.group(1)), "mph", "speed"))
