"""Towns with strand made into plants, and all that could be built in them, found the long way."""

from __future__ import annotations

import dataclasses
import functools

import geopandas as gpd
import numpy as np
import shapely

from geoplan.air_sources import AirSources
from geoplan.candidates import Found, PairRules
from geoplan.choice.cost import AirPrice
from geoplan.judging import hang, meet, raised, streets_crossed
from geoplan.layers.locate import locate_addresses
from geoplan.model import SPAN_COLUMNS, Layers
from geoplan.offers import Offers, air_of, offers_of, order_offers
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.standards import Standards, load_standards
from geoplan.verdicts import Forbidden
from tests.towns import CRS_M, layer_frame, random_town


def _figure(value: str) -> dict[str, str]:
    return {"value": value, "document": "Made up for tests", "status": "practice"}


STRONG_WIRE = {
    "title": "Light and strong",
    "construction": "Made up, so that heights and tension never decide",
    "carries": "copper_pair",
    "weight": _figure("5 lb/kft"),
    "width": _figure("3 mm"),
    "height": _figure("3 mm"),
    "breaking_strength": _figure("50 kN"),
    "stiffness": _figure("900 kN"),
    "expansion": _figure("7e-6 1/degF"),
    "max_total_length": _figure("900 m"),
    "max_air_span": {"any": _figure("400 m")},
}
HIGH_UP = {
    "strand_height": "14 m",
    "usual_attachment": "11 m",
    "highest_attachment": "11 m",
    "power_height": {"supply_line": "60 m", "supply_drop": "60 m", "neutral": "60 m"},
}


def roomy(**sections: object) -> Project:
    """Return settings under which plan geometry and prices alone decide."""
    settings_ = {"wire": "strong", "wires": {"strong": STRONG_WIRE}, "heights": HIGH_UP}
    return Project(layers={}, **{**settings_, **sections})


PROJECT = roomy()
LONG_REACH = roomy(limits={"max_air_span": "90 m", "max_route": "300 m"})


HOUSE = shapely.box(-5.0, 20.0, 5.0, 30.0)
HEIGHT_BITS = int(Forbidden.CLEARANCE | Forbidden.POWER | Forbidden.TENSION | Forbidden.POLE_SPACE)


def span_frame(poles: gpd.GeoDataFrame, ends: list[tuple[int, int]]) -> gpd.GeoDataFrame:
    lines = [shapely.LineString([poles.geometry.iloc[a], poles.geometry.iloc[b]]) for a, b in ends]
    ids = [f"span{row:03d}" for row in range(len(ends))]
    frame = gpd.GeoDataFrame(
        {
            "strand_id": [f"s{row}" for row in range(len(ends))],
            "from_pole_id": [poles.index[a] for a, _ in ends],
            "to_pole_id": [poles.index[b] for _, b in ends],
            "length_m": [line.length for line in lines],
            "strand_basis": "measured",
            "height_m": np.nan,
            "size": None,
            "condition": None,
        },
        geometry=gpd.GeoSeries(lines, index=ids, crs=CRS_M),
        index=ids,
    ).astype({"length_m": "float64", "height_m": "float64"})
    return frame[[*SPAN_COLUMNS, "geometry"]].rename_axis("strand_span_id")


def strand_town(rng: np.random.Generator) -> Layers:
    """Hang a line of poles with strand through a random town, terminals on some of them."""
    town = random_town(rng)
    rows = []
    for y in (55.0, 130.0):
        xs = np.cumsum(rng.uniform(20.0, 45.0, 6))
        rows += [(x, y + rng.uniform(-5.0, 5.0)) for x in xs]
    poles = layer_frame("poles", list(shapely.points(rows)), ports_total=[4, 0, 0] * 4)
    ends = [(row, row + 1) for row in range(11) if row != 5]
    return dataclasses.replace(town, poles=poles, spans=span_frame(poles, ends))


