"""Streets, railway and water of the demo town, in local metres.

Enters: nothing.
Leaves: roads, rail and water as plain rows; the course of the cul-de-sac.
Does not do: lots; anything left to chance; files.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from shapely import LineString, Point

Row = dict[str, Any]
Pair = tuple[float, float]

COURT_CENTRE_M = (690.0, 130.0)
COURT_RADIUS_M = 70.0
COURT_BULB_M = (760.0, 195.0)


def court_line() -> LineString:
    """Return the curved centre-line of the cul-de-sac, local metres."""
    angle = np.radians(np.linspace(-90.0, 0.0, 19))
    arc = np.column_stack(
        [
            COURT_CENTRE_M[0] + COURT_RADIUS_M * np.cos(angle),
            COURT_CENTRE_M[1] + COURT_RADIUS_M * np.sin(angle),
        ]
    )
    return LineString([(622.5, 60.0), *map(tuple, arc), COURT_BULB_M])


def make_roads() -> list[Row]:
    """Return the road centre-lines with class, width, speed and traffic."""
    county, town = "Orrin County Roads", "Town of Vellmarrow"

    def road(
        name: str, road_class: str, width_ft: float, mph: float, traffic: int, owner: str, *xy: Pair
    ) -> Row:
        return {
            "name": name,
            "road_class": road_class,
            "width_ft": width_ft,
            "speed_mph": mph,
            "vehicles_per_day": traffic,
            "jurisdiction": owner,
            "geometry": LineString(xy),
        }

    rows = [
        road("Grandle Avenue", "arterial", 46, 35, 11800, county, (-460, 0), (1010, 0)),
        road("Wexom Street", "residential", 26, 25, 420, town, (-7.5, -95.5), (622.5, -95.5)),
        road("Quorrel Street", "residential", 26, 25, 610, town, (-7.5, 89.5), (622.5, 89.5)),
        road("Tindlebar Street", "residential", 26, 25, 540, town, (-190, 174.5), (622.5, 174.5)),
        road("Ombrel Street", "residential", 26, 25, 380, town, (-7.5, 259.5), (622.5, 259.5)),
        road("Hask Lane", "residential", 26, 25, 450, town, (-7.5, -95.5), (-7.5, 259.5)),
        road("Pruddle Street", "collector", 30, 30, 2900, town, (307.5, -95.5), (307.5, 259.5)),
        road("Marl Gate", "residential", 26, 25, 700, town, (622.5, -95.5), (622.5, 259.5)),
        road("Snib Alley", "alley", 13, 10, 60, town, (-7.5, -50), (622.5, -50)),
        road("Varrow Freeway", "highway", 72, 65, 48000, "Orrin Highways", (885, -260), (889, 390)),
        road("Brack Road", "rural", 22, 45, 900, county, (-120, -207.5), (620, -211)),
        road("Osk Road", "rural", 22, 40, 300, county, (939.5, 0), (939.5, 240)),
        road("Lunt Lane", "residential", 24, 25, 140, town, (150, 362.5), (420, 362.5)),
    ]
    court = road("Pellamy Court", "residential", 26, 20, 190, town, (0, 0), (1, 1))
    rows.append({**court, "geometry": court_line()})
    for count, row in enumerate(rows, start=1):
        row["road_id"] = f"R{count:02d}"
    return rows


def make_rail_and_water() -> tuple[list[Row], list[Row]]:
    """Return the railway (a line) and the waters (a creek and a pond, polygons)."""
    x = np.linspace(-250.0, 860.0, 24)
    rail = LineString(np.column_stack([x, -152.0 - 6.0 * ((x - 200.0) / 500.0) ** 2]))
    x = np.linspace(-260.0, 860.0, 80)
    y = 312.5 + 2.6 * np.sin(x / 41.0) + 0.9 * np.sin(x / 13.0)
    creek = LineString(np.column_stack([x, y]))
    pond = Point(-190.0, 90.0).buffer(26.0, quad_segs=6)
    return (
        [{"rail_id": "T1", "name": "Osk Valley Branch", "width_ft": 20.0, "geometry": rail}],
        [
            {"water_id": "W1", "name": "Nerrel Creek", "geometry": creek.buffer(2.6)},
            {"water_id": "W2", "name": "Glimmet Pond", "geometry": pond},
        ],
    )
