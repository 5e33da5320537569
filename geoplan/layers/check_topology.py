"""Checks of how features lie to each other: what stands where it cannot, or is there twice.

Enters: checked layers by name, each indexed by its id, working coordinates, metres; spans.
Leaves: ids to set aside per layer, findings, rows set aside.
Does not do: change a layer; look at one value or one geometry alone (other checks do that).
"""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geoplan.layers.check_links import LINK_CHECKS, Frames
from geoplan.layers.check_overlap import (
    find_overlaps,
    find_same_outlines,
    first_of_each,
    have_shared_key,
)
from geoplan.layers.findings import (
    build_findings,
    build_set_aside,
    join_findings,
    join_set_aside,
)
from geoplan.layers.locate import locate_in_town
from geoplan.layers.town import Town
from geoplan.layers.wording import figures
from geoplan.project import Limits
from geoplan.tables import LAYERS, Severity

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
ObjectArray = npt.NDArray[np.object_]

SAME_POLE_M = 0.3
"""Poles closer than this are likely one pole. Common practice, no source."""
SAME_POINT_M = 1e-3
"""Coordinates that agree when rounded to this are one point. Common practice, no source."""
CENTROID_M = 0.1
"""An address this close to its lot's centroid was likely put there. Common practice, no source."""


def check_topology(
    frames: dict[str, gpd.GeoDataFrame],
    spans: gpd.GeoDataFrame,
    *,
    max_building_distance_m: float | None = None,
) -> tuple[dict[str, pd.Index], pd.DataFrame, pd.DataFrame]:
    """Find what does not fit together between and within layers.

    Parameters
    ----------
    frames : dict of str to GeoDataFrame
        Layers by name, with the columns of `geoplan.tables.LAYERS`, indexed by id; metres. A
        layer that was not brought is empty or missing; checks that need it find nothing.
    spans : GeoDataFrame
        Strand spans, as made by `geoplan.layers.strands.build_spans`.
    max_building_distance_m : float, optional
        As for `geoplan.layers.locate.locate_addresses`, m; by default that of the settings'
        defaults. Not used where ``addresses`` has ``building_id`` already.

    Returns
    -------
    set_aside_ids : dict of str to Index
        By layer: ids of the rows that should not be used; empty for most layers.
    findings : DataFrame
        As declared in `geoplan.tables`, sorted by its key.
    set_aside : DataFrame
        As declared in `geoplan.tables`, sorted by its key; one row per id to set aside.

    Notes
    -----
    Only a building with the very outline of another one is set aside (the smaller id stays);
    all other rows are kept and reported. The order of rows has no effect. Cost O(n log n), and
    linear in the pairs of neighbours.
    """
    town = Town({name: _layer(frames, name) for name in LAYERS} | {"spans": spans.sort_index()})
    if "building_id" not in town["addresses"]:
        reach = max_building_distance_m
        outlines = town["buildings"]
        copies = _same_outline_buildings(outlines)[0]
        parcel, building = locate_in_town(
            town.with_layer("buildings", outlines.drop(index=copies)),
            max_building_distance_m=Limits.model_validate({}).max_building_distance
            if reach is None
            else reach,
        )
        located = town["addresses"].assign(parcel_id=parcel, building_id=building)
        town.set_columns("addresses", located)
    copies, findings, set_aside = check_town(town)
    ids = {name: copies if name == "buildings" else town[name].index[:0] for name in frames}
    return ids, findings, set_aside


def check_town(town: Town) -> tuple[pd.Index, pd.DataFrame, pd.DataFrame]:
    """Find what does not fit together between and within the layers of a town.

    Parameters
    ----------
    town : Town
        All layers of `geoplan.tables.LAYERS` and ``spans``, each sorted by id; addresses have
        ``parcel_id`` and ``building_id``.

    Returns
    -------
    copies : Index
        Buildings that should not be used, as another one has their outline.
    findings, set_aside : DataFrame
        As from `check_topology`.
    """
    copies, set_aside = _same_outline_buildings(town["buildings"])
    if len(copies):
        town = town.with_layer("buildings", town["buildings"].drop(index=copies))
    findings = join_findings(
        check(town) for check in (*POINT_CHECKS, *LOCAL_CHECKS, *WIDE_CHECKS, *LINK_CHECKS)
    )
    return copies, findings, set_aside


