"""The one reader of rule, wire and strand files.

Enters: the name of a built-in set, wire or strand, or the user's own TOML.
Leaves: frozen `RuleSet`, `Wire` and `Strand` objects, checked key by key.
Does not do: let an unknown key pass, or keep anything between calls but the package's own files.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from geoplan.errors import RuleDataError, nearest_name
from geoplan.rules.catalogue import Item, aliases_of, build_strand, build_wire
from geoplan.rules.figures import Entry, as_table, refuse_unknown, text_of
from geoplan.rules.keys import declared_keys
from geoplan.rules.rule_set import NotCovered, RuleSet
from geoplan.rules.sections import (
    SECTIONS,
    check_complete,
    check_not_covered_key,
    is_covered,
    read_sections,
)
from geoplan.rules.toml_files import package_file, parse_toml
from geoplan.rules.wires import Strand, Wire

_ABOUT: Final = ("title", "jurisdiction", "edition_note", "caution")
_TOP_KEYS: Final = ("name", *_ABOUT, "base", "districts", "covers_not", *SECTIONS)
_WIRES: Final = "wires.toml"
_STRANDS: Final = "strands.toml"
_EXTRA: Final = "project"


def available_rule_sets() -> tuple[str, ...]:
    """List the built-in rule sets.

    Returns
    -------
    tuple of str
        Names in alphabetical order.
    """
    names = (item.name for item in package_file("rulesets").iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def available_wires(extra: Mapping[str, object] | None = None) -> tuple[str, ...]:
    """List the wires that can be loaded.

    Parameters
    ----------
    extra : mapping of str to object, optional
        The user's own wires, as for `load_wire`.

    Returns
    -------
    tuple of str
        Names in alphabetical order.
    """
    return tuple(sorted({*_built_in(_WIRES), *(extra or {})}))


def available_strands(extra: Mapping[str, object] | None = None) -> tuple[str, ...]:
    """List the strands that can be loaded.

    Parameters
    ----------
    extra : mapping of str to object, optional
        The user's own strands, as for `load_strand`.

    Returns
    -------
    tuple of str
        Names in alphabetical order.
    """
    return tuple(sorted({*_built_in(_STRANDS), *(extra or {})}))


def load_rule_set(name_or_path: str | Path) -> RuleSet:
    """Load a built-in rule set, or a user's file that changes one.

    Parameters
    ----------
    name_or_path : str or Path
        A name from `available_rule_sets`, or the path of a ``.toml`` file. A file with
        ``base = "us"`` needs only `name` and the figures that it changes.

    Returns
    -------
    RuleSet
        The rule set, complete enough to plan with.

    Raises
    ------
    RuleDataError
        If the set or file isn't there, is not TOML, holds an unknown key, or lacks a figure.
    """
    if isinstance(name_or_path, Path) or name_or_path.endswith(".toml"):
        path = Path(name_or_path)
        return _read_rule_set(parse_toml(path, str(path)), str(path))
    return _read_built_in(name_or_path, f"rule set '{name_or_path}'")


def load_wire(name: str, extra: Mapping[str, object] | None = None, *, file: str = _EXTRA) -> Wire:
    """Load a drop wire.

    Parameters
    ----------
    name : str
        A name from `available_wires`.
    extra : mapping of str to object, optional
        The user's own wires: tables by name, of the same form as in ``wires.toml``. An entry
        with ``base = "<built-in wire>"`` needs only the figures that it changes. It hides a
        built-in wire of the same name.
    file : str
        Where `extra` comes from, for messages.

    Returns
    -------
    Wire
        The wire with its figures.

    Raises
    ------
    RuleDataError
        If there is no such wire, or its entry is incomplete or holds an unknown key.
    """
    item = _find_item(name, _WIRES, extra, file)
    base = _base_name(item)
    return build_wire(item, None if base is None else load_wire(base))


def load_strand(
    name: str, extra: Mapping[str, object] | None = None, *, file: str = _EXTRA
) -> Strand:
    """Load a strand.

    Parameters
    ----------
    name : str
        A name from `available_strands`, or one of its aliases (without regard to case, spaces
        and inch marks).
    extra : mapping of str to object, optional
        The user's own strands, as for `load_wire`.
    file : str
        Where `extra` comes from, for messages.

    Returns
    -------
    Strand
        The strand with its figures.

    Raises
    ------
    RuleDataError
        If there is no such strand, or its entry is incomplete or holds an unknown key.
    """
    item = _find_item(_strand_name(name, extra, file), _STRANDS, extra, file)
    base = _base_name(item)
    return build_strand(item, None if base is None else load_strand(base))


def _read_built_in(name: str, where: str) -> RuleSet:
    if name not in available_rule_sets():
        hint = nearest_name(name, available_rule_sets())
        problem = f"'{name}' is not a built-in rule set"
        raise RuleDataError(where, problem, f"{hint} Or give the path of a .toml file")
    file = f"{name}.toml"
    return _read_rule_set(_built_in(f"rulesets/{file}"), file)


def _read_rule_set(document: Entry, file: str) -> RuleSet:
    refuse_unknown(document, _TOP_KEYS, file=file, key="")
    base: RuleSet | None = None
    if "base" in document:
        base = _read_built_in(text_of(document, "base", file=file, key=""), f"{file} base")
    districts = _districts(document, base, file)
    figures = {
        **(base.figures if base else {}),
        **read_sections(document, districts, file),
    }
    check_complete(figures, districts, file)
    about = {
        name: text_of(
            document, name, file=file, key="", default=getattr(base, name) if base else None
        )
        for name in _ABOUT
    }
    return RuleSet(
        name=text_of(document, "name", file=file, key=""),
        file=file,
        base=base.name if base else "",
        districts=districts,
        figures=MappingProxyType(figures),
        not_covered=_not_covered(document, base, tuple(figures), districts, file),
        **about,
    )


def _districts(document: Entry, base: RuleSet | None, file: str) -> tuple[str, ...]:
    """Return the districts of the base, then those that the file adds."""
    added = document.get("districts", [])
    if not isinstance(added, list) or not all(isinstance(name, str) for name in added):
        remedy = "Write a list such as ['heavy', 'light']"
        where = f"{file} districts"
        raise RuleDataError(where, f"is {added!r}, not a list of names", remedy)
    return tuple(dict.fromkeys((*(base.districts if base else ()), *added)))


def _not_covered(
    document: Entry,
    base: RuleSet | None,
    figures: tuple[str, ...],
    districts: tuple[str, ...],
    file: str,
) -> tuple[NotCovered, ...]:
    """Return what is not covered, without what the file's own figures have mended."""
    declared = declared_keys(districts)
    table = as_table(document.get("covers_not", {}), file=file, key="covers_not")
    items = {item.key: item for item in (base.not_covered if base else ())}
    for key in table:
        check_not_covered_key(key, declared, file)
        items[key] = NotCovered(key, text_of(table, key, file=file, key="covers_not"))
    kept = []
    for item in items.values():
        below = [name for name in declared if name == item.key or name.startswith(f"{item.key}.")]
        if not all(is_covered(name, figures) for name in below or [item.key]):
            kept.append(item)
    return tuple(kept)


