"""Files: formats, coordinates in CSV, and those that cannot be read."""

from __future__ import annotations

import json
import math
import sqlite3
import struct
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from shapely.geometry import Point

from geoplan.errors import ColumnError, CrsError, GeometryError, LayerError
from geoplan.layers import read_layers
from geoplan.layers.read import checksum, open_source, read_rows
from geoplan.project import LayerSource


def source(path: Path, **more: Any) -> LayerSource:
    return LayerSource.model_validate({"source": str(path), **more})


def csv(folder: Path, text: str, name: str = "poles.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_missing_file_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match=r"file 'no\.shp': there is no such file\. Correct"):
        open_source("poles", source(tmp_path / "no.shp"))


@pytest.mark.parametrize("name", ["poles.gpkg", "poles.csv", "poles.parquet"])
def test_file_of_no_bytes_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).touch()
    with pytest.raises(LayerError, match=r"the file is empty\. Export it again"):
        open_source("poles", source(tmp_path / name))


@pytest.mark.parametrize("name", ["x.gpkg", "x.shp", "x.geojson", "x.fgb", "x.parquet"])
def test_garbage_is_refused_in_one_line(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"\x00garbage\x01\n" * 40)
    with pytest.raises(
        LayerError, match=r"cannot be read .*(Check that it|shapefile needs)"
    ) as info:
        open_source("poles", source(tmp_path / name))
    assert "\n" not in str(info.value)
    assert str(tmp_path) not in str(info.value)


def test_file_that_breaks_off_is_refused(tmp_path: Path, hamlet: Any) -> None:
    path = tmp_path / "poles.fgb"
    hamlet["poles"].to_file(path, driver="FlatGeobuf")
    path.write_bytes(path.read_bytes()[:-60])
    with pytest.raises(LayerError, match=r"cannot be read"):
        read_rows(open_source("poles", source(path)), ["pole_id"])


def test_several_layers_are_listed(tmp_path: Path, hamlet: Any) -> None:
    path = tmp_path / "all.gpkg"
    for name in ("old", "new"):
        hamlet["poles"].to_file(path, layer=name)
    with pytest.raises(LayerError, match=r"several layers: 'new', 'old'\. Name one under \[layers"):
        open_source("poles", source(path))
    assert open_source("poles", source(path, layer="old")).layer == "old"
    with pytest.raises(LayerError, match=r"no layer 'odl' in the file\. Did you mean 'old'"):
        open_source("poles", source(path, layer="odl"))


def test_layer_of_our_name_is_taken_from_several(tmp_path: Path, hamlet: Any) -> None:
    path = tmp_path / "all.gpkg"
    for name in ("poles", "roads"):
        hamlet[name].to_file(path, layer=name)
    assert open_source("roads", source(path)).layer == "roads"


def test_only_wanted_columns_are_read(tmp_path: Path, desk: Any, hamlet: Any) -> None:
    for kind in desk.formats:
        project = desk.project({"poles": hamlet["poles"], **hamlet}, kind)
        opened = open_source("poles", project.layers["poles"])
        assert list(read_rows(opened, ["pole_id"]).columns) == ["pole_id"]


@pytest.mark.parametrize(
    ("x", "y"),
    [("x", "y"), ("Lon", "LAT"), ("Longitude", "Latitude"), ("easting", "Northing")],
)
def test_coordinates_are_found_by_name(tmp_path: Path, x: str, y: str) -> None:
    path = csv(tmp_path, f"id,{y},{x}\na,2,1\n")
    raw = read_rows(open_source("poles", source(path)), ["id"])
    assert raw.geometry[0] == Point(1, 2)
    assert raw.has_assumed_degrees == x.lower().startswith("lon")


def test_project_names_the_coordinates(tmp_path: Path) -> None:
    path = csv(tmp_path, "id,x,y,px,py\na,9,9,1,2\n")
    raw = read_rows(open_source("poles", source(path, x="px", y="py")), ["id"])
    assert raw.geometry[0] == Point(1, 2)


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separator_is_found(tmp_path: Path, separator: str) -> None:
    path = csv(tmp_path, separator.join("ixy") + "\n" + separator.join(["a", "1", "2"]) + "\n")
    raw = read_rows(open_source("poles", source(path)), ["i"])
    assert raw.columns["i"].tolist() == ["a"]


