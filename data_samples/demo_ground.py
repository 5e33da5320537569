"""Ground of the demo town: lots, houses, yards, trees, in local metres.

Enters: a random generator.
Leaves: lots with houses, driveways, walks, pools and trees, as plain rows.
Does not do: streets (see ``demo_streets``), poles or wires; coordinates of a CRS; files.

All of it is invented. Local x runs along the avenue, y across it; lengths in metres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from demo_streets import COURT_BULB_M, COURT_CENTRE_M, Pair, Row, make_rail_and_water, make_roads
from shapely import LineString, Point, Polygon
from shapely.geometry import box

FloatArray = npt.NDArray[np.float64]

LOT_DEPTH_M = 35.0
BLOCKS_M = ((0.0, 300.0), (315.0, 615.0))

STREET_Y_M = {
    "Wexom Street": -95.5,
    "Grandle Avenue": 0.0,
    "Quorrel Street": 89.5,
    "Tindlebar Street": 174.5,
    "Ombrel Street": 259.5,
}


@dataclass
class Lot:
    """One lot: its outline and a frame with its origin at a front corner."""

    parcel_id: str
    street: str
    number: int
    corner: FloatArray
    along: FloatArray
    inward: FloatArray
    width_m: float
    kerb_gap_m: float
    outline: Polygon
    zone: str
    house: Polygon = field(default_factory=Polygon)
    house_id: str = ""
    garage_front_m: tuple[float, float] = (0.0, 0.0)
    use: str = "new"
    extra: Row = field(default_factory=dict)

    def place(self, along_m: float, inward_m: float) -> tuple[float, float]:
        """Turn a position in the lot's frame into local coordinates.

        Parameters
        ----------
        along_m : float
            Distance from the frame's origin along the front line, m.
        inward_m : float
            Distance behind the front line, m; negative: toward the street.

        Returns
        -------
        tuple of float
            Local x and y, m.
        """
        x, y = self.corner + along_m * self.along + inward_m * self.inward
        return float(x), float(y)

    @property
    def label(self) -> str:
        """Street address."""
        return f"{self.number} {self.street}"


def _widths(rng: np.random.Generator, length_m: float, count: int) -> FloatArray:
    raw = rng.uniform(18.0, 25.0, count)
    return np.asarray(np.round(raw * length_m / raw.sum(), 2))


class _Lots:
    """Collects lots and numbers them."""

    def __init__(self) -> None:
        self.lots: list[Lot] = []

    def add(
        self, street: str, number: int, corners: FloatArray, zone: str, kerb_gap_m: float = 3.5
    ) -> None:
        """Add one lot; corners are front start, front end, back end, back start."""
        front = corners[1] - corners[0]
        width = float(np.hypot(*front))
        along = front / width
        inward = np.array([-along[1], along[0]])
        if np.dot(inward, corners[3] - corners[0]) < 0:
            inward = -inward
        self.lots.append(
            Lot(
                f"L{len(self.lots) + 1:03d}",
                street,
                number,
                corners[0],
                along,
                inward,
                width,
                kerb_gap_m,
                Polygon(corners),
                zone,
            )
        )

    def row(
        self,
        street: str,
        first: int,
        start: Pair,
        step: Pair,
        widths_m: FloatArray,
        zone: str,
        *,
        depth: Pair,
        kerb_gap_m: float = 3.5,
    ) -> None:
        """Add a straight row of lots from `start` along `step`, `depth` away from the street."""
        origin, direction, back = (np.asarray(v, dtype=float) for v in (start, step, depth))
        edges = np.concatenate([[0.0], np.cumsum(widths_m)])
        for k, (a, b) in enumerate(pairwise(edges)):
            p, q = origin + a * direction, origin + b * direction
            self.add(street, first + 2 * k, np.array([p, q, q + back, p + back]), zone, kerb_gap_m)

    def slice(
        self, street: str, number: int, centre: Pair, radii_m: Pair, angles_deg: Pair, zone: str
    ) -> None:
        """Add a lot between two rays from a centre."""
        rays = np.radians(np.asarray(angles_deg, dtype=float))
        unit = np.column_stack([np.cos(rays), np.sin(rays)])
        front, back = np.asarray(centre) + radii_m[0] * unit, np.asarray(centre) + radii_m[1] * unit
        self.add(street, number, np.array([front[0], front[1], back[1], back[0]]), zone)


def make_lots(rng: np.random.Generator) -> list[Lot]:
    """Return all lots, without houses.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the lots' widths.

    Returns
    -------
    list of Lot
        In a fixed order; ids follow it.
    """
    lots = _Lots()
    for street, y in STREET_Y_M.items():
        half, gap = (12.0, 5.0) if street == "Grandle Avenue" else (7.5, 3.5)
        for block, (x0, x1) in enumerate(BLOCKS_M):
            for side in (1, -1):
                number = 100 * (block + 1) + (2 if side > 0 else 1)
                lots.row(
                    street,
                    number,
                    (x0, y + side * half),
                    (1, 0),
                    _widths(rng, x1 - x0, 14),
                    f"{street}/{'north' if side > 0 else 'south'}",
                    depth=(0, side * LOT_DEPTH_M),
                    kerb_gap_m=gap,
                )
    for side in (1, -1):
        lots.row(
            "Tindlebar Street",
            22 if side > 0 else 21,
            (-175.0, 174.5 + side * 7.5),
            (1, 0),
            np.full(5, 24.0),
            "stub",
            depth=(0, side * LOT_DEPTH_M),
        )
    _add_court(lots)
    lots.row("Brack Road", 402, (100, -200), (1, 0), np.full(4, 23.0), "rail", depth=(0, 35))
    lots.row("Osk Road", 11, (932, 96), (0, 1), np.full(4, 22.0), "highway", depth=(-32, 0))
    lots.row("Lunt Lane", 31, (190, 355), (1, 0), np.full(4, 23.0), "creek", depth=(0, -35))
    lots.row(
        "Grandle Avenue",
        8,
        (-420, 12),
        (1, 0),
        np.full(3, 42.0),
        "far",
        depth=(0, 60),
        kerb_gap_m=5.0,
    )
    return lots.lots


def _add_court(lots: _Lots) -> None:
    name, zone = "Pellamy Court", "court"
    lots.row(name, 1, (633, 52.5), (1, 0), np.full(3, 19.0), zone, depth=(0, -LOT_DEPTH_M))
    for k in range(5):
        lots.slice(
            name, 7 + 2 * k, COURT_CENTRE_M, (77.5, 112.5), (-90 + 18 * k, -72 + 18 * k), zone
        )
    for k in range(3):
        lots.slice(
            name, 2 + 2 * k, COURT_CENTRE_M, (62.5, 31.0), (-90 + 30 * k, -60 + 30 * k), zone
        )
    lots.row(name, 17, (767.5, 130), (0, 1), np.full(2, 19.0), zone, depth=(LOT_DEPTH_M, 0))
    lots.row(name, 8, (752.5, 130), (0, 1), np.full(2, 19.0), zone, depth=(-LOT_DEPTH_M, 0))
    for k in range(4):
        lots.slice(name, 21 + k, COURT_BULB_M, (16.0, 51.0), (-30 + 60 * k, 30 + 60 * k), zone)


@dataclass
class Ground:
    """Rows of the layers that stand on or in the ground, but for plant."""

    lots: list[Lot]
    roads: list[Row]
    rail: list[Row]
    water: list[Row]
    buildings: list[Row] = field(default_factory=list)
    driveways: list[Row] = field(default_factory=list)
    sidewalks: list[Row] = field(default_factory=list)
    pools: list[Row] = field(default_factory=list)
    trees: list[Row] = field(default_factory=list)


def _add_building(
    ground: Ground, rng: np.random.Generator, outline: Polygon, *, is_house: bool
) -> str:
    two_storeys = is_house and rng.random() < 0.35
    eave_ft = round(rng.uniform(18.0, 20.0) if two_storeys else rng.uniform(10.5, 13.0), 1)
    slope = float(rng.choice([14.0, 18.4, 22.6, 26.6, 33.7]))
    building_id = f"B{len(ground.buildings) + 1:03d}"
    ground.buildings.append(
        {
            "building_id": building_id,
            "eave_height_ft": eave_ft,
            "height_ft": round(eave_ft + 15.0 * float(np.tan(np.radians(slope))), 1),
            "roof_slope_deg": slope,
            "geometry": outline,
        }
    )
    return building_id


def add_houses(ground: Ground, rng: np.random.Generator) -> None:
    """Put a house on each lot, a third of them L-shaped, with driveway and some garages."""
    for lot in ground.lots:
        width, is_wedge = lot.width_m, lot.outline.area < 0.9 * lot.width_m * LOT_DEPTH_M
        setback, depth = rng.uniform(7.0, 9.0), rng.uniform(9.0, 12.0)
        kind, garage_right = rng.random(), bool(rng.random() < 0.5)
        detached = kind > 0.9 and width >= 20.0 and not is_wedge
        side = 4.4 if is_wedge else rng.uniform(1.8, 2.8)
        left = side
        house_w = min(width - 2 * side, 16.5)
        if detached:
            house_w = min(width - 4.4 - 1.8, 15.0)
            left = 1.8 if garage_right else width - 1.8 - house_w
        elif house_w == 16.5:
            left = (width - house_w) / 2
        bay = 5.8
        front = setback + (3.6 if kind < 0.34 else 0.0)
        shape = [(0.0, front), (house_w, front), (house_w, front + depth), (0.0, front + depth)]
        if kind < 0.34:
            shape = [
                (0.0, front),
                (house_w - bay, front),
                (house_w - bay, setback),
                (house_w, setback),
                (house_w, front + depth),
                (0.0, front + depth),
            ]
        if not garage_right and kind < 0.9:
            shape = [(house_w - s, t) for s, t in shape]
        lot.house = Polygon([lot.place(left + s, t) for s, t in shape])
        lot.house_id = _add_building(ground, rng, lot.house, is_house=True)
        at = left + house_w - bay / 2 if garage_right else left + bay / 2
        reach = setback
        if detached:
            at, reach = (width - 2.4, 27.0) if garage_right else (2.4, 27.0)
            shed = [(at - 2.0, reach), (at + 2.0, reach), (at + 2.0, reach + 5.5), (at - 2.0, 32.5)]
            _add_building(ground, rng, Polygon([lot.place(*p) for p in shed]), is_house=False)
        lot.garage_front_m = (at, reach)
        ground.driveways.append(
            {
                "driveway_id": f"D{len(ground.driveways) + 1:03d}",
                "width_ft": 10.0,
                "geometry": LineString([lot.place(at, -lot.kerb_gap_m), lot.place(at, reach)]),
            }
        )


def add_walks(ground: Ground) -> None:
    """Lay sidewalks along the streets of the two blocks and one footpath as a polygon."""
    for street, y in STREET_Y_M.items():
        offset = 10.6 if street == "Grandle Avenue" else 6.4
        for x0, x1 in BLOCKS_M:
            for side in (1, -1):
                line = LineString([(x0, y + side * offset), (x1, y + side * offset)])
                ground.sidewalks.append({"width_ft": 5.0, "geometry": line})
    ground.sidewalks.append({"width_ft": None, "geometry": box(-3.2, 182.0, -1.0, 252.0)})
    for count, row in enumerate(ground.sidewalks, start=1):
        row["sidewalk_id"] = f"S{count:02d}"


def dig_pool(ground: Ground, lot: Lot, middle_m: float) -> str:
    """Dig a pool of 7.6 m by 4.6 m in the back yard and return its id.

    Parameters
    ----------
    ground : Ground
        Gets the pool.
    lot : Lot
        Its lot.
    middle_m : float
        Middle of the pool along the lot's front, m.

    Returns
    -------
    str
        Id of the pool.
    """
    body = box(middle_m - 3.0, 28.0, middle_m + 3.0, 31.0).buffer(0.8, quad_segs=3)
    shape = Polygon([lot.place(s, t) for s, t in body.exterior.coords])
    shape = shape.intersection(lot.outline.buffer(-0.4))
    pool_id = f"K{len(ground.pools) + 1:02d}"
    ground.pools.append({"pool_id": pool_id, "geometry": shape})
    return pool_id


def add_pools(ground: Ground, rng: np.random.Generator) -> None:
    """Dig a dozen pools in back yards."""
    lots = [lot for lot in ground.lots if "Street/" in lot.zone or lot.zone == "court"]
    roomy = [lot for lot in lots if lot.width_m > 18.5 and lot.garage_front_m[1] < 20.0]
    for pick in sorted(rng.choice(len(roomy), 12, replace=False)):
        lot = roomy[pick]
        middle = lot.width_m / 2
        dig_pool(ground, lot, middle)


def add_trees(ground: Ground, rng: np.random.Generator) -> None:
    """Plant yard trees clear of houses, pools and driveways."""
    blocked = [row["geometry"] for row in (*ground.buildings, *ground.pools)]
    blocked += [row["geometry"].buffer(1.7) for row in ground.driveways]
    for lot in ground.lots:
        for low, high, share in ((1.0, 4.5, 0.26), (24.0, 33.5, 0.52)):
            if rng.random() > share:
                continue
            stem = Point(lot.place(rng.uniform(2.0, lot.width_m - 2.0), rng.uniform(low, high)))
            crown_ft = round(rng.uniform(4.5, 12.0), 1)
            if min(stem.distance(shape) for shape in blocked) > 1.6:
                ground.trees.append(
                    {
                        "tree_id": f"V{len(ground.trees) + 1:03d}",
                        "crown_radius_ft": crown_ft,
                        "height_ft": round(10.0 + 2.2 * crown_ft, 0),
                        "geometry": stem,
                    }
                )


def make_ground(rng: np.random.Generator) -> Ground:
    """Build the ground of the town.

    Parameters
    ----------
    rng : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    Ground
        Lots with houses, and the rows of all ground layers, in local metres.
    """
    rail, water = make_rail_and_water()
    ground = Ground(make_lots(rng), make_roads(), rail, water)
    add_houses(ground, rng)
    add_walks(ground)
    add_pools(ground, rng)
    add_trees(ground, rng)
    return ground