def _find_item(name: str, built_in: str, extra: Mapping[str, object] | None, file: str) -> Item:
    if extra is not None and name in extra:
        return Item(name, as_table(extra[name], file=file, key=name), file, is_built_in=False)
    items = _built_in(built_in)
    if name not in items:
        hint = nearest_name(name, {*items, *(extra or {})})
        what = built_in.removesuffix("s.toml")
        remedy = f"{hint} Or define your own"
        where = f"{what} '{name}'"
        raise RuleDataError(where, f"is not a known {what}", remedy)
    entry = as_table(items[name], file=built_in, key=name)
    return Item(name, entry, built_in, is_built_in=True)


def _strand_name(text: str, extra: Mapping[str, object] | None, file: str) -> str:
    """Return the name behind an alias; the text itself if it is none. The user's own come first."""
    wanted = _plain(text)
    built_in = _built_in(_STRANDS)
    for entries, source in ((extra or {}, file), (built_in, _STRANDS)):
        for name, entry in entries.items():
            table = as_table(entry, file=source, key=name)
            item = Item(name, table, source, is_built_in=entries is built_in)
            if wanted in {_plain(alias) for alias in (name, *aliases_of(item))}:
                return name
    return text


def _plain(text: str) -> str:
    return "".join(text.casefold().replace("in", "").split()).replace('"', "")


def _base_name(item: Item) -> str | None:
    if "base" not in item.entry:
        return None
    if item.is_built_in:
        remedy = "Give every figure of a built-in entry"
        where = f"{item.file} {item.name}.base"
        raise RuleDataError(where, "is not allowed here", remedy)
    return text_of(item.entry, "base", file=item.file, key=item.name)


@lru_cache(maxsize=16)
def _built_in(name: str) -> Entry:
    """Return one of the package's own files, parsed once; nobody may change it."""
    return parse_toml(package_file(name), name.rpartition("/")[2])
