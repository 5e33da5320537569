"""New addresses of the demo town, and the cases that the town was laid out to show.

Enters: ground and plant of the town.
Leaves: address rows in local metres, and the ids of the addresses behind each case.
Does not do: plan; broken rows (see ``demo_messy``); files.
"""

from __future__ import annotations

import numpy as np
from demo_ground import Ground, Lot, dig_pool
from demo_plant import Plant, lots_along
from demo_streets import Row
from shapely import LineString, Point, Polygon
from shapely.ops import nearest_points

Cases = dict[str, list[str]]

SIDE_OF_POLES = {
    "Q": ("Quorrel Street/north", "Quorrel Street/south"),
    "T": ("Tindlebar Street/south", "Tindlebar Street/north"),
    "M": ("Ombrel Street/north", "Ombrel Street/south"),
    "W": ("Wexom Street/north", "Wexom Street/south"),
}


def make_addresses(ground: Ground, rng: np.random.Generator) -> list[Row]:
    """Return one address per lot without service, two on some lots.

    Parameters
    ----------
    ground : Ground
        Lots with houses; ``extra["address_id"]`` of each lot is filled.
    rng : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    list of dict
        Rows in local metres.
    """
    rows: list[Row] = []
    new = [lot for lot in ground.lots if lot.use == "new"]
    pairs = {lot.parcel_id for lot in new[17::29]}
    for lot in new:
        lot.extra["address_id"] = f"A{len(rows) + 1:03d}"
        spot = rng.random()
        point = lot.house.representative_point()
        if spot < 0.1:
            point = lot.outline.centroid
        elif spot < 0.2:
            point = Point(lot.place(lot.width_m / 2, 4.0))
        rows.append(_address(len(rows), lot.label, point))
        if lot.parcel_id in pairs:
            rows.append(_address(len(rows), f"{lot.label}, Unit B", lot.house.centroid))
    return rows


def _address(count: int, label: str, point: Point) -> Row:
    return {
        "address_id": f"A{count + 1:03d}",
        "label": label,
        "ports_needed": "1",
        "locked": "",
        "forbidden": "",
        "geometry": point,
    }


def find_cases(ground: Ground, plant: Plant) -> Cases:
    """Return the addresses at which the layout favours each kind of route.

    Parameters
    ----------
    ground : Ground
        Lots with houses and address ids.
    plant : Plant
        Poles with terminals.

    Returns
    -------
    dict
        For each case its address ids; what a plan really picks depends on ports.
    """
    cases: Cases = {}
    for code, zones in SIDE_OF_POLES.items():
        for zone, prefix in zip(zones, ("", "street crossing, "), strict=True):
            for lot in lots_along(ground.lots, zone):
                kind = _favoured(lot, plant, plant.lines[code])
                if kind:
                    cases.setdefault(prefix + kind, []).append(lot.extra["address_id"])
    for zone in ("rail", "highway", "far", "stub", "creek", "court"):
        cases[zone] = [lot.extra["address_id"] for lot in lots_along(ground.lots, zone)]
    avenue = lots_along(ground.lots, "Grandle Avenue/north")
    cases["avenue"] = [lot.extra["address_id"] for lot in avenue]
    return {name: ids[:6] if len(ids) > 12 else ids for name, ids in sorted(cases.items())}


def _favoured(lot: Lot, plant: Plant, line: list[str]) -> str:
    """Say which kind of route the house's place along the pole line favours."""
    x = lot.house.centroid.x
    xs = np.array([plant.point(pole_id).x for pole_id in line])
    has = np.array([plant.pole(pole_id)["ports_total"] > 0 for pole_id in line])
    near = int(np.argmin(np.abs(xs - x)))
    if abs(xs[near] - x) < 5.0:
        if has[near]:
            return "direct"
        beside = has[max(near - 1, 0) : near + 2].any()
        return "other_pole" if beside else ""
    after = int(np.searchsorted(xs, x))
    if not 0 < after < len(xs):
        return ""
    a, b = after - 1, after
    if not 0.38 < (x - xs[a]) / (xs[b] - xs[a]) < 0.62:
        return ""
    if has[a] or has[b]:
        return "span_clamp"
    beyond = has[max(a - 1, 0)] or has[min(b + 1, len(xs) - 1)]
    return "other_pole_span_clamp" if beyond else ""


