"""Checks of what names or joins what: ports, terminals named elsewhere, the strand network.

Enters: all layers by name, sorted by id, and ``spans`` among them.
Leaves: findings; every row is kept.
Does not do: change a layer; look at places (`check_topology` does).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geoplan.layers.findings import build_findings
from geoplan.layers.wording import figures
from geoplan.tables import Basis, Severity

IntArray = npt.NDArray[np.intp]
ObjectArray = npt.NDArray[np.object_]
Frames = Mapping[str, gpd.GeoDataFrame]
Check = Callable[[Frames], pd.DataFrame]


def _ids(frame: pd.DataFrame) -> ObjectArray:
    ids: ObjectArray = frame.index.to_numpy(dtype=object)
    return ids


def _ports(poles: gpd.GeoDataFrame) -> tuple[npt.NDArray[Any], ...]:
    """Return ports in all, in use and reserved; null counts as none."""
    names = ("ports_total", "ports_in_use", "ports_reserved")
    return tuple(np.nan_to_num(poles[name].to_numpy(dtype=np.float64)) for name in names)


def _terminal_ids(poles: gpd.GeoDataFrame) -> pd.Index:
    terminals: pd.Index = poles.index[_ports(poles)[0] > 0]
    return terminals


def _ports_in_use_exceed_total(town: Frames) -> pd.DataFrame:
    total, in_use, _ = _ports(town["poles"])
    is_over = in_use > total
    return build_findings(
        layer="poles",
        row_ids=_ids(town["poles"])[is_over],
        code="ports_in_use_exceed_total",
        severity=Severity.WARNING,
        reason=figures(in_use[is_over], 0)
        + " ports in use of "
        + figures(total[is_over], 0)
        + ": no free port",
        remedy="Correct ports_total or ports_in_use",
    )


def _ports_reserved_exceed_free(town: Frames) -> pd.DataFrame:
    total, in_use, reserved = _ports(town["poles"])
    is_over = (in_use <= total) & (in_use + reserved > total)
    return build_findings(
        layer="poles",
        row_ids=_ids(town["poles"])[is_over],
        code="ports_reserved_exceed_free",
        severity=Severity.WARNING,
        reason=figures(reserved[is_over], 0)
        + " ports reserved, but only "
        + figures((total - in_use)[is_over], 0)
        + " of "
        + figures(total[is_over], 0)
        + " not in use: no free port but from the reserve",
        remedy="Correct ports_reserved, ports_in_use or ports_total",
    )


def _is_among(named: pd.Series | ObjectArray, ids: pd.Index) -> npt.NDArray[np.bool_]:
    """Return whether each name is one of some unique ids; quicker than `isin` for text."""
    is_among: npt.NDArray[np.bool_] = ids.get_indexer(pd.Index(named, dtype="str")) >= 0
    return is_among


def _what_is_wrong(named: ObjectArray, poles: gpd.GeoDataFrame) -> ObjectArray:
    """Say for each named terminal that no pole, or no terminal, is there."""
    is_pole = _is_among(named, poles.index)
    words: ObjectArray = np.where(
        is_pole, "pole '" + named + "' has no terminal", "there is no pole '" + named + "'"
    )
    return words


def _not_terminals(frame: gpd.GeoDataFrame, column: str, poles: gpd.GeoDataFrame) -> pd.Series:
    """Return the ids in a column that are not those of terminals."""
    named = frame[column].dropna()
    wrong: pd.Series = named[~_is_among(named, _terminal_ids(poles))]
    return wrong


def _drop_terminal_unknown(town: Frames) -> pd.DataFrame:
    wrong = _not_terminals(town["existing_drops"], "terminal_id", town["poles"])
    return build_findings(
        layer="existing_drops",
        row_ids=wrong.index.to_numpy(dtype=object),
        code="drop_terminal_unknown",
        severity=Severity.WARNING,
        reason=_what_is_wrong(wrong.to_numpy(dtype=object), town["poles"]),
        remedy="Correct terminal_id of the drop, or add the terminal",
    )


def _locked_terminal_unknown(town: Frames) -> pd.DataFrame:
    wrong = _not_terminals(town["addresses"], "locked_terminal_id", town["poles"])
    return build_findings(
        layer="addresses",
        row_ids=wrong.index.to_numpy(dtype=object),
        code="locked_terminal_unknown",
        severity=Severity.WARNING,
        reason=_what_is_wrong(wrong.to_numpy(dtype=object), town["poles"])
        + "; as it is locked to it, the address cannot be served",
        remedy="Correct or empty locked_terminal_id, or add the terminal",
    )


def _forbidden(addresses: gpd.GeoDataFrame) -> pd.Series:
    """Return one row per forbidden terminal, by address."""
    lists = addresses["forbidden_terminal_ids"].dropna().astype("str")
    each = lists.str.split(";").explode().astype("str").str.strip()
    named: pd.Series = each[(each != "").to_numpy(dtype=bool)]
    return named


def _forbidden_terminal_unknown(town: Frames) -> pd.DataFrame:
    each = _forbidden(town["addresses"])
    wrong = each[~_is_among(each, town["poles"].index)]
    text = wrong.sort_values().groupby(level=0).agg(lambda ids: "', '".join(dict.fromkeys(ids)))
    return build_findings(
        layer="addresses",
        row_ids=text.index.to_numpy(dtype=object),
        code="forbidden_terminal_unknown",
        severity=Severity.WARNING,
        reason="forbidden_terminal_ids names '"
        + text.to_numpy(dtype=object)
        + "', which no pole is called; it has no effect",
        remedy="Correct forbidden_terminal_ids; ids are split by ';'",
    )


def _locked_terminal_forbidden(town: Frames) -> pd.DataFrame:
    each = _forbidden(town["addresses"])
    locked = town["addresses"]["locked_terminal_id"].reindex(each.index)
    both = each[(each.to_numpy(dtype=object) == locked.to_numpy(dtype=object))]
    both = both[~both.index.duplicated()]
    return build_findings(
        layer="addresses",
        row_ids=both.index.to_numpy(dtype=object),
        code="locked_terminal_forbidden",
        severity=Severity.WARNING,
        reason="it is locked to terminal '"
        + both.to_numpy(dtype=object)
        + "', which is forbidden to it too; the address cannot be served",
        remedy="Take the terminal out of one of the two columns",
    )


def _off_strand(town: Frames) -> tuple[gpd.GeoDataFrame, npt.NDArray[np.bool_]]:
    """Return poles without a span, where strands were brought, and which have a terminal."""
    poles, spans = town["poles"], town["spans"]
    is_on = np.zeros(len(poles), dtype=bool)
    for end in ("from_pole_id", "to_pole_id"):
        place = poles.index.get_indexer(spans[end])
        is_on[place[place >= 0]] = True
    is_off = ~is_on & (len(town["strands"]) > 0)
    return poles[is_off], (_ports(poles)[0] > 0)[is_off]


def _pole_isolated(town: Frames) -> pd.DataFrame:
    poles, is_terminal = _off_strand(town)
    return build_findings(
        layer="poles",
        row_ids=_ids(poles)[~is_terminal],
        code="pole_isolated",
        severity=Severity.NOTE,
        reason="no strand comes to it, and it has no terminal: it is of no use to a drop",
        remedy="Check the strand there, or strands.snap_tolerance",
    )


def _terminal_off_strand(town: Frames) -> pd.DataFrame:
    poles, is_terminal = _off_strand(town)
    return build_findings(
        layer="poles",
        row_ids=_ids(poles)[is_terminal],
        code="terminal_off_strand",
        severity=Severity.NOTE,
        reason="it has a terminal but no strand comes to it: only direct drops leave from it",
        remedy="Check the strand there, or strands.snap_tolerance",
    )


def _strand_piece_without_terminal(town: Frames) -> pd.DataFrame:
    """Find connected strand without any terminal, named by the first span of the piece."""
    poles, spans = town["poles"], town["spans"]
    is_known = _is_among(spans["from_pole_id"], poles.index)
    is_known &= _is_among(spans["to_pole_id"], poles.index)
    is_measured = (spans["strand_basis"] == Basis.MEASURED.value).to_numpy(dtype=bool)
    spans = spans[is_known & is_measured]
    start = poles.index.get_indexer(spans["from_pole_id"])
    end = poles.index.get_indexer(spans["to_pole_id"])
    size = len(poles)
    links = coo_array((np.ones(len(spans), dtype=np.int8), (start, end)), shape=(size, size))
    count, piece = connected_components(links, directed=False) if size else (0, start)
    has_terminal = np.zeros(count, dtype=bool)
    has_terminal[piece[_ports(poles)[0] > 0]] = True
    without = spans[~has_terminal[piece[start]]]
    piece_of_span = piece[start][~has_terminal[piece[start]]]
    group = without["length_m"].groupby(piece_of_span)
    summary = pd.DataFrame({"spans": group.size(), "length_m": group.sum()})
    names = without.index.to_series().groupby(piece_of_span).first()
    poles_in = np.bincount(piece, minlength=count)[summary.index.to_numpy(dtype=np.intp)]
    return build_findings(
        layer="strands",
        row_ids=names.to_numpy(dtype=object),
        code="strand_piece_without_terminal",
        severity=Severity.NOTE,
        reason=figures(summary["spans"].to_numpy(), 0)
        + " joined spans between "
        + figures(poles_in, 0)
        + " poles, "
        + figures(summary["length_m"].to_numpy(), 1)
        + " m in all, with no terminal: no drop can run along them",
        remedy="Check whether a span is missing, or plan a terminal there",
    )


LINK_CHECKS: tuple[Check, ...] = (
    _ports_in_use_exceed_total,
    _ports_reserved_exceed_free,
    _drop_terminal_unknown,
    _locked_terminal_unknown,
    _locked_terminal_forbidden,
    _forbidden_terminal_unknown,
    _pole_isolated,
    _terminal_off_strand,
    _strand_piece_without_terminal,
)
"""Checks of names and joins; each takes all layers and returns its findings."""
