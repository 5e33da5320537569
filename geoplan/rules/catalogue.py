"""Entries of the wire and strand files, from parsed TOML to objects.

Enters: one table of a file, and the built-in item that it changes, if any.
Leaves: a `Wire` or `Strand`; a `RuleDataError` on the first wrong or missing key.
Does not do: open files or look names up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from geoplan.errors import RuleDataError, nearest_name
from geoplan.rules.figures import Entry, Figure, as_table, read_figure, refuse_unknown, text_of
from geoplan.rules.wires import (
    ANY_DISTRICT,
    STRAND_QUANTITIES,
    WIRE_OPTIONAL,
    WIRE_QUANTITIES,
    Carries,
    Strand,
    Wire,
)

_TEXTS: Final = ("title", "construction", "base")


@dataclass(frozen=True, slots=True)
class Item:
    """An entry with its place, as the builders take it."""

    name: str
    entry: Entry
    file: str
    is_built_in: bool


def build_wire(item: Item, base: Wire | None) -> Wire:
    """Build a wire from its entry.

    Parameters
    ----------
    item : Item
        The entry.
    base : Wire or None
        The wire that the entry changes; None if it stands alone.

    Returns
    -------
    Wire
        The wire.

    Raises
    ------
    RuleDataError
        If a key is unknown, or a figure is absent or wrong.
    """
    valid = (*_TEXTS, "carries", "max_air_span", *WIRE_QUANTITIES)
    refuse_unknown(item.entry, valid, file=item.file, key=item.name)
    figures = _figures(item, WIRE_QUANTITIES, WIRE_OPTIONAL, base.figures if base else {})
    return Wire(
        name=item.name,
        title=_text(item, "title", base.title if base else None),
        construction=_text(item, "construction", base.construction if base else None),
        carries=_carries(item, base.carries if base else None),
        figures=figures,
        air_spans=_air_spans(item, base.air_spans if base else {}),
        file=item.file,
    )


def build_strand(item: Item, base: Strand | None) -> Strand:
    """Build a strand from its entry.

    Parameters
    ----------
    item : Item
        The entry.
    base : Strand or None
        The strand that the entry changes; None if it stands alone.

    Returns
    -------
    Strand
        The strand.

    Raises
    ------
    RuleDataError
        If a key is unknown, or a figure is absent or wrong.
    """
    valid = (*_TEXTS, "aliases", *STRAND_QUANTITIES)
    refuse_unknown(item.entry, valid, file=item.file, key=item.name)
    return Strand(
        name=item.name,
        title=_text(item, "title", base.title if base else None),
        construction=_text(item, "construction", base.construction if base else None),
        aliases=aliases_of(item),
        figures=_figures(item, STRAND_QUANTITIES, (), base.figures if base else {}),
        file=item.file,
    )


def aliases_of(item: Item) -> tuple[str, ...]:
    """Return the other names of an entry.

    Parameters
    ----------
    item : Item
        The entry.

    Returns
    -------
    tuple of str
        Aliases as written; none of those of its base.

    Raises
    ------
    RuleDataError
        If they are not a list of texts.
    """
    aliases = item.entry.get("aliases", [])
    if isinstance(aliases, list) and all(isinstance(alias, str) for alias in aliases):
        return tuple(aliases)
    where = f"{item.file} {item.name}.aliases"
    raise RuleDataError(where, f"is {aliases!r}, not a list of names", "Write ['6M', '5/16 UG']")


def _figures(
    item: Item,
    quantities: Mapping[str, str],
    optional: tuple[str, ...],
    base: Mapping[str, Figure],
) -> Mapping[str, Figure]:
    figures = dict(base)
    for name, quantity in quantities.items():
        if name in item.entry:
            figures[name] = _positive(item, item.entry[name], name, quantity)
        elif name not in figures and name not in optional:
            raise _missing(item, name)
    return MappingProxyType(figures)


def _air_spans(item: Item, base: Mapping[str, Figure]) -> Mapping[str, Figure]:
    """Read spans by district; the names of districts belong to the rule set, so any will do."""
    spans = dict(base)
    if "max_air_span" in item.entry:
        key = f"{item.name}.max_air_span"
        table = as_table(item.entry["max_air_span"], file=item.file, key=key)
        for district, entry in table.items():
            spans[district] = _positive(item, entry, f"max_air_span.{district}", "length")
    if ANY_DISTRICT not in spans:
        raise _missing(item, f"max_air_span.{ANY_DISTRICT}")
    return MappingProxyType(spans)


def _positive(item: Item, entry: object, name: str, quantity: str) -> Figure:
    """Read a figure that has to be above zero; only an expansion may be below."""
    key = f"{item.name}.{name}"
    figure = read_figure(entry, file=item.file, key=key, quantity=quantity)
    if figure.value_si <= 0 and quantity != "per_temperature":
        where = f"{item.file} {key}.value"
        raise RuleDataError(where, f"'{figure.printed}' is not above zero", "Correct the value")
    return figure


def _missing(item: Item, name: str) -> RuleDataError:
    key = f"{item.name}.{name}"
    remedy = f"Give [{key}] with value, document and status, or name a base"
    return RuleDataError(f"{item.file} {key}", "has no figure", remedy)


def _text(item: Item, name: str, default: str | None) -> str:
    return text_of(item.entry, name, file=item.file, key=item.name, default=default)


def _carries(item: Item, default: Carries | None) -> Carries:
    text = _text(item, "carries", default)
    try:
        return Carries(text)
    except ValueError as error:
        where = f"{item.file} {item.name}.carries"
        problem = f"'{text}' is not something a wire carries"
        raise RuleDataError(where, problem, nearest_name(text, list(Carries))) from error