def test_byte_order_mark_and_quotes_are_read(tmp_path: Path) -> None:
    path = csv(tmp_path, '\ufeffid,x,y\n"a ""b"", c\nd",1,2\n')
    raw = read_rows(open_source("poles", source(path)), ["id"])
    assert raw.columns["id"].tolist() == ['a "b", c\nd']


def test_coordinates_that_are_no_numbers_give_no_geometry(tmp_path: Path) -> None:
    path = csv(tmp_path, "id,x,y\na,east,2\nb,,\nc,1,2\n")
    raw = read_rows(open_source("poles", source(path)), ["id"])
    assert [one is None for one in raw.geometry] == [True, True, False]


def test_broken_wkt_gives_no_geometry(tmp_path: Path) -> None:
    path = csv(tmp_path, "id;wkt\na;POINT (1 2)\nb;POINT (1\nc;\n")
    raw = read_rows(open_source("poles", source(path)), ["id"])
    assert raw.geometry[0] == Point(1, 2)
    assert list(raw.geometry[1:]) == [None, None]


@pytest.mark.parametrize(
    ("text", "more", "match"),
    [
        ("id,a,b\n1,2,3\n", {}, r"no columns of coordinates\. Name them under \[layers\.poles\]"),
        (
            "id,x,y,lon,lat\n1,2,3,4,5\n",
            {},
            r"could be in 'x' and 'y', 'lon' and 'lat'\. Name them",
        ),
        ("id,x,y\n1,2,3\n", {"x": "x"}, r"only one of x and y is set\. Set both"),
        ("id,x1,y\n1,2,3\n", {"x": "x", "y": "y"}, r"no column 'x'\."),
    ],
)
def test_unclear_coordinates_are_refused(
    tmp_path: Path, text: str, more: dict[str, str], match: str
) -> None:
    with pytest.raises(ColumnError, match=match):
        open_source("poles", source(csv(tmp_path, text), **more))


def test_csv_in_another_encoding_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "poles.csv"
    path.write_bytes("id,x,y\nÄ,1,2\n".encode("latin-1"))
    with pytest.raises(LayerError, match=r"is not UTF-8 .*Save it as UTF-8"):
        read_rows(open_source("poles", source(path)), ["id"])


def test_torn_lines_of_a_csv_are_set_aside(desk: Any, hamlet: Any) -> None:
    project = desk.project(hamlet, "csv")
    path = desk.folder / "addresses.csv"
    path.write_text(
        path.read_text("utf-8") + "A8,1 Tarn Wend, rear,1,POINT (1 1)\nA9,x\n", encoding="utf-8"
    )
    layers = read_layers(project)
    assert layers.counts["addresses"] == 6
    aside = layers.set_aside.query("code == 'line_torn'")
    assert aside["row_id"].tolist() == ["line-1", "line-2"]
    assert aside["reason"].str.contains("'A8,1 Tarn Wend, rear|'A9,x'").all()


def test_column_named_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ColumnError, match=r"several columns are named 'a'\. Rename"):
        open_source("poles", source(csv(tmp_path, "a,a,x,y\n1,2,3,4\n")))


def test_csv_without_crs_is_refused_unless_in_degrees(desk: Any, hamlet: Any) -> None:
    table = hamlet["addresses"].drop(columns="geometry")
    metres = table.assign(x=hamlet["addresses"].geometry.x, y=hamlet["addresses"].geometry.y)
    project = desk.project(hamlet, entries={"addresses": {"source": "a.csv"}})
    metres.to_csv(desk.folder / "a.csv", index=False)
    with pytest.raises(CrsError, match=r'Set crs = "EPSG:\.\.\." under \[layers\.addresses\]'):
        read_layers(project)
    places = hamlet["addresses"].to_crs(4326).geometry
    table.assign(lon=places.x, lat=places.y).to_csv(desk.folder / "a.csv", index=False)
    layers = read_layers(project)
    assert "crs_assumed" in set(layers.findings["code"])
    assert layers.addresses.geometry["A1"].distance(hamlet["addresses"].geometry[1]) < 1e-6


