"""The catalogue of materials: items that drops are built from, and how each is counted.

Enters: the built-in catalogue, or the user's own TOML.
Leaves: a `Catalogue`, checked key by key.
Does not do: count anything; let an unknown key pass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Final, TypeVar

from geoplan.errors import RuleDataError, nearest_name
from geoplan.project import Project
from geoplan.rules.figures import Entry, Status, as_table, refuse_unknown, text_of
from geoplan.rules.toml_files import package_file, parse_toml
from geoplan.units import parse_quantity

BUILT_IN: Final = "generic"
_FILE: Final = "materials.toml"
_TOP_KEYS: Final = ("name", "title", "base", "items")
_ITEM_KEYS: Final = (
    "title",
    "unit",
    "count_by",
    "times",
    "spacing",
    "pack",
    "spare",
    "unit_cost",
    "status",
    "document",
    "note",
)
_MOST: Final = 1e6
_LONGEST_TEXT: Final = 120

_Words = TypeVar("_Words", bound=StrEnum)


class Counter(StrEnum):
    """What an item is counted by."""

    DROP = "drop"
    HOUSE_END = "house_end"
    POLE_END = "pole_end"
    SPAN_CLAMP = "span_clamp"
    AIR_SPAN_END = "air_span_end"
    PORT = "port"
    BULK_PORT_END = "bulk_port_end"
    COIL = "coil"
    BUILDING_RUN = "building_run"
    STRAND_RUN = "strand_run"
    BULK_WIRE = "bulk_wire"
    STOCKED_WIRE = "stocked_wire"


SPACED: Final = (Counter.BUILDING_RUN, Counter.STRAND_RUN)


@dataclass(frozen=True, slots=True)
class Item:
    """One item of the catalogue.

    Parameters
    ----------
    key, title : str
        Code and name.
    unit : str
        What one of it is, such as ``each``; ``m`` for wire on reels.
    counter : Counter
        What it is counted by.
    times : float
        How many of it for each counted.
    spacing_m : float
        Distance from one to the next along a run; 0 where it isn't counted along one.
    pack : float
        How many are sold together.
    spare : float
        More to order, as a part of what is needed.
    unit_cost : float
        Price of one; NaN where there is none.
    status : Status
        How spacing, pack and spare were come by.
    document, note : str
        Source and remarks; may be empty.
    """

    key: str
    title: str
    unit: str
    counter: Counter
    times: float
    spacing_m: float
    pack: float
    spare: float
    unit_cost: float
    status: Status
    document: str
    note: str


@dataclass(frozen=True, slots=True)
class Catalogue:
    """A catalogue of materials; items by key, in alphabetical order."""

    name: str
    title: str
    file: str
    items: Mapping[str, Item]


def load_catalogue(project: Project) -> Catalogue:
    """Load the catalogue that a project asks for.

    Parameters
    ----------
    project : Project
        Settings; ``[materials] catalogue`` is ``generic`` or the path of a ``.toml`` file. A
        file with ``base = "generic"`` needs only the items and keys that it changes.

    Returns
    -------
    Catalogue
        Every item complete.

    Raises
    ------
    RuleDataError
        If there is no such catalogue, it isn't TOML, or an item has an unknown, missing or
        wrong key.
    """
    name = project.materials.catalogue
    if name == BUILT_IN:
        return _read(parse_toml(package_file(_FILE), _FILE), _FILE)
    if not name.endswith(".toml"):
        remedy = f"Write '{BUILT_IN}', or the path of a .toml file"
        where = f"key materials.catalogue '{name[:60]}'"
        raise RuleDataError(where, "is no catalogue", remedy)
    path = Path(name)
    return _read(parse_toml(path, path.name), path.name)


def _read(top: Entry, file: str) -> Catalogue:
    refuse_unknown(top, _TOP_KEYS, file=file, key="")
    base = text_of(top, "base", file=file, key="", default="none")
    if base not in (BUILT_IN, "none"):
        raise RuleDataError(f"{file} base", f"'{base}' is no catalogue", f"Write '{BUILT_IN}'")
    built_in = parse_toml(package_file(_FILE), _FILE) if base == BUILT_IN else {}
    entries: dict[str, Entry] = {}
    for tables in (built_in, top):
        for key, entry in as_table(tables.get("items", {}), file=file, key="items").items():
            own = as_table(entry, file=file, key=f"items.{key}")
            entries[key] = {**entries.get(key, {}), **own}
    if not entries:
        raise RuleDataError(f"{file} items", "holds no item", "Add tables [items.NAME]")
    items = {key: _item(key, entries[key], file) for key in sorted(entries)}
    _check_wire(items, file)
    return Catalogue(
        name=text_of(top, "name", file=file, key=""),
        title=text_of(top, "title", file=file, key="", default=""),
        file=file,
        items=MappingProxyType(items),
    )


def _item(key: str, entry: Entry, file: str) -> Item:
    place = f"items.{key}"
    refuse_unknown(entry, _ITEM_KEYS, file=file, key=place)
    counter = _word(entry, "count_by", Counter, file, place)
    spaced = counter in SPACED
    if spaced != ("spacing" in entry):
        problem = "is missing" if spaced else f"has no use where count_by is '{counter}'"
        remedy = "Write for example spacing = '0.4 m'" if spaced else "Remove it"
        raise RuleDataError(f"{file} {place}.spacing", problem, remedy)
    return Item(
        key=_short(key, file, place),
        title=_short(text_of(entry, "title", file=file, key=place), file, place),
        unit=_short(text_of(entry, "unit", file=file, key=place), file, place),
        counter=counter,
        times=_number(entry, "times", 1.0, file, place),
        spacing_m=_quantity(entry, "spacing", "length", "0 m", file, place),
        pack=_number(entry, "pack", 1.0, file, place),
        spare=_quantity(entry, "spare", "count", "0 %", file, place),
        unit_cost=_number(entry, "unit_cost", math.nan, file, place),
        status=_word(entry, "status", Status, file, place),
        document=text_of(entry, "document", file=file, key=place, default=""),
        note=text_of(entry, "note", file=file, key=place, default=""),
    )


def _check_wire(items: Mapping[str, Item], file: str) -> None:
    """Refuse wire that isn't counted in metres, or is sold in packs of its own."""
    for key, item in items.items():
        if item.counter is not Counter.BULK_WIRE:
            continue
        if item.unit != "m":
            where = f"{file} items.{key}.unit"
            raise RuleDataError(where, f"is '{item.unit}'", "Wire on reels is counted in 'm'")
        if item.pack != 1.0 or item.times != 1.0:
            where, remedy = f"{file} items.{key}", "Remove pack and times; set supply.reel_length"
            raise RuleDataError(where, "is wire, which is sold by the reel", remedy)


