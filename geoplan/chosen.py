"""The choice with all it was made from, and what its routes look like.

Enters: the search, the assignment, the air spans worked out in full.
Leaves: `Chosen`; columns and lines of routes by row.
Does not do: decide anything.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.candidates import Found, PairRules
from geoplan.choice.cost import CENTS
from geoplan.choice.solve import Assignment, Ports
from geoplan.clearance.final import Final
from geoplan.clearance.supports import Ends
from geoplan.model import Layers
from geoplan.plant import Plant
from geoplan.routes.air_spans import BASIS_NAMES
from geoplan.routes.crossings import Crossings
from geoplan.routes.graph import Reach
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.tables import RouteKind
from geoplan.text_columns import texts, worded

ObjectArray = npt.NDArray[np.object_]
KIND_NAMES = (
    RouteKind.DIRECT.value,
    RouteKind.SPAN_CLAMP.value,
    RouteKind.OTHER_POLE.value,
    RouteKind.OTHER_POLE_SPAN_CLAMP.value,
)


@dataclass(frozen=True)
class Recalled:
    """Routes after crossings of planned drops were undone."""

    route: IntArray
    """Route of each address; -1 where unserved."""
    crossings_before: int
    crossings_after: int
    cents: int
    changed: int


@dataclass(frozen=True)
class Meetings:
    """Where planned drops cross, one row for each drop of a pair, sorted by address."""

    address: IntArray
    other: IntArray
    """Address of the drop that is crossed."""
    at_m: FloatArray
    """Distance from the start of the air span."""
    angle_deg: FloatArray
    x: FloatArray
    y: FloatArray

    def between(self, first: int, last: int) -> Meetings:
        """Return the rows of the addresses from `first` up to `last`, that one not included."""
        low, high = np.searchsorted(self.address, [first, last]).tolist()
        return Meetings(*(getattr(self, field.name)[low:high] for field in fields(self)))


@dataclass(frozen=True)
class Whole:
    """What the tables of a part of the addresses tell of the whole region."""

    load: IntArray
    """Ports taken at each terminal, by row of pole."""
    reserve_ports: IntArray
    """Reserved ports that each address takes."""
    drops_on_span: IntArray
    """Planned drops that hang from each strand span."""
    meetings: Meetings


@dataclass(frozen=True)
class Chosen:
    """Everything the tables are made from, of all addresses or of a part of them."""

    plant: Plant
    found: Found
    assignment: Assignment
    ports: Ports
    recalled: Recalled
    air_rows: IntArray
    """Air span of each served address."""
    crossing_rows: IntArray
    """Rows of `crossings` in `found.crossings`."""
    crossings: Crossings
    """What the planned air spans meet; ``air`` counts the served addresses."""
    ends: Ends
    final: Final
    whole: Whole
    """Of the region; its meetings are those of these addresses."""
    unserved: IntArray
    """Rows of these addresses that have no route."""

    @property
    def index(self) -> PlantIndex:
        """Layers by row number."""
        return self.plant.index

    @property
    def reach(self) -> Reach:
        """Runs along the strand."""
        return self.plant.reach

    @property
    def rules(self) -> PairRules:
        """Locked and forbidden pairs."""
        return self.plant.rules

    @property
    def route(self) -> IntArray:
        """Route of each address; -1 where unserved."""
        return self.recalled.route

    @property
    def served(self) -> IntArray:
        """Rows of served addresses."""
        return np.flatnonzero(self.route >= 0).astype(np.int64)

    @property
    def load(self) -> IntArray:
        """Ports taken at each terminal, by row of pole."""
        return self.whole.load


def ids(index: pd.Index, rows: IntArray) -> Any:
    """Return the ids of rows.

    Parameters
    ----------
    index : pandas.Index of str
        Ids of a layer.
    rows : ndarray of int64, shape (n,)
        Rows of it; -1 for none.

    Returns
    -------
    pandas array of str, shape (n,)
        Ids; null for -1.
    """
    return texts(index).take(rows, allow_fill=True)


def route_columns(chosen: Chosen, layers: Layers, rows: IntArray) -> dict[str, Any]:
    """Return the columns that tell of routes.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    layers : Layers
        Checked layers.
    rows : ndarray of int64, shape (n,)
        Rows of the routes.

    Returns
    -------
    dict of str to ndarray, each of shape (n,)
        Named as declared for ``drops`` and ``alternatives``.
    """
    routes, air, reach = chosen.found.routes, chosen.found.air, chosen.reach
    row, label = routes.air[rows], routes.reach[rows]
    clamp = air.span[row] >= 0
    length = air.take(row).length_m
    run = reach.run_m[label] + routes.side_m[rows]
    passed = reach.spans_passed[label]
    over_street = chosen.found.crossings.over_streets(len(air))
    return {
        "address_id": ids(layers.addresses.index, routes.address[rows]),
        "terminal_id": ids(layers.poles.index, routes.terminal[rows]),
        "route_kind": worded(clamp + 2 * (passed > 0), KIND_NAMES),
        "is_street_crossing": over_street[row],
        "access_pole_id": ids(layers.poles.index, reach.pole[label]),
        "strand_span_id": ids(layers.spans.index, air.span[row]),
        "clamp_at_m": np.where(clamp, routes.side_m[rows], np.nan),
        "air_span_m": length,
        "strand_run_m": run,
        "route_m": run + length,
        "spans_passed": passed,
        "attachment_basis": worded(air.basis[row], BASIS_NAMES),
        "building_id": ids(layers.buildings.index, air.building[row]),
        "wall_angle_deg": air.wall_angle_deg[row],
        "cost": routes.cents[rows] / CENTS,
    }


def route_lines(chosen: Chosen, rows: IntArray) -> ObjectArray:
    """Draw routes from the terminal along the strand to the attachment.

    Parameters
    ----------
    chosen : Chosen
        The choice and what it was made from.
    rows : ndarray of int64, shape (n,)
        Rows of the routes.

    Returns
    -------
    ndarray of shapely LineString, shape (n,)
        In the working CRS.
    """
    index, reach, air = chosen.index, chosen.reach, chosen.found.air
    routes = chosen.found.routes
    number = np.arange(len(rows), dtype=np.int64)
    row = routes.air[rows]
    points = [(number, np.full(len(rows), 2), air.ex[row], air.ey[row])]
    clamp = np.flatnonzero(air.span[row] >= 0)
    points.append((clamp, np.full(len(clamp), 1), air.sx[row[clamp]], air.sy[row[clamp]]))
    label, who, step = routes.reach[rows], number, 0
    while len(label):
        pole = reach.pole[label]
        points.append((who, np.full(len(who), -step), index.pole_x[pole], index.pole_y[pole]))
        label = reach.previous[label]
        who, label = who[label >= 0], label[label >= 0]
        step += 1
    drop, place, x, y = (np.concatenate(column) for column in zip(*points, strict=True))
    order = np.lexsort((place, drop))
    return np.asarray(
        shapely.linestrings(np.stack([x, y], axis=1)[order], indices=drop[order]), dtype=object
    )