def test_shapefile_without_projection_is_refused(desk: Any, hamlet: Any) -> None:
    project = desk.project(hamlet, "shp")
    (desk.folder / "roads.prj").unlink()
    with pytest.raises(
        CrsError, match=r"layer roads: has no coordinate reference system\. Set crs"
    ):
        read_layers(project)


def test_shapefile_without_its_index_is_refused(desk: Any, hamlet: Any) -> None:
    project = desk.project(hamlet, "shp")
    (desk.folder / "roads.shx").unlink()
    with pytest.raises(LayerError, match=r"A shapefile needs \.shp, \.shx, \.dbf"):
        read_layers(project)


def test_long_text_columns_of_a_shapefile_are_found(desk: Any, hamlet: Any) -> None:
    hamlet["addresses"]["locked_terminal_id"] = ["P0", None, None, "P2"]
    layers = read_layers(desk.project(hamlet, "shp"))
    assert layers.addresses["locked_terminal_id"].dropna().to_dict() == {"A0": "P0", "A3": "P2"}
    assert layers.poles["ports_reserved"].to_dict() == {"P0": 0, "P1": 0, "P2": 1}


def test_layer_of_the_wrong_type_throughout_is_refused(desk: Any, hamlet: Any) -> None:
    hamlet["roads"]["geometry"] = hamlet["roads"].buffer(2.0)
    with pytest.raises(GeometryError, match=r"\(polygon\); a line is wanted\. Name another file"):
        read_layers(desk.project(hamlet))


def test_table_without_geometry_is_refused(tmp_path: Path, hamlet: Any) -> None:
    table = pd.DataFrame(hamlet["poles"].drop(columns="geometry"))
    table.to_parquet(tmp_path / "poles.parquet")
    with pytest.raises(LayerError, match="Export it as GeoParquet"):
        open_source("poles", source(tmp_path / "poles.parquet"))


def test_third_coordinates_are_noted(desk: Any, hamlet: Any) -> None:
    points = hamlet["poles"].geometry
    hamlet["poles"]["geometry"] = gpd.points_from_xy(points.x, points.y, [1.0, 2.0, 3.0])
    layers = read_layers(desk.project(hamlet, "gpkg"))
    assert not layers.poles.has_z.any()
    assert "z_ignored" in set(layers.findings["code"])


def test_curved_outlines_are_read(tmp_path: Path, hamlet: Any) -> None:
    path = tmp_path / "parcels.gpkg"
    hamlet["parcels"].iloc[:1].to_file(path, layer="parcels", SPATIAL_INDEX="NO")
    ring = [(0.0, 0.0), (10.0, 10.0), (20.0, 0.0), (10.0, -10.0), (0.0, 0.0)]
    arcs = struct.pack("<BII", 1, 8, len(ring)) + b"".join(struct.pack("<2d", *xy) for xy in ring)
    curve_polygon = struct.pack("<BII", 1, 10, 1) + arcs
    with closing(sqlite3.connect(path)) as database, database:
        header = database.execute("select substr(geom, 1, 8) from parcels").fetchone()[0]
        plain = header[:3] + bytes([header[3] & 0b11110001]) + header[4:]  # no envelope
        database.execute("update parcels set geom = ?", (plain + curve_polygon,))
        database.execute("update gpkg_geometry_columns set geometry_type_name = 'CURVEPOLYGON'")
    circle = read_rows(open_source("parcels", source(path)), []).geometry[0]
    assert circle.geom_type == "Polygon"
    assert circle.area == pytest.approx(math.pi * 100.0, rel=1e-3)