def _word(entry: Entry, name: str, words: type[_Words], file: str, place: str) -> _Words:
    text = text_of(entry, name, file=file, key=place)
    try:
        return words(text)
    except ValueError as error:
        where = f"{file} {place}.{name}"
        raise RuleDataError(where, f"'{text}' is not known", nearest_name(text, words)) from error


def _short(text: str, file: str, place: str) -> str:
    if text.isprintable() and text.strip() and len(text) <= _LONGEST_TEXT:
        return text
    remedy = f"Keep to one line of up to {_LONGEST_TEXT} letters"
    raise RuleDataError(f"{file} {place}", "has a key, title or unit that can't be shown", remedy)


def _number(entry: Entry, name: str, default: float, file: str, place: str) -> float:
    if name not in entry:
        return default
    value = entry[name]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if isinstance(value, int | float) and is_number and 0 < value <= _MOST:
        return float(value)
    problem = f"is {value!r}, not a number above 0, up to a million"
    raise RuleDataError(f"{file} {place}.{name}", problem, f"Write for example {name} = 10")


def _quantity(entry: Entry, name: str, quantity: str, default: str, file: str, place: str) -> float:
    text = text_of(entry, name, file=file, key=place, default=default)
    where = f"{file} {place}.{name}"
    try:
        value = parse_quantity(text, quantity)
    except ValueError as error:
        raise RuleDataError(where, str(error), f"Write for example {name} = '{default}'") from error
    least = 1e-3 if quantity == "length" and name in entry else 0.0
    if least <= value <= _MOST:
        return value
    raise RuleDataError(where, f"'{text}' is out of range", "Correct the value")