def _layer(frames: Frames, name: str) -> gpd.GeoDataFrame:
    """Return a layer sorted by id, an empty one where it was not brought."""
    if name in frames:
        return frames[name].sort_index()
    declared = LAYERS[name]
    columns = {column.name: pd.Series(dtype="str") for column in declared.columns}
    empty = gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], index=pd.RangeIndex(0)))
    return empty.set_index(declared.id_column)


def _shapes(frame: gpd.GeoDataFrame) -> ObjectArray:
    shapes: ObjectArray = frame.geometry.to_numpy()
    return shapes


def _ids(frame: pd.DataFrame) -> ObjectArray:
    ids: ObjectArray = frame.index.to_numpy(dtype=object)
    return ids


def _same_outline_buildings(buildings: gpd.GeoDataFrame) -> tuple[pd.Index, pd.DataFrame]:
    """Set aside buildings whose outline is that of one with a smaller id."""
    first, is_copy = find_same_outlines(_shapes(buildings))
    copies = buildings[is_copy]
    names = _ids(buildings)
    return copies.index, tell_same_outline(_ids(copies), names[first[is_copy]], _shapes(copies))


def tell_same_outline(ids: ObjectArray, first: ObjectArray, shapes: ObjectArray) -> pd.DataFrame:
    """Set aside buildings with the outline of another one.

    Parameters
    ----------
    ids, first : ndarray of str, shape (n,)
        Of the building, and of the one that is kept.
    shapes : ndarray of polygons, shape (n,)
        Its outline.

    Returns
    -------
    DataFrame
        Rows set aside, code ``building_same_outline``.
    """
    set_aside = build_set_aside(
        layer="buildings",
        row_ids=ids,
        code="building_same_outline",
        reason="it has the same outline as building '" + first + "'",
        remedy="Remove one of the two, or merge their columns",
        geometry=shapes,
    )
    return join_set_aside([set_aside])


def _pole_in_building(town: Town) -> pd.DataFrame:
    poles, buildings = town["poles"], town["buildings"]
    points, shapes = _shapes(poles), _shapes(buildings)
    pole, building = town.around("poles", "buildings")
    outlines, which = np.unique(building, return_inverse=True)
    depth = shapely.distance(points[pole], shapely.boundary(shapes[outlines])[which])
    found, at = first_of_each(pole, building, -depth)
    return build_findings(
        layer="poles",
        row_ids=_ids(poles)[found],
        code="pole_in_building",
        severity=Severity.WARNING,
        reason="it stands in building '"
        + _ids(buildings)[building[at]]
        + "', "
        + figures(depth[at], 2)
        + " m from its edge",
        remedy="Correct the place of the pole or the outline of the building",
    )


def _pole_in_carriageway(town: Town) -> pd.DataFrame:
    return _in_carriageway(
        town, "poles", "pole_in_carriageway", "Correct its place, or the road's line or width"
    )


def _address_in_road(town: Town) -> pd.DataFrame:
    return _in_carriageway(
        town, "addresses", "address_in_road", "Move the point to the building it stands for"
    )


def _in_carriageway(town: Town, layer: str, code: str, remedy: str) -> pd.DataFrame:
    """Find points nearer to a centre-line than half the carriageway."""
    frame, roads = town[layer], town["roads"]
    half = np.nan_to_num(roads["width_m"].to_numpy(dtype=np.float64)) / 2.0
    points, lines = _shapes(frame), _shapes(roads)
    road, point = town.tree(layer).query(lines, predicate="dwithin", distance=half)
    away = shapely.distance(points[point], lines[road])
    is_inside = away < half[road]
    road, point, away = road[is_inside], point[is_inside], away[is_inside]
    found, at = first_of_each(point, road, away - half[road])
    return build_findings(
        layer=layer,
        row_ids=_ids(frame)[found],
        code=code,
        severity=Severity.WARNING,
        reason="it is in the carriageway of road '"
        + _ids(roads)[road[at]]
        + "', "
        + figures(away[at], 2)
        + " m from a centre-line with "
        + figures(half[road[at]], 2)
        + " m of carriageway on each side",
        remedy=remedy,
    )