def test_checksum_covers_all_parts_of_a_shapefile(desk: Any, hamlet: Any) -> None:
    desk.project(hamlet, "shp")
    path = desk.folder / "poles.shp"
    before = checksum(path)
    (desk.folder / "poles.txt").write_text("no part of it", encoding="utf-8")
    assert checksum(path) == before
    table = desk.folder / "poles.dbf"
    table.write_bytes(table.read_bytes()[:-1] + b"?")
    assert checksum(path) != before


def test_checksum_of_one_file_is_its_own(tmp_path: Path) -> None:
    path = csv(tmp_path, "abc")
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert checksum(path) == known


def rewrite_geo(path: Path, change: Any) -> None:
    """Change the geometry column or the metadata of a GeoParquet file."""
    table = pq.read_table(path)
    meta = json.loads(table.schema.metadata[b"geo"])
    table = change(table, meta)
    pq.write_table(
        table.replace_schema_metadata({**table.schema.metadata, b"geo": json.dumps(meta)}), path
    )


@pytest.fixture
def poles_parquet(tmp_path: Path) -> Path:
    path = tmp_path / "poles.parquet"
    points = [Point(600_000, 1_000_000), Point(600_010, 1_000_000)]
    columns = {"pole_id": ["P1", "P2"], "ports_total": [4, 0]}
    gpd.GeoDataFrame(columns, geometry=points, crs="EPSG:32615").to_parquet(path)
    return path


def test_a_column_that_pandas_keeps_as_index_is_read(poles_parquet: Path) -> None:
    gpd.read_parquet(poles_parquet).set_index("pole_id").to_parquet(poles_parquet)
    raw = read_rows(open_source("poles", source(poles_parquet)), ["ports_total", "pole_id"])
    assert raw.columns["pole_id"].tolist() == ["P1", "P2"]
    assert raw.columns["ports_total"].tolist() == [4, 0]


def test_geometry_that_cannot_be_decoded_is_none(poles_parquet: Path) -> None:
    def tear(table: pa.Table, meta: Any) -> pa.Table:
        torn = pa.array([table["geometry"][0].as_py(), b"\x01\x01\x00"])
        return table.set_column(table.column_names.index("geometry"), "geometry", torn)

    rewrite_geo(poles_parquet, tear)
    raw = read_rows(open_source("poles", source(poles_parquet)), ["pole_id"])
    assert raw.geometry[0] == Point(600_000, 1_000_000)
    assert raw.geometry[1] is None


@pytest.mark.parametrize(("said", "name"), [(None, None), ("none at all", "WGS 84 (CRS84)")])
def test_no_crs_differs_from_none_said(poles_parquet: Path, said: Any, name: str | None) -> None:
    def change(table: pa.Table, meta: Any) -> pa.Table:
        meta["columns"]["geometry"].pop("crs")
        if said is None:
            meta["columns"]["geometry"]["crs"] = None
        return table

    rewrite_geo(poles_parquet, change)
    crs = read_rows(open_source("poles", source(poles_parquet)), ["pole_id"]).crs
    assert (crs.name if crs is not None else None) == name


def test_crs_that_is_none_is_refused(poles_parquet: Path) -> None:
    def change(table: pa.Table, meta: Any) -> pa.Table:
        meta["columns"]["geometry"]["crs"] = "no such thing"
        return table

    rewrite_geo(poles_parquet, change)
    with pytest.raises(LayerError, match=r"cannot be read .*Check that it opens in a GIS"):
        read_rows(open_source("poles", source(poles_parquet)), ["pole_id"])


def test_other_encodings_are_read_too(poles_parquet: Path) -> None:
    wanted = read_rows(open_source("poles", source(poles_parquet)), ["pole_id"])
    gpd.read_parquet(poles_parquet).to_parquet(
        poles_parquet, geometry_encoding="geoarrow", schema_version="1.1.0"
    )
    raw = read_rows(open_source("poles", source(poles_parquet)), ["pole_id"])
    assert raw.geometry.tolist() == wanted.geometry.tolist()
    assert raw.crs == wanted.crs
