"""A random street with houses on both sides, most of its poles on one of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import shapely

from geoplan.layers.locate import locate_addresses
from geoplan.model import Layers
from geoplan.project import Project
from tests.plants import span_frame
from tests.towns import layer_frame, random_town

TALL_HOUSES = Project(
    layers={}, heights={"usual_attachment": "4.2 m", "highest_attachment": "6.5 m"}
)
"""Settings under which most drops clear the street, and some yards are too low."""
NOTHING = ("power", "rail", "water", "sidewalks", "driveways", "pools", "existing_drops")


def street_town(rng: np.random.Generator, *, ports: int = 6) -> Layers:
    """Lay out a street along y = 0; strand south of it, a few poles behind the north lots."""
    count, width = 6, 20.0
    left = width * np.arange(count)
    lots = [shapely.box(x, y, x + width, y + 40.0) for y in (7.0, -47.0) for x in left]
    houses = []
    for lot in lots:
        x0, y0, _, _ = lot.bounds
        x, y = x0 + rng.uniform(2, 6), y0 + rng.uniform(8, 22)
        houses.append(shapely.box(x, y, x + rng.uniform(7, 11), y + rng.uniform(7, 11)))
    parcels, buildings = layer_frame("parcels", lots), layer_frame("buildings", houses)
    people = layer_frame(
        "addresses", [house.centroid for house in houses], ports_needed=[1] * len(houses)
    )
    parcel, building = locate_addresses(people, parcels, buildings, max_building_distance_m=40.0)
    south = [(x, -6.0) for x in np.arange(-10.0, count * width + 20.0, 35.0)]
    north = [(x, rng.uniform(48, 95)) for x in rng.uniform(0, count * width, 3)]
    has = [True, *(rng.random(len(south) - 1) < 0.6).tolist(), *(rng.random(3) < 0.6).tolist()]
    poles = layer_frame(
        "poles",
        [shapely.Point(place) for place in south + north],
        ports_total=[ports if yes else 0 for yes in has],
        strand_height_m=[*rng.uniform(7.0, 9.0, len(south)), *rng.uniform(4.6, 7.0, 3)],
    )
    ends = [(row, row + 1) for row in range(len(south) - 1)]
    ends += [(len(south), len(south) + 1)] if rng.random() < 0.5 else []
    town = random_town(rng)
    water = [shapely.box(-50.0, 47.5, 300.0, 49.0)] if rng.random() < 0.3 else []
    return dataclasses.replace(
        town,
        **{name: layer_frame(name, []) for name in NOTHING if name != "water"},
        water=layer_frame("water", water),
        parcels=parcels,
        buildings=buildings,
        addresses=people.assign(parcel_id=parcel, building_id=building),
        poles=poles,
        spans=span_frame(poles, ends),
        roads=layer_frame(
            "roads",
            [shapely.LineString([(-60.0, 0.0), (count * width + 60.0, 0.0)])],
            width_m=[8.0],
            road_class=["residential"],
        ),
        trees=layer_frame(
            "trees",
            list(shapely.points(rng.uniform((0, -45), (count * width, 45), (6, 2)))),
            crown_radius_m=rng.uniform(1, 3, 6),
        ),
    )