def add_obstacles(ground: Ground, plant: Plant) -> Cases:
    """Put crowns, carports and slanting old drops in the way of some houses.

    Parameters
    ----------
    ground : Ground
        Gets the trees and carports.
    plant : Plant
        Gets the old drops.

    Returns
    -------
    dict
        Cases with entries ``feature (address_id)``.
    """
    cases: Cases = {"small crown": [], "large crown": [], "carport": [], "old drop": []}
    cases["near pool"] = _add_near_pools(ground, plant)
    for code in ("Q", "M", "W"):
        line = plant.lines[code]
        lots = [lot for lot in lots_along(ground.lots, SIDE_OF_POLES[code][0]) if lot.width_m > 18]
        kinds = {lot.parcel_id: _favoured(lot, plant, line) for lot in lots}
        beside = [lot for lot in lots if kinds[lot.parcel_id] == "direct"]
        middle = [lot for lot in lots if kinds[lot.parcel_id] == "span_clamp"]
        by_other = [lot for lot in lots if kinds[lot.parcel_id] == "other_pole"]
        for lot in beside[:1]:
            course = LineString(nearest_points(_nearest_pole(plant, line, lot), lot.house))
            stem = course.interpolate(0.6, normalized=True)
            _plant(ground, lot, stem, 7.5, cases["small crown"])
        for lot in middle[:1]:
            front = Point(lot.place(lot.width_m / 2, 4.0))
            _plant(ground, lot, front, 36.0, cases["large crown"])
        for lot in [*beside[1:], *by_other][:1]:
            _add_carport(ground, lot, cases["carport"])
        for lot in by_other[len(by_other) // 2 :][:1]:
            _add_old_drop(plant, ground, lot, code, cases["old drop"])
    return cases


def _nearest_pole(plant: Plant, line: list[str], lot: Lot) -> Point:
    return min((plant.point(pole_id) for pole_id in line), key=lot.house.distance)


def _add_near_pools(ground: Ground, plant: Plant) -> list[str]:
    """Dig two pools, 3 m apart, so that a drop from the rear terminal pole runs between them."""
    said: list[str] = []
    taken = [row["geometry"] for row in ground.pools]
    for zone in ("Ombrel Street/south", "Tindlebar Street/north"):
        for lot in lots_along(ground.lots, zone):
            is_free = not any(lot.outline.intersects(pool) for pool in taken)
            if not is_free or _favoured(lot, plant, plant.lines["E"]) != "direct":
                continue
            xs = [plant.point(pole_id).x for pole_id in plant.lines["E"]]
            pole_m = min((x - float(lot.corner[0]) for x in xs), key=lambda m: abs(m - 10.0))
            pools = [dig_pool(ground, lot, pole_m + shift) for shift in (-5.3, 5.3)]
            said.append(f"{' and '.join(pools)} ({lot.extra['address_id']})")
    return said


def _plant(ground: Ground, lot: Lot, stem: Point, crown_ft: float, said: list[str]) -> None:
    tree_id = f"V{len(ground.trees) + 1:03d}"
    height_ft = round(10.0 + 2.2 * crown_ft)
    ground.trees.append(
        {"tree_id": tree_id, "crown_radius_ft": crown_ft, "height_ft": height_ft, "geometry": stem}
    )
    said.append(f"{tree_id} ({lot.extra['address_id']})")


def _add_carport(ground: Ground, lot: Lot, said: list[str]) -> None:
    """Roof over nearly the whole front yard, so that no drop from the street avoids it."""
    corners = [(0.5, 1.0), (lot.width_m - 0.5, 1.0), (lot.width_m - 0.5, 4.8), (0.5, 4.8)]
    building_id = f"B{len(ground.buildings) + 1:03d}"
    ground.buildings.append(
        {
            "building_id": building_id,
            "eave_height_ft": 7.5,
            "height_ft": 9.5,
            "roof_slope_deg": 20.0,
            "geometry": Polygon([lot.place(*corner) for corner in corners]),
        }
    )
    said.append(f"{building_id} ({lot.extra['address_id']})")


def _add_old_drop(plant: Plant, ground: Ground, lot: Lot, code: str, said: list[str]) -> None:
    """Hang an old drop aslant between a house and the strand, from the next pole to a neighbour."""
    line = plant.lines[code]
    xs = np.array([plant.point(pole_id).x for pole_id in line])
    x = lot.house.centroid.x
    near = int(np.argmin(np.abs(xs - x)))
    start = line[near + 1] if near + 1 < len(line) else line[near - 1]
    away = -1.0 if plant.point(start).x > x else 1.0
    row = [other for other in ground.lots if other.zone == lot.zone]
    beyond = [other for other in row if away * (other.house.centroid.x - x) > 10.0]
    if not beyond:
        return
    neighbour = min(beyond, key=lambda other: other.house.distance(lot.house))
    end = nearest_points(neighbour.house, plant.point(start))[0]
    terminals = [plant.pole(pole) for pole in line if plant.pole(pole)["ports_total"] > 0]
    feed = min(terminals, key=lambda row: row["geometry"].distance(plant.point(start)))
    feed["ports_in_use"] += 1
    drop_id = f"X{len(plant.existing_drops) + 1:02d}"
    plant.existing_drops.append(
        {
            "drop_id": drop_id,
            "terminal_id": feed["pole_id"],
            "height_ft": 13.0,
            "geometry": LineString([plant.point(start), end]),
        }
    )
    said.append(f"{drop_id} ({lot.extra['address_id']})")


def add_wishes(rows: list[Row], cases: Cases, plant: Plant) -> Cases:
    """Lock some addresses to a terminal, forbid pairs, and let some take two ports.

    Parameters
    ----------
    rows : list of dict
        Address rows, changed in place.
    cases : dict
        As `find_cases` returns them.
    plant : Plant
        Poles with terminals.

    Returns
    -------
    dict
        Cases ``locked``, ``forbidden`` and ``two ports``, with the ids concerned.
    """
    by_id = {row["address_id"]: row for row in rows}
    terminals = [row for row in plant.poles if row["ports_total"] > 0]

    def nearest(address_id: str, rank: int) -> str:
        point = by_id[address_id]["geometry"]
        order = sorted(terminals, key=lambda row: row["geometry"].distance(point))
        return str(order[rank]["pole_id"])

    locked = [cases["other_pole"][0], cases["span_clamp"][0], cases["street crossing, direct"][0]]
    said: Cases = {"locked": [], "forbidden": [], "two ports": []}
    for address_id in locked:
        by_id[address_id]["locked"] = nearest(address_id, 0)
        said["locked"].append(f"{address_id} -> {nearest(address_id, 0)}")
    full = cases["stub"][0]
    by_id[full]["locked"] = "PD01"
    said["locked"].append(f"{full} -> PD01, which is full")
    for address_id in (cases["direct"][4], cases["street crossing, span_clamp"][1]):
        by_id[address_id]["forbidden"] = nearest(address_id, 0)
        said["forbidden"].append(f"{address_id} not {nearest(address_id, 0)}")
    both = cases["direct"][2]
    by_id[both]["forbidden"] = f"{nearest(both, 0)};{nearest(both, 1)}"
    said["forbidden"].append(f"{both} not {nearest(both, 0)}, {nearest(both, 1)}")
    for address_id in (*cases["span_clamp"][2:3], *cases["court"][2:3], *cases["avenue"][2:5]):
        by_id[address_id]["ports_needed"] = "2"
        said["two ports"].append(address_id)
    return said
