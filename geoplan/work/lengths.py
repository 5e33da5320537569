"""How much wire and hand line each drop takes.

Enters: planned drops, their air spans, settings.
Leaves: lengths by part, the length to cut, hand lines.
Does not do: put cuts on reels.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.crew_settings import Lengths
from geoplan.project import Project
from geoplan.store_settings import Supply
from geoplan.text_columns import joined, places, worded
from geoplan.units import say
from geoplan.work.clauses import chained, in_words
from geoplan.work.known_addresses import refuse_unknown_addresses

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

ROUNDING_M = 1e-6
"""A length that exceeds a step or stocked length by less is taken for it."""


def build_lengths(
    drops: pd.DataFrame,
    air_spans: gpd.GeoDataFrame,
    addresses: pd.Index,
    project: Project,
    over_street: BoolArray | None = None,
) -> pd.DataFrame:
    """Work out wire and hand line of each drop.

    Parameters
    ----------
    drops : pandas.DataFrame
        Columns as declared for ``drops``, n rows.
    air_spans : geopandas.GeoDataFrame
        The same drops' air spans, in the same order.
    addresses : pandas.Index of str
        Ids of all addresses, served or not.
    project : Project
        Settings; ``[lengths]`` and ``[supply]``.
    over_street : ndarray of bool, shape (n,), optional
        Air spans that are raised over a street; by default those that cross one.

    Returns
    -------
    pandas.DataFrame
        n rows: ``building_run_m``, ``air_arc_m``, ``strand_wire_m``, ``pole_run_m``,
        ``loops_m``, ``wire_m``, ``supply``, ``cut_length_m``, ``drawn_m``, ``coil_m``,
        ``coil_at``, ``cut_note``, ``ground_path_m``, ``hand_line_m``, ``hand_line_house_m``.

    Raises
    ------
    ProjectFileError
        If ``[lengths] building_runs`` names an address that isn't there.

    Notes
    -----
    Wire is building run, hanging wire at stringing, wire along the strand, pole run, loops and
    connections. The building run that isn't given is the way down from the attachment to the
    interface and the usual run along the wall. With the reel beyond the street the wire is cut
    only when it hangs: the building run and the way over the ground are off the reel by then,
    more than is cut where little wire is used at the terminal.
    """
    settings = project.lengths
    hook = drops["hook_height_m"].to_numpy(dtype=np.float64)
    building = _building_runs(drops, addresses, settings)
    strand = drops["strand_run_m"].to_numpy(dtype=np.float64) * (1 + settings.strand_extra)
    arc = drops["wire_arc_m"].to_numpy(dtype=np.float64)
    loops = settings.loops + settings.connections
    wire = building + arc + strand + settings.pole_run + loops
    crosses = drops["is_street_crossing"].to_numpy(dtype=bool)
    if over_street is not None:
        crosses = over_street
    ground_path = np.where(crosses, _ground_path(drops, air_spans), np.nan)
    before = np.where(_reel_is_beyond(drops, crosses), building + ground_path, np.nan)
    return pd.DataFrame(
        {
            "building_run_m": building,
            "air_arc_m": arc,
            "strand_wire_m": strand,
            "pole_run_m": np.full(len(drops), settings.pole_run),
            "loops_m": np.full(len(drops), loops),
            "wire_m": wire,
            **cut_columns(wire, before, project),
            "ground_path_m": ground_path,
            "hand_line_m": 2 * hook,
            "hand_line_house_m": np.where(crosses, hook, np.nan),
        }
    )


def _reel_is_beyond(drops: pd.DataFrame, over_street: BoolArray) -> BoolArray:
    """Tell which reels stand on the other side of a street than the house."""
    has_clamp = drops["strand_span_id"].notna().to_numpy(dtype=bool)
    crosses = drops["is_street_crossing"].to_numpy(dtype=bool)
    return np.where(has_clamp, crosses, over_street)


def cut_columns(wire_m: FloatArray, before_m: FloatArray, project: Project) -> dict[str, object]:
    """Say what to cut, or which stocked length to take, for the wire that is needed.

    Parameters
    ----------
    wire_m : ndarray of float64, shape (n,)
        Wire needed, m.
    before_m : ndarray of float64, shape (n,)
        Wire that is off the reel before it is raised and cut, m; NaN where it is cut first.
    project : Project
        Settings; ``[supply]``, ``[lengths] cut_step`` and ``too_long``.

    Returns
    -------
    dict of str to array
        ``supply``, ``cut_length_m``, ``drawn_m``, ``coil_m``, ``coil_at``, ``cut_note``. Where no
        stocked length is long enough and the settings don't let it be cut from a reel, the
        lengths are NaN and the note says by how much it is too long. What is drawn off a reel
        before the cut is never less than the cut; NaN for stocked lengths. The note also tells
        where either is longer than a full reel.
    """
    supply, settings = project.supply, project.lengths
    cut = stepped(wire_m, settings.cut_step)
    stocked, fits = next_stocked(wire_m, supply)
    buys = np.full(len(wire_m), supply.kind == "pre_connectorised")
    from_reel = buys & ~fits & (settings.too_long == "bulk")
    takes = buys & ~from_reel
    length = np.where(takes, stocked, cut)
    drawn = np.where(takes, np.nan, np.fmax(cut, before_m))
    coil = np.where(takes, stocked - wire_m, 0.0)
    return {
        "supply": worded(takes, ("bulk", "pre_connectorised")),
        "cut_length_m": length,
        "drawn_m": drawn,
        "coil_m": np.where(np.isnan(coil), np.nan, np.maximum(coil, 0.0)),
        "coil_at": worded(np.where(coil > ROUNDING_M, 0, -1), (supply.coil_at,)),
        "cut_note": chained(
            len(wire_m),
            [
                _beyond_stock(wire_m, buys & ~fits, from_reel, project),
                _beyond_reel(cut, drawn, project),
            ],
        ),
    }


def stepped(wire_m: FloatArray, step_m: float) -> FloatArray:
    """Round lengths up to whole steps.

    Parameters
    ----------
    wire_m : ndarray of float64, shape (n,)
        Lengths, m.
    step_m : float
        Step, m, > 0.

    Returns
    -------
    ndarray of float64, shape (n,)
        Never less than the length, but for `ROUNDING_M`.

    Examples
    --------
    >>> stepped(np.array([10.2, 11.0]), 1.0).tolist()
    [11.0, 11.0]
    """
    return np.asarray(np.ceil((wire_m - ROUNDING_M) / step_m) * step_m)


def next_stocked(wire_m: FloatArray, supply: Supply) -> tuple[FloatArray, BoolArray]:
    """Find the shortest stocked length that is long enough.

    Parameters
    ----------
    wire_m : ndarray of float64, shape (n,)
        Lengths needed, m.
    supply : Supply
        Settings.

    Returns
    -------
    length_m : ndarray of float64, shape (n,)
        NaN where none is long enough.
    fits : ndarray of bool, shape (n,)
        Whether there is one.
    """
    stocked = np.array(sorted(supply.stocked_lengths))
    place = np.searchsorted(stocked, wire_m - ROUNDING_M)
    return np.append(stocked, np.nan)[place], np.asarray(place < len(stocked))


def _building_runs(drops: pd.DataFrame, addresses: pd.Index, settings: Lengths) -> FloatArray:
    given = settings.building_runs
    refuse_unknown_addresses(given, addresses, "lengths.building_runs")
    high = drops["attachment_height_m"].to_numpy(dtype=np.float64)
    run = np.maximum(high - settings.interface_height, 0.0) + settings.wall_run
    place = places(drops["address_id"], list(given))
    own = np.array([*given.values(), np.nan])[place]
    return np.where(place >= 0, own, run)


def _ground_path(drops: pd.DataFrame, air_spans: gpd.GeoDataFrame) -> FloatArray:
    """Return the way from foot to foot along the ground, and up to the premises attachment.

    The wire is made fast at the house first. Ground between the feet counts as straight, so
    that it is the least that can be.
    """
    attachment = drops["attachment_height_m"].to_numpy(dtype=np.float64)
    start = air_spans["start_z_m"].to_numpy() - drops["hook_height_m"].to_numpy()
    end = air_spans["end_z_m"].to_numpy() - attachment
    span = drops["air_span_m"].to_numpy(dtype=np.float64)
    return np.asarray(np.hypot(span, np.nan_to_num(start - end)) + attachment)


def _beyond_stock(
    wire_m: FloatArray, is_long: BoolArray, from_reel: BoolArray, project: Project
) -> tuple[IntArray, Any]:
    """Say of wire that no stocked length is enough for what becomes of it."""
    rows = np.flatnonzero(is_long)
    longest = max(project.supply.stocked_lengths)
    return rows, joined(
        "needs ",
        in_words(wire_m[rows], "length", project.units),
        ", ",
        in_words(wire_m[rows] - longest, "length", project.units),
        " more than the longest stocked length; ",
        worded(
            from_reel[rows].astype(np.int64),
            ("no length to take: stock a longer one, or set lengths.too_long", "cut from a reel"),
        ),
    )


def _beyond_reel(cut_m: FloatArray, drawn_m: FloatArray, project: Project) -> tuple[IntArray, Any]:
    """Say by how much cuts, or what is drawn off before, are longer than a full reel."""
    reel = project.supply.reel_length
    rows = np.flatnonzero(drawn_m > reel + ROUNDING_M)
    by_cut = cut_m[rows] > reel + ROUNDING_M
    most = np.where(by_cut, cut_m[rows], drawn_m[rows])
    return rows, joined(
        worded(by_cut.astype(np.int64), ("wire out before raising ", "cut ")),
        in_words(most - reel, "length", project.units),
        f" longer than a full reel of {say(reel, 'length', project.units)}: on no reel; "
        "get it on a longer one",
    )