def _address_outside_parcels(town: Town) -> pd.DataFrame:
    rows = rows_outside_parcels(town)
    nearest = nearest_shapes(_shapes(town["addresses"])[rows], town.tree("parcels"))
    return tell_outside_parcels(_ids(town["addresses"])[rows], _ids(town["parcels"]), *nearest)


def rows_outside_parcels(town: Town) -> IntArray:
    """Find addresses that no lot holds or touches, though their building may be on one.

    Parameters
    ----------
    town : Town
        Layers.

    Returns
    -------
    ndarray of intp
        Rows of addresses.
    """
    is_inside = np.zeros(len(town["addresses"]), dtype=bool)
    is_inside[town.around("addresses", "parcels")[0]] = True
    return np.flatnonzero(~is_inside)


def nearest_shapes(points: ObjectArray, tree: shapely.STRtree) -> tuple[IntArray, FloatArray]:
    """Find the nearest shape of each point, the first of several.

    Parameters
    ----------
    points : ndarray of points, shape (n,)
        Metres.
    tree : shapely.STRtree
        Of the shapes.

    Returns
    -------
    nearest : ndarray of intp, shape (n,)
        Row of the shape; -1 where there is none at all.
    away : ndarray of float64, shape (n,)
        Metres; infinite where there is none.
    """
    (row, match), gap = tree.query_nearest(points, return_distance=True, all_matches=True)
    found, at = first_of_each(row, match, gap)
    nearest, away = np.full(len(points), -1, dtype=np.intp), np.full(len(points), np.inf)
    nearest[found], away[found] = match[at], gap[at]
    return nearest, away


def tell_outside_parcels(
    ids: ObjectArray, parcel_ids: ObjectArray, nearest: IntArray, away: FloatArray
) -> pd.DataFrame:
    """Put addresses outside of all lots into findings.

    Parameters
    ----------
    ids : ndarray of str, shape (n,)
        Of the addresses.
    parcel_ids : ndarray of str
        Of all lots.
    nearest, away : ndarray, shape (n,)
        From `nearest_shapes`.

    Returns
    -------
    DataFrame
        Findings, code ``address_outside_parcels``.
    """
    words = np.full(len(ids), "; there is none", dtype=object)
    found = np.flatnonzero(nearest >= 0)
    words[found] = (
        "; the nearest, '"
        + parcel_ids[nearest[found]]
        + "', is "
        + figures(away[found], 2)
        + " m away"
    )
    return build_findings(
        layer="addresses",
        row_ids=ids,
        code="address_outside_parcels",
        severity=Severity.WARNING,
        reason="it is on no lot" + words,
        remedy="Move the point onto its lot, or add the lot",
    )


def _address_without_building(town: Town) -> pd.DataFrame:
    addresses, buildings = town["addresses"], town["buildings"]
    without = addresses[addresses["building_id"].isna().to_numpy() & (len(buildings) > 0)]
    _, away = nearest_shapes(_shapes(without), town.tree("buildings"))
    return tell_without_building(_ids(without), away)


def tell_without_building(ids: ObjectArray, away: FloatArray) -> pd.DataFrame:
    """Put addresses without a building of their own into findings.

    Parameters
    ----------
    ids : ndarray of str, shape (n,)
        Of the addresses.
    away : ndarray of float64, shape (n,)
        Distance of the nearest building, m.

    Returns
    -------
    DataFrame
        Findings, code ``address_without_building``.
    """
    return build_findings(
        layer="addresses",
        row_ids=ids,
        code="address_without_building",
        severity=Severity.WARNING,
        reason="no building of its own was found, the nearest of all is "
        + figures(away, 2)
        + " m away; the drop is attached at the address point",
        remedy="Add the building, or move the point to it",
    )