def bare_town(
    poles: list[tuple[float, float]],
    *,
    houses: list[shapely.Polygon] | None = None,
    addresses: list[tuple[float, float]] | None = None,
    ends: list[tuple[int, int]] | None = None,
    terminals: list[int] | None = None,
    roads: list[shapely.LineString] | None = None,
    trees: list[tuple[float, float]] | None = None,
) -> Layers:
    """Lay out a town of houses and poles on empty ground."""
    town = random_town(np.random.default_rng(0))
    houses = houses or []
    points = addresses or [house.centroid.coords[0] for house in houses]
    ports = [4 if row in (terminals or [0]) else 0 for row in range(len(poles))]
    pole_frame = layer_frame("poles", list(shapely.points(poles)), ports_total=ports)
    buildings = layer_frame("buildings", houses)
    people = layer_frame(
        "addresses", list(shapely.points(points)), ports_needed=[1] * len(points)
    ).assign(parcel_id=None)
    people["building_id"] = list(buildings.index) if houses else [None] * len(points)
    nothing = {
        name: layer_frame(name, [])
        for name in (
            "parcels",
            "power",
            "rail",
            "water",
            "sidewalks",
            "driveways",
            "pools",
            "existing_drops",
        )
    }
    roads = roads or []
    return dataclasses.replace(
        town,
        **nothing,
        addresses=people,
        buildings=buildings,
        poles=pole_frame,
        roads=layer_frame(
            "roads", roads, width_m=[8.0] * len(roads), road_class=["residential"] * len(roads)
        ),
        trees=layer_frame(
            "trees",
            [shapely.Point(tree) for tree in trees or []],
            crown_radius_m=[3.0] * len(trees or []),
        ),
        spans=span_frame(pole_frame, ends or []),
    )


@functools.cache
def _loaded(wire: str) -> Standards:
    return load_standards(PROJECT if wire == "strong" else Project(layers={}))


def standards_for(project: Project) -> Standards:
    """Return the standards of a project of this module; only limits differ between them."""
    usual, limits = _loaded(project.wire), project.limits
    return dataclasses.replace(
        usual,
        max_air_span_m=min(limits.max_air_span, usual.entry.max_air_span("heavy").value_si),
        max_route_m=min(limits.max_route, usual.entry.max_total_length_m),
    )


def plant_of(
    layers: Layers, project: Project | None = None, *, rules: PairRules | None = None
) -> Plant:
    """Make a town ready for a search."""
    project = project or PROJECT
    plant = build_plant(layers, project, standards_for(project))
    return plant if rules is None else dataclasses.replace(plant, rules=rules)


def lot_town(
    rng: np.random.Generator, *, two_ports: bool = False, ports: int = 4, lots: int = 5
) -> Layers:
    """Lay out streets of lots side by side, with houses, gardens, and strand behind and in front.

    Three rows of lots: two back to back with poles along their common line, and one across a
    street with poles in front of it; one more street runs between some of them. A pole at the
    corner of a lot often sees the nearest wall of the next house but one through a neighbour's.
    """
    town = random_town(rng)
    width = rng.uniform(16.0, 22.0)
    gap = int(rng.integers(1, lots))
    left = [column * width + (10.0 if column >= gap else 0.0) for column in range(lots)]
    right = left[-1] + width
    rows = ((5.0, 33.0), (33.0, 61.0), (-33.0, -5.0))
    lot = [(x, low, x + width, high) for low, high in rows for x in left]
    houses = [_house(rng, *box) for box in lot]
    parcels = layer_frame("parcels", [shapely.box(*box) for box in lot])
    buildings = layer_frame("buildings", houses)
    points = [house.representative_point() for house in houses]
    points += [shapely.Point(lot[0][0] + 2.0, lot[0][1] + 2.0)]
    needed = rng.choice([1, 2], len(points), p=[0.6, 0.4] if two_ports else [1.0, 0.0])
    people = layer_frame("addresses", points, ports_needed=needed.tolist())
    parcel, building = locate_addresses(people, parcels, buildings, max_building_distance_m=40.0)
    building.iloc[-1] = None
    poles, ends = [], []
    for y, step in ((33.0, 27.0), (-4.2, 34.0)):
        x = rng.uniform(-15.0, 0.0)
        while x < right + 15.0:
            if poles and poles[-1][2] == y and rng.random() > 0.1:
                ends.append((len(poles) - 1, len(poles)))
            poles.append((x, y + rng.uniform(-1.2, 1.2), y))
            x += rng.uniform(0.8, 1.2) * step
    has = rng.random(len(poles)) < 0.5
    has[[0, -1]] = True
    pole_frame = layer_frame(
        "poles",
        [shapely.Point(x, y) for x, y, _ in poles],
        ports_total=[ports if yes else 0 for yes in has.tolist()],
    )
    cross = left[gap] - 5.0
    roads = [
        shapely.LineString([(-60.0, 0.0), (60.0, rng.uniform(-0.5, 0.5)), (right + 60.0, 0.0)]),
        shapely.LineString([(cross, -60.0), (cross, 90.0)]),
    ]
    trees = list(shapely.points(rng.uniform((0.0, -33.0), (right, 61.0), (14, 2))))
    return dataclasses.replace(
        town,
        parcels=parcels,
        buildings=buildings,
        addresses=people.assign(parcel_id=parcel, building_id=building),
        poles=pole_frame,
        spans=span_frame(pole_frame, ends),
        roads=layer_frame("roads", roads, width_m=[7.0, 6.0], road_class=["residential", "alley"]),
        trees=layer_frame("trees", trees, crown_radius_m=rng.uniform(1.0, 3.0, 14)),
        driveways=layer_frame("driveways", [shapely.box(x, -9, x + 3, -5) for x in left[:3]]),
        power=layer_frame(
            "power",
            [shapely.LineString([(-20.0, 34.0), (right + 20.0, 34.0)])],
            power_kind=["supply_line"],
        ),
        **{name: layer_frame(name, []) for name in ("rail", "water", "sidewalks", "pools")},
    )


