"""Write the tiny place: 12 addresses and 4 terminals whose best plan is worked out by hand.

Enters: a folder.
Leaves: four CSV files and ``project.toml``; no chance is involved.
Does not do: plan; write the hand calculation (see README.md beside the files).
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Sequence
from pathlib import Path

EAST_M, NORTH_M = 646_000, 3_190_000
POLE_Y_M = 8
ADDRESS_Y_M = {"N": 32, "S": -16}
LOT_FRONT_M = {"N": (29, 60), "S": (-44, -13)}

POLES = (("T1", 0, 2, 0, 0), ("T2", 50, 4, 1, 0), ("T3", 89, 3, 0, 0), ("T4", 139, 4, 0, 1))
"""Id, local x, ports in all, in use, reserved."""

ADDRESSES = {
    "N": (("N1", -18), ("N2", 18), ("N3", 32), ("N4", 57), ("N5", 82), ("N6", 107), ("N7", 121)),
    "S": (("S1", -18), ("S2", 32), ("S3", 57), ("S4", 82), ("S5", 121)),
}
LOT_EDGES_M = {
    "N": (-40, 0, 25, 44, 70, 94, 114, 147),
    "S": (-40, 0, 44, 70, 102, 147),
}

PROJECT = """\
# Twelve addresses, four terminals, eleven free ports. README.md has the sums.
name = "Tiny place (invented)"
crs = "EPSG:32615"
units = "metric"
rule_set = "us"
loading_district = "light"

# Only direct drops: there is no strand, and none is inferred. The longest candidate is 40 m;
# the default wire may hang 150 ft (45.7 m).
[limits]
max_air_span = "45 m"
max_spans_passed = 0

[strands]
infer = "never"

[choice]
use_reserve = false
max_extra_per_drop_crossing = 0.0

[layers]
parcels = { source = "parcels.csv", crs = "EPSG:32615" }
addresses = { source = "addresses.csv", crs = "EPSG:32615", x = "x", y = "y" }
poles = { source = "poles.csv", crs = "EPSG:32615", x = "x", y = "y" }
roads = { source = "roads.csv", crs = "EPSG:32615" }
"""


def _table(path: Path, header: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def _box(x0: int, y0: int, x1: int, y1: int) -> str:
    corners = ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
    inside = ", ".join(f"{EAST_M + x} {NORTH_M + y}" for x, y in corners)
    return f"POLYGON (({inside}))"


def make_tiny(out: Path) -> None:
    """Write the tiny place.

    Parameters
    ----------
    out : pathlib.Path
        Folder; made if missing, files of the same name are replaced.
    """
    out.mkdir(parents=True, exist_ok=True)
    (out / "project.toml").write_text(PROJECT, encoding="utf-8", newline="\n")
    addresses, parcels = [], []
    for side, places in ADDRESSES.items():
        street = "north" if side == "N" else "south"
        y0, y1 = LOT_FRONT_M[side]
        edges = LOT_EDGES_M[side]
        for k, (name, x) in enumerate(places):
            label = f"{name} Plumb Line, {street} side"
            addresses.append((name, label, EAST_M + x, NORTH_M + ADDRESS_Y_M[side]))
            parcels.append((f"LOT-{name}", f"Owner {name}", _box(edges[k], y0, edges[k + 1], y1)))
    _table(out / "addresses.csv", ("address_id", "label", "x", "y"), addresses)
    _table(out / "parcels.csv", ("parcel_id", "owner", "wkt"), parcels)
    _table(
        out / "poles.csv",
        (
            "pole_id",
            "x",
            "y",
            "height_m",
            "strand_height_m",
            "ports_total",
            "ports_in_use",
            "ports_reserved",
        ),
        [
            (name, EAST_M + x, NORTH_M + POLE_Y_M, "10.5", "7.0", total, in_use, reserved)
            for name, x, total, in_use, reserved in POLES
        ],
    )
    line = f"LINESTRING ({EAST_M - 60} {NORTH_M}, {EAST_M + 220} {NORTH_M})"
    _table(
        out / "roads.csv",
        ("road_id", "name", "road_class", "width_m", "wkt"),
        [("R1", "Plumb Line", "residential", "8.0", line)],
    )


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Write geoplan's tiny place.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "tiny")
    arguments = parser.parse_args()
    make_tiny(arguments.out)
    sys.stdout.write(f"{arguments.out.name}: 12 addresses, 4 terminals, 11 free ports\n")


if __name__ == "__main__":
    main()