def _address_on_parcel_centroid(town: Town) -> pd.DataFrame:
    addresses, parcels = town["addresses"], town["parcels"]
    points, centroids = _shapes(addresses), shapely.centroid(_shapes(parcels))
    parcel, address = town.tree("addresses").query(
        centroids, predicate="dwithin", distance=CENTROID_M
    )
    found, at = first_of_each(address, parcel, shapely.distance(points[address], centroids[parcel]))
    return build_findings(
        layer="addresses",
        row_ids=_ids(addresses)[found],
        code="address_on_parcel_centroid",
        severity=Severity.NOTE,
        reason="it is at the centroid of lot '"
        + _ids(parcels)[parcel[at]]
        + "': probably geocoded to the lot's centre",
        remedy="Check that the building attached to is the right one",
    )


def _addresses_at_same_point(town: Town) -> pd.DataFrame:
    place = np.round(shapely.get_coordinates(town.shapes("addresses")) / SAME_POINT_M)
    shared = np.flatnonzero(have_shared_key(place))
    names = _ids(town["addresses"].iloc[shared])
    group = pd.Series(names, dtype=object).groupby([*place[shared].T])
    count = group.transform("size").to_numpy(dtype=np.intp)
    is_shared = count > 1
    first = group.transform("first").to_numpy(dtype=object)[is_shared]
    return build_findings(
        layer="addresses",
        row_ids=names[is_shared],
        code="addresses_at_same_point",
        severity=Severity.NOTE,
        reason=figures(count[is_shared], 0)
        + " addresses share this point, the first is '"
        + first
        + "'",
        remedy="Check that they are one building with several addresses",
    )


def _poles_too_close(town: Town) -> pd.DataFrame:
    """Find poles very near one with a smaller id; those at one point count once in the search."""
    poles = town["poles"]
    points = _shapes(poles)
    place, which = np.unique(shapely.get_coordinates(points), axis=0, return_inverse=True)
    which = which.reshape(-1)
    first = np.full(len(place), len(points), dtype=np.intp)
    np.minimum.at(first, which, np.arange(len(points), dtype=np.intp))
    spots = shapely.points(place)
    left, right = shapely.STRtree(spots).query(spots, predicate="dwithin", distance=SAME_POLE_M)
    copy = np.flatnonzero(first[which] != np.arange(len(points)))
    row = np.concatenate([copy, first[left]])
    match = np.concatenate([first[which[copy]], first[right]])
    is_later = row > match
    row, match = row[is_later], match[is_later]
    away = shapely.distance(points[row], points[match])
    is_near = away < SAME_POLE_M
    row, match, away = row[is_near], match[is_near], away[is_near]
    found, at = first_of_each(row, match, away)
    return build_findings(
        layer="poles",
        row_ids=_ids(poles)[found],
        code="poles_too_close",
        severity=Severity.WARNING,
        reason="it is "
        + figures(away[at], 2)
        + " m from pole '"
        + _ids(poles)[match[at]]
        + f"', less than {SAME_POLE_M:.2f} m: likely one pole twice",
        remedy="Remove one of the two, and add its terminal to the other",
    )


OVERLAPS = {
    "parcels": (
        Severity.WARNING,
        "Correct the outlines; until then the smaller lot counts where two overlap",
    ),
    "buildings": (Severity.NOTE, "Correct the outlines, or merge the parts of one building"),
}
"""How grave an overlap within a layer is, and what to do about it."""


def _parcels_overlap(town: Town) -> pd.DataFrame:
    return find_overlaps(town, "parcels", *OVERLAPS["parcels"])


def _buildings_overlap(town: Town) -> pd.DataFrame:
    return find_overlaps(town, "buildings", *OVERLAPS["buildings"])


Checks = tuple[Callable[[Town], pd.DataFrame], ...]
POINT_CHECKS: Checks = (
    _pole_in_carriageway,
    _poles_too_close,
    _address_in_road,
    _addresses_at_same_point,
)
"""Checks that look at no outlines."""
LOCAL_CHECKS: Checks = (_pole_in_building, _address_on_parcel_centroid)
"""Checks of points with the outlines around them."""
WIDE_CHECKS: Checks = (
    _address_outside_parcels,
    _address_without_building,
    _parcels_overlap,
    _buildings_overlap,
)
"""Checks that look for the nearest outline, however far, or compare outlines with each other."""