def _house(rng: np.random.Generator, x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    """Set a house with an L or a plain plan somewhere on a lot."""
    wide, deep = rng.uniform(6.0, x1 - x0 - 3.0), rng.uniform(6.0, 14.0)
    x, y = rng.uniform(x0 + 1.0, x1 - wide - 1.0), rng.uniform(y0 + 1.5, y1 - deep - 1.5)
    house = shapely.box(x, y, x + wide, y + deep)
    if rng.random() < 0.5:
        notch = shapely.box(x, y, x + wide / 2, y + deep / 2)
        house = house.difference(notch)
    return house


def all_offers(plant: Plant, project: Project, addresses: np.ndarray) -> Offers:
    """Price everything that could be built, without bounds and without a front."""
    sources = AirSources(plant, project)
    from_poles = sources.from_poles(*sources.poles_near(addresses))
    address, span = sources.spans_near(addresses)
    row, at_m = sources.clamp_places(span)
    clamps = sources.from_clamps(address[row], span[row], at_m)
    nearest = _judged(AirSpans.joined([from_poles, clamps]), plant, project)
    hindered = (nearest.price.cents > 0) | (nearest.price.forbidden != 0)
    rows = np.flatnonzero(hindered & (nearest.air.pole >= 0))
    others = _judged(sources.to_other_walls(nearest.air.take(rows)), plant, project)
    return Offers.joined([offers_of(found, plant) for found in (nearest, others)])


def _judged(air: AirSpans, plant: Plant, project: Project) -> Found:
    crossings, price = meet(air, plant, project)
    hung = hang(air, crossings, plant, project)
    more = np.where(hung.forbidden == 0, raised(hung, project), 0)
    price = AirPrice(price.cents + more, price.forbidden | hung.forbidden)
    routes = AirSources(plant, project).ways(air)
    routes = dataclasses.replace(
        routes,
        cents=routes.cents + price.cents[routes.air],
        forbidden=price.forbidden[routes.air],
    )
    return Found(air, crossings, price, hung, routes, streets_crossed(crossings, len(air)))


ROUTE = ("address", "terminal", "pole", "passed", "span", "clamp_from_m", "ex", "ey")


def route_rows(offers: Offers) -> list[tuple[float, ...]]:
    """Return which routes offers are, sorted; with prices of those that nothing forbids."""
    columns = [np.nan_to_num(getattr(offers, name), nan=-1.0).tolist() for name in ROUTE]
    cents = np.where(offers.forbidden == 0, offers.cents, -1).tolist()
    return sorted(zip(*columns, cents, strict=True))


def offer_rows(offers: Offers) -> list[tuple[float, ...]]:
    """Return all that offers say, sorted."""
    names = [field.name for field in dataclasses.fields(Offers)]
    columns = [np.nan_to_num(getattr(offers, name), nan=-1.0).tolist() for name in names]
    return sorted(zip(*columns, strict=True))


def priced_again(offers: Offers, plant: Plant, project: Project) -> Offers:
    """Price the air spans of offers anew, and return the same routes over them."""
    air = air_of(offers, AirSources(plant, project))
    judged = offers_of(_judged(air, plant, project), plant)
    row = {key[:-1]: number for number, key in enumerate(_keys(judged))}
    return judged.take(np.array([row[key[:-1]] for key in _keys(offers)], dtype=np.int64))


def _keys(offers: Offers) -> list[tuple[float, ...]]:
    columns = [np.nan_to_num(getattr(offers, name), nan=-1.0).tolist() for name in ROUTE]
    return list(zip(*columns, offers.cents.tolist(), strict=True))


def cheapest_offers(offers: Offers, rows: np.ndarray) -> Offers:
    """Take the cheapest of some offers of each address."""
    order = order_offers(offers.take(rows))
    kept = offers.take(rows[order])
    return kept.take(np.unique(kept.address, return_index=True)[1])
