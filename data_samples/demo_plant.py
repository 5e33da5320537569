"""Plant of the demo town: poles, terminals, strands, power, existing drops, in local metres.

Enters: the ground of the town and a random generator.
Leaves: rows of poles, strands, power and existing drops; which lots have service already.
Does not do: choose drops for new addresses; files.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from demo_ground import Ground, Lot
from demo_streets import Pair, Row, court_line
from shapely import LineString, Point
from shapely.ops import nearest_points, substring

STRAND_HEIGHT_FT = 19.7
TYPICAL_SPAN_M = 41.0


@dataclass(frozen=True)
class PoleLine:
    """One pole line: where it runs and what hangs on it."""

    code: str
    course: LineString
    terminals: tuple[int, ...]
    ports: tuple[tuple[int, int, int], ...]
    power: str = "none"
    is_cut_per_span: bool = False
    has_strand: bool = True


@dataclass
class Plant:
    """Rows of the layers that hang on poles, and positions of the poles by id."""

    poles: list[Row] = field(default_factory=list)
    strands: list[Row] = field(default_factory=list)
    power: list[Row] = field(default_factory=list)
    existing_drops: list[Row] = field(default_factory=list)
    lines: dict[str, list[str]] = field(default_factory=dict)

    def pole(self, pole_id: str) -> Row:
        """Return the row of one pole."""
        return next(row for row in self.poles if row["pole_id"] == pole_id)

    def point(self, pole_id: str) -> Point:
        """Return the position of one pole."""
        position: Point = self.pole(pole_id)["geometry"]
        return position


def pole_lines() -> list[PoleLine]:
    """Return the pole lines; ports are (total, in use besides known drops, reserved)."""
    east = 600.0
    court = substring(court_line().offset_curve(-5.0, quad_segs=16), 7.5, 1000.0)
    return [
        PoleLine(
            "G",
            LineString([(-30, 8.2), (312.6, 8.2), (850, 8.2)]),
            (1, 3, 6, 8, 10, 13, 15),
            ((8, 1, 1), (8, 0, 0), (12, 2, 2), (6, 1, 0), (8, 0, 1), (8, 2, 0), (6, 0, 0)),
            power="primary",
        ),
        PoleLine(
            "Q",
            LineString([(10, 94.4), (312.6, 94.4), (east, 94.4)]),
            (0, 3, 5, 7, 9, 12),
            ((8, 0, 0), (12, 1, 1), (8, 0, 0), (8, 1, 2), (8, 0, 0), (12, 1, 0)),
            power="secondary",
        ),
        PoleLine(
            "T",
            LineString([(12, 169.6), (312.6, 169.6), (east, 169.6)]),
            (2, 5, 7, 10, 13),
            ((12, 0, 1), (8, 1, 1), (4, 0, 0), (12, 2, 0), (8, 0, 0)),
            power="secondary",
        ),
        PoleLine(
            "E",
            LineString([(14, 217), (312.6, 217), (east, 217)]),
            (3, 6, 8, 11),
            ((8, 0, 1), (8, 1, 0), (8, 0, 0), (12, 1, 2)),
            is_cut_per_span=True,
        ),
        PoleLine(
            "M",
            LineString([(8, 264.4), (312.6, 264.4), (east, 264.4)]),
            (1, 4, 7, 9, 12),
            ((8, 0, 0), (8, 0, 1), (6, 1, 0), (8, 0, 0), (12, 2, 0)),
            is_cut_per_span=True,
        ),
        PoleLine(
            "V",
            LineString([(12, 254.6), (318, 254.6), (598, 254.6)]),
            (),
            (),
            power="secondary",
            has_strand=False,
        ),
        PoleLine(
            "W",
            LineString([(11, -90.6), (312.6, -90.6), (east, -90.6)]),
            (1, 4, 6, 9, 11, 13),
            ((8, 0, 0), (8, 1, 0), (8, 0, 2), (6, 0, 0), (8, 0, 0), (6, 1, 0)),
            power="secondary",
        ),
        PoleLine(
            "S",
            LineString([(20, -52.5), (460, -52.5)]),
            (1, 4, 7, 10),
            ((8, 0, 0), (12, 1, 1), (6, 0, 0), (8, 1, 0)),
        ),
        PoleLine("C", court, (1, 3, 5), ((8, 1, 0), (8, 0, 0), (6, 0, 1)), is_cut_per_span=True),
        PoleLine("D", LineString([(-68, 169.6), (-152, 169.6)]), (0, 2), ((4, 4, 0), (6, 6, 0))),
        PoleLine("B", LineString([(98, -141.5), (182, -141.5)]), (1, 2), ((6, 1, 0), (4, 0, 0))),
        PoleLine("F", LineString([(873, 90), (873, 175)]), (0, 2), ((6, 0, 0), (6, 1, 0))),
        PoleLine("N", LineString([(195, 304.4), (279, 304.4)]), (1, 2), ((4, 0, 0), (8, 0, 0))),
        PoleLine("P", LineString([(312.6, 94.4), (312.6, 264.4)]), (), ()),
    ]


def _positions(line: PoleLine, rng: np.random.Generator) -> list[Pair]:
    """Space poles 38 to 45 m apart, with one at each bend given."""
    is_curve = line.code == "C"
    knots = [0.0, line.course.length]
    if not is_curve:
        knots = [line.course.project(Point(xy)) for xy in line.course.coords]
    places: list[float] = [knots[0]]
    for a, b in pairwise(knots):
        count = max(1, round((b - a) / TYPICAL_SPAN_M))
        between = np.linspace(a, b, count + 1)[1:]
        between[:-1] += rng.uniform(-1.2, 1.2, count - 1)
        places += list(between)
    points = [line.course.interpolate(place) for place in places]
    return [(round(p.x, 2), round(p.y, 2)) for p in points]


def add_poles(plant: Plant, rng: np.random.Generator) -> None:
    """Set the poles of every line and hang the terminals."""
    for line in pole_lines():
        ports = dict(zip(line.terminals, line.ports, strict=True))
        ids: list[str] = []
        for k, xy in enumerate(_positions(line, rng)):
            here = Point(xy)
            shared = [row["pole_id"] for row in plant.poles if row["geometry"].distance(here) < 1.0]
            if shared:
                ids.append(shared[0])
                continue
            total, in_use, reserved = ports.get(k, (0, 0, 0))
            is_tall = line.power == "primary"
            has_power = line.power != "none"
            ids.append(f"P{line.code}{k + 1:02d}")
            plant.poles.append(
                {
                    "pole_id": ids[-1],
                    "height_ft": 38.5 if is_tall else float(rng.choice([28.5, 29.0, 33.0])),
                    "strand_ft": _strand_ft(line, rng),
                    "power_ft": (31.0 if is_tall else 24.6) if has_power else None,
                    "ports_total": total,
                    "ports_in_use": in_use,
                    "ports_reserved": reserved,
                    "condition": str(rng.choice(["good", "good", "good", "poor", ""])),
                    "geometry": here,
                }
            )
        plant.lines[line.code] = ids


def _strand_ft(line: PoleLine, rng: np.random.Generator) -> float | None:
    if not line.has_strand:
        return None
    return round(_level_ft(line) + rng.normal(0, 0.15), 1)


def _level_ft(line: PoleLine) -> float:
    return 21.2 if line.power == "primary" else STRAND_HEIGHT_FT


def _missed(xy: Pair, rng: np.random.Generator, most_m: float) -> Pair:
    angle, radius = rng.uniform(0, 2 * np.pi), rng.uniform(0.0, most_m)
    return xy[0] + float(radius * np.cos(angle)), xy[1] + float(radius * np.sin(angle))


def add_strands(plant: Plant, rng: np.random.Generator) -> None:
    """Draw strands; their vertices miss the poles by up to a metre."""
    sizes = {"G": "10m_3_8", "P": "6m_5_16", "N": "2_2m_3_16"}
    for line in pole_lines():
        if not line.has_strand:
            continue
        ids = plant.lines[line.code]
        whole = [plant.point(pole_id).coords[0] for pole_id in ids]
        runs = [whole]
        if line.is_cut_per_span:
            runs = [list(pair) for pair in pairwise(whole)]
        for run in runs:
            plant.strands.append(
                {
                    "strand_id": f"Z{len(plant.strands) + 1:02d}",
                    "height_ft": round(_level_ft(line) - 0.9 + rng.normal(0, 0.1), 1),
                    "size": sizes.get(line.code, "6_6m_1_4"),
                    "condition": "poor" if line.code == "B" else "good",
                    "geometry": LineString([_missed(xy, rng, 0.95) for xy in run]),
                }
            )


def add_power(plant: Plant, ground: Ground, rng: np.random.Generator) -> None:
    """Hang supply lines on their poles and supply drops to houses near them."""
    rows = plant.power
    fed: list[Row] = []
    for line in pole_lines():
        if line.power == "none":
            continue
        poles = [plant.pole(pole_id) for pole_id in plant.lines[line.code]]
        course = LineString([row["geometry"] for row in poles])
        if line.power == "primary":
            rows.append(_wire(rows, "supply_line", 7200.0, 30.2, course))
            rows.append(_wire(rows, "neutral", None, 27.5, course))
            continue
        rows.append(_wire(rows, "supply_line", 240.0, 23.6, course))
        fed += poles
    for lot in ground.lots:
        if lot.house is None or rng.random() > 0.6:
            continue
        near = min(fed, key=lambda row: row["geometry"].distance(lot.house))
        if near["geometry"].distance(lot.house) > 34.0:
            continue
        corners = [Point(xy) for xy in lot.house.exterior.coords[:-1]]
        corners.sort(key=near["geometry"].distance)
        end = corners[1] if len(corners) == 4 else corners[2]
        course = LineString([near["geometry"], end])
        rows.append(_wire(rows, "supply_drop", 240.0, round(rng.uniform(15.5, 18.0), 1), course))


def _wire(
    rows: list[Row], kind: str, voltage_v: float | None, height_ft: float, course: LineString
) -> Row:
    return {
        "power_id": f"E{len(rows) + 1:03d}",
        "power_kind": kind,
        "voltage_v": voltage_v,
        "height_ft": height_ft,
        "geometry": course,
    }


def add_existing_drops(plant: Plant, ground: Ground, rng: np.random.Generator) -> None:
    """Give a seventh of the lots near a terminal a drop that hangs already."""
    terminals = [row for row in plant.poles if row["ports_total"] > 0 and row["pole_id"][1] != "D"]
    for lot in ground.lots:
        if "Street/" not in lot.zone and lot.zone != "court":
            continue
        near = min(terminals, key=lambda row: row["geometry"].distance(lot.house))
        if near["geometry"].distance(lot.house) > 30.0 or rng.random() > 0.25:
            continue
        if near["ports_in_use"] + near["ports_reserved"] + 3 > near["ports_total"]:
            continue
        near["ports_in_use"] += 1
        lot.use = "served"
        end = nearest_points(lot.house, near["geometry"])[0]
        plant.existing_drops.append(
            {
                "drop_id": f"X{len(plant.existing_drops) + 1:02d}",
                "terminal_id": near["pole_id"],
                "height_ft": round(rng.uniform(13.5, 16.5), 1),
                "geometry": LineString([near["geometry"], end]),
            }
        )


def make_plant(ground: Ground, rng: np.random.Generator) -> Plant:
    """Build the plant of the town.

    Parameters
    ----------
    ground : Ground
        Lots with houses; lots that get an existing drop are marked as served.
    rng : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    Plant
        Rows of the plant's layers, in local metres.
    """
    plant = Plant()
    add_poles(plant, rng)
    add_strands(plant, rng)
    add_power(plant, ground, rng)
    add_existing_drops(plant, ground, rng)
    return plant


def lots_along(lots: list[Lot], zone: str) -> list[Lot]:
    """Return the lots of one zone that have no service yet."""
    return [lot for lot in lots if lot.zone == zone and lot.use == "new"]
