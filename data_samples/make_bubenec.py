"""Set an invented plant along the real streets of an open dataset, and write it as a project.

Buildings, streets and plots come from the dataset ``bubenec`` that the package momepy carries
(OpenStreetMap data of a part of Prague, open licence; the file is read from the package, not
copied into this repository). It is in EPSG:3857, where lengths there are about 1.56 times too
long, so the project says ``crs = "auto"`` and everything is worked out in a UTM zone.

Nothing else in it is real. Poles, strands, ports and addresses follow this rule:

- along every street, on the left side as it is drawn, a pole every 40 m (on the ground), 5 m from
  the centre-line, starting 5 m from its end; no pole where a building stands;
- strand between neighbouring poles of a street;
- a terminal with 6 ports on every second pole of a street, the first one first;
- strand at 7 m; every house has eaves at 6 m and a ridge at 8 m;
- streets are residential, 8 m wide;
- one address in every building.

    python data_samples/make_bubenec.py --out FOLDER
    geoplan plan FOLDER/project.toml --out RESULTS
"""

from __future__ import annotations

import argparse
from pathlib import Path

import geopandas as gpd
import momepy
import numpy as np
import shapely

POLE_EVERY_M = 40.0
OFFSET_M = 5.0
PORTS = 6
STRAND_M, EAVES_M, RIDGE_M = 7.0, 6.0, 8.0

PROJECT = """\
# Real streets and houses of an open dataset; an invented plant along them.
name = "Bubenec, real streets, invented plant"
crs = "auto"
units = "metric"
rule_set = "metric"
loading_district = "medium"
wire = "flat_fibre"

[layers]
parcels = "plots.gpkg"
buildings = "buildings.gpkg"
addresses = "addresses.gpkg"
poles = "poles.gpkg"
strands = "strands.gpkg"

[layers.roads]
source = "streets.gpkg"
"""


def place_poles(streets: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Place poles by the rule above; both frames in metres."""
    rows = []
    for street, line in zip(streets["road_id"], streets.geometry, strict=True):
        side = shapely.offset_curve(line, OFFSET_M)
        places = np.arange(5.0, side.length, POLE_EVERY_M)
        for number, point in enumerate(shapely.line_interpolate_point(side, places)):
            rows.append((f"{street}-{number:02d}", street, number, point))
    poles = gpd.GeoDataFrame(
        rows, columns=["pole_id", "street", "number", "geometry"], crs=streets.crs
    )
    return poles[~poles.intersects(buildings.union_all())].reset_index(drop=True)


def main() -> None:
    """Write the project."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    folder = parser.parse_args().out
    folder.mkdir(parents=True, exist_ok=True)
    source = momepy.datasets.get_path("bubenec")
    buildings = gpd.read_file(source, layer="buildings")
    streets = gpd.read_file(source, layer="streets")
    plots = gpd.read_file(source, layer="plots")
    metres = buildings.estimate_utm_crs()
    buildings["building_id"] = [f"B{row:03d}" for row in range(len(buildings))]
    buildings["eave_height_m"], buildings["height_m"] = EAVES_M, RIDGE_M
    streets["road_id"] = [f"S{row:02d}" for row in range(len(streets))]
    streets["road_class"], streets["width_m"] = "residential", 8.0
    plots["parcel_id"] = [f"L{row:03d}" for row in range(len(plots))]
    poles = place_poles(streets.to_crs(metres), buildings.to_crs(metres))
    poles["ports_total"] = np.where(poles["number"] % 2 == 0, PORTS, 0)
    poles["strand_height_m"] = STRAND_M
    after = poles.groupby("street").shift(-1)
    joined = after["pole_id"].notna()
    strands = gpd.GeoDataFrame(
        {"strand_id": poles.loc[joined, "pole_id"] + "+"},
        geometry=shapely.linestrings(
            np.stack(
                [
                    shapely.get_coordinates(poles.geometry[joined]),
                    shapely.get_coordinates(
                        gpd.GeoSeries(after.loc[joined, "geometry"], crs=metres)
                    ),
                ],
                axis=1,
            )
        ),
        crs=metres,
    )
    addresses = gpd.GeoDataFrame(
        {"address_id": buildings["building_id"].str.replace("B", "A")},
        geometry=buildings.representative_point(),
        crs=buildings.crs,
    )
    for name, frame in (
        ("plots", plots[["parcel_id", "geometry"]]),
        ("buildings", buildings[["building_id", "eave_height_m", "height_m", "geometry"]]),
        ("streets", streets[["road_id", "road_class", "width_m", "geometry"]]),
        ("addresses", addresses),
        ("poles", poles[["pole_id", "ports_total", "strand_height_m", "geometry"]]),
        ("strands", strands),
    ):
        frame.to_file(folder / f"{name}.gpkg")
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")


if __name__ == "__main__":
    main()
