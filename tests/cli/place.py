"""A small invented street, written to files of any format, sound or spoiled."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import CRS

from geoplan.cli import main

X0, Y0 = 646_000.0, 3_190_000.0
METRES = "EPSG:32615"
REQUIRED = ("parcels", "addresses", "poles", "roads")


def street(x0: float = X0, y0: float = Y0, crs: str = METRES) -> dict[str, gpd.GeoDataFrame]:
    """Six lots on both sides of a road, three poles on one strand, twelve ports."""

    def frame(geometry: list[Any], **columns: Any) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(columns, geometry=geometry, crs=crs)

    lots = [(25 * column, side) for side in (10, -36) for column in range(3)]
    names = ["A1", "A2", "A3", "B1", "B2", "B3"]
    places = [(x + 12.5, 27.0 if side > 0 else -20.0) for x, side in lots]
    return {
        "parcels": frame(
            [shapely.box(x0 + x, y0 + y, x0 + x + 25, y0 + y + 30) for x, y in lots],
            parcel_id=[f"L-{name}" for name in names],
            owner=[f"Owner {name}" for name in names],
        ),
        "addresses": frame(
            [shapely.Point(x0 + x, y0 + y) for x, y in places],
            address_id=names,
            label=[f"{name} Sorrel Lane" for name in names],
        ),
        "buildings": frame(
            [shapely.box(x0 + x - 5, y0 + y - 4, x0 + x + 5, y0 + y + 4) for x, y in places],
            building_id=[f"H-{name}" for name in names],
            eave_height_m=[6.0] * 6,
        ),
        "poles": frame(
            [shapely.Point(x0 + x, y0 + 7) for x in (0, 37.5, 75)],
            pole_id=["P1", "P2", "P3"],
            height_m=[12.0, 12.5, 13.0],
            strand_height_m=[8.5, 8.8, 9.0],
            ports_total=[4, 4, 4],
            ports_in_use=[0, 1, 0],
            ports_reserved=[0, 0, 1],
        ),
        "strands": frame(
            [shapely.LineString([(x0, y0 + 7), (x0 + 75, y0 + 7)])], strand_id=["S1"], size=["6M"]
        ),
        "roads": frame(
            [shapely.LineString([(x0 - 30, y0), (x0 + 105, y0)])],
            road_id=["R1"],
            name=["Sorrel Lane"],
            road_class=["residential"],
            width_m=[8.0],
        ),
    }


def csv_text(layer: gpd.GeoDataFrame, separator: str = ",") -> str:
    """Write a layer as text, points as x and y, others as WKT."""
    table = pd.DataFrame(layer.drop(columns="geometry"))
    if (layer.geometry.geom_type == "Point").all():
        table = table.assign(x=layer.geometry.x, y=layer.geometry.y)
    else:
        table = table.assign(wkt=layer.geometry.to_wkt())
    return str(table.to_csv(index=False, sep=separator))


@dataclass
class Outcome:
    """What a run said and wrote."""

    code: int
    out: str
    err: str
    folder: Path

    def table(self, name: str) -> pd.DataFrame:
        """Return a table as the CSV has it, or in SI where only GeoParquet was written."""
        path = self.folder / f"{name}.csv"
        if not path.exists() and (parquet := path.with_suffix(".parquet")).exists():
            return pd.DataFrame(gpd.read_parquet(parquet).drop(columns="geometry"))
        return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")

    def codes(self, layer: str) -> set[str]:
        """Codes of the findings of a layer."""
        findings = self.table("findings")
        return set(findings.loc[findings["layer"] == layer, "code"])

    def aside(self, layer: str) -> dict[str, str]:
        """Rows of a layer set aside: id to code."""
        rows = self.table("set_aside")
        rows = rows[rows["layer"] == layer]
        return dict(zip(rows["row_id"], rows["code"], strict=True))

    def drops(self) -> pd.DataFrame:
        return self.table("drops").set_index("address_id")

    def unserved(self) -> dict[str, str]:
        rows = self.table("unserved")
        return dict(zip(rows["address_id"], rows["code"], strict=True))


@dataclass
class Place:
    """A folder with files of layers and a project that names them."""

    folder: Path
    capture: Any
    layers: dict[str, gpd.GeoDataFrame] = field(default_factory=street)
    entries: dict[str, str] = field(default_factory=dict)
    """Layers whose entry in the project is written by hand, as TOML after ``name =``."""
    head: str = 'name = "Sorrel Lane (invented)"\ncrs = "EPSG:32615"\nunits = "metric"\n'

    def keep(self, *names: str) -> None:
        """Bring only these layers."""
        self.layers = {name: self.layers[name] for name in names}

    def change(self, name: str, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> None:
        """Spoil one layer before it is written."""
        self.layers[name] = change(self.layers[name])

    def bring(self, name: str, file: str, content: str | bytes, keys: str = "") -> Path:
        """Bring a file of given content as a layer."""
        path = self.folder / file
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        self.entries[name] = f'{{ source = "{file}"{", " + keys if keys else ""} }}'
        return path

    def bring_csv(self, name: str, **changes: Any) -> None:
        """Bring a layer as CSV with some columns replaced."""
        layer = self.layers[name].assign(**changes)
        self.bring(name, f"{name}.csv", csv_text(layer), f'crs = "{layer.crs.to_string()}"')

    def write(self) -> Path:
        """Write the layers that have no entry yet as GeoPackage, and the project."""
        for name, layer in self.layers.items():
            if name not in self.entries:
                layer.to_file(self.folder / f"{name}.gpkg", driver="GPKG")
                self.entries[name] = f'"{name}.gpkg"'
        lines = [f"{name} = {entry}" for name, entry in self.entries.items()]
        text = f"{self.head}\n[layers]\n" + "\n".join(lines) + "\n"
        tomllib.loads(text)
        project = self.folder / "project.toml"
        project.write_text(text, encoding="utf-8")
        return project

    def run(self, command: str = "plan", out: str = "out") -> Outcome:
        """Run a command on the project in this process; a crash fails the test by itself."""
        project = self.write()
        return self.run_on(project, command, out)

    def planned(self) -> Outcome:
        """Plan, and write tables for programs only: enough where what is read is in question."""
        return self.planned_on(self.write())

    def planned_on(self, project: Path) -> Outcome:
        """Plan a project file likewise."""
        return self.run_on(project, "plan", "out", "--tables", "geoparquet")

    def run_on(
        self, project: Path, command: str = "plan", out: str = "out", *words: str
    ) -> Outcome:
        """Run a command on a project file."""
        self.capture.readouterr()
        code = main([command, str(project), "--out", str(self.folder / out), *words])
        said = self.capture.readouterr()
        return Outcome(code, said.out, said.err, self.folder / out)


def is_one_clear_line(outcome: Outcome) -> bool:
    """Say whether a run was refused as it should be: one line, code 2, nothing written."""
    left = sorted(path.name for path in outcome.folder.parent.glob(".geoplan-*"))
    return (
        outcome.code == 2
        and outcome.out == ""
        and outcome.err.startswith("geoplan: ")
        and outcome.err.count("\n") == 1
        and len(outcome.err) < 600
        and not outcome.folder.exists()
        and not left
    )


def unit_of(code: str) -> float:
    """Metres in a CRS's unit."""
    return float(CRS(code).axis_info[0].unit_conversion_factor)
