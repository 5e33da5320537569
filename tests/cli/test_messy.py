"""Data as it comes: files of mixed quality, through the command line, from end to end.

Each case ends in a plan, in rows set aside and counted, or in one clear line with code 2 and
nothing written; never in a crash, and never in silence.
"""

from __future__ import annotations

import csv
import os
import sqlite3
import stat
import subprocess
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.cli import main
from tests.cli.place import (
    METRES,
    REQUIRED,
    X0,
    Y0,
    Outcome,
    Place,
    csv_text,
    is_one_clear_line,
    street,
)

ALL = {"A1", "A2", "A3", "B1", "B2", "B3"}
LENGTHS = ["air_span_m", "strand_run_m", "route_m"]
NASTY = [
    'O\'Brien & Söhne, "Ñandú" №7',
    "<script>alert(1)</script>",
    '=HYPERLINK("http://x.invalid","y")',
    "'; DROP TABLE drops; --",
    "{{7*7}} ${x} %s \\n \\",
    "日本 🏠 \u202eevil",
]


@pytest.fixture
def place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Place:
    return Place(tmp_path, capsys)


@pytest.fixture(scope="module")
def sound_drops(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Plan the street as it is, from layers in one GeoPackage each."""
    folder = tmp_path_factory.mktemp("sound")
    project = Place(folder, None).write()
    words = ["--out", str(folder / "out"), "--tables", "geoparquet", "--quiet"]
    assert main(["plan", str(project), *words]) == 0
    return Outcome(0, "", "", folder / "out").drops()


def _lengths(drops: pd.DataFrame) -> pd.DataFrame:
    return drops[LENGTHS].replace("", "nan").astype(float)


# --- formats ---


def test_a_sound_street_is_served(place: Place) -> None:
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) == ALL
    assert outcome.table("set_aside").empty


@pytest.mark.parametrize("kind", ["shp", "geojson", "fgb", "parquet", "csv", "one gpkg"])
def test_every_format_gives_the_same_drops(
    kind: str, place: Place, sound_drops: pd.DataFrame
) -> None:
    for name, layer in place.layers.items():
        path = place.folder / f"{name}.{kind}"
        if kind == "csv":
            place.bring_csv(name)
        elif kind == "parquet":
            layer.to_parquet(path)
            place.entries[name] = f'"{path.name}"'
        elif kind == "one gpkg":
            layer.to_file(place.folder / "all.gpkg", layer=name, driver="GPKG")
            place.entries[name] = '"all.gpkg"'
        elif kind == "shp":
            short = {column: column[:10] for column in layer.columns if column != "geometry"}
            layer.rename(columns=short).to_file(path)
            place.entries[name] = f'"{path.name}"'
        elif kind == "geojson":
            layer.to_crs(4326).to_file(path, driver="GeoJSON", COORDINATE_PRECISION=12)
            place.entries[name] = f'"{path.name}"'
        else:
            layer.to_file(path)
            place.entries[name] = f'"{path.name}"'
    expected, found = sound_drops, place.planned().drops()
    tolerance_m = 2e-4 if kind == "geojson" else 1e-6
    np.testing.assert_allclose(_lengths(found), _lengths(expected), atol=tolerance_m)
    assert found["terminal_id"].equals(expected["terminal_id"])


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_a_csv_may_be_split_otherwise(place: Place, separator: str) -> None:
    text = csv_text(place.layers["addresses"], separator)
    place.bring("addresses", "addresses.csv", text, f'crs = "{METRES}"')
    assert set(place.planned().drops().index) == ALL


def test_a_byte_order_mark_is_read_over(place: Place) -> None:
    text = csv_text(place.layers["addresses"])
    place.bring("addresses", "a.csv", b"\xef\xbb\xbf" + text.encode(), f'crs = "{METRES}"')
    project = place.write()
    project.write_bytes(b"\xef\xbb\xbf" + project.read_bytes())
    assert set(place.planned_on(project).drops().index) == ALL


def test_windows_line_ends_are_read_over(place: Place) -> None:
    text = csv_text(place.layers["addresses"]).replace("\n", "\r\n")
    place.bring("addresses", "a.csv", text, f'crs = "{METRES}"')
    assert set(place.planned().drops().index) == ALL


def test_no_crs_is_called_assumed_where_the_project_says_it(place: Place) -> None:
    layer = place.layers["addresses"].to_crs(4326)
    text = csv_text(layer).replace(",x,y", ",longitude,latitude", 1)
    place.bring("addresses", "a.csv", text)
    assert "crs_assumed" in place.planned().codes("addresses")
    place.bring("addresses", "a.csv", text, 'crs = "EPSG:4326"')
    assert "crs_assumed" not in place.planned().codes("addresses")


def test_a_link_to_a_file_is_followed(place: Place, tmp_path: Path) -> None:
    real = tmp_path / "real"
    real.mkdir()
    place.layers["poles"].to_file(real / "p.gpkg", driver="GPKG")
    (place.folder / "link.gpkg").symlink_to(real / "p.gpkg")
    place.entries["poles"] = '"link.gpkg"'
    assert set(place.planned().drops().index) == ALL


# --- files that cannot be used ---

LATIN = "address_id,label,x,y\nA1,Böschung,646012,3190027\n".encode("latin-1")

BAD_FILES: dict[str, tuple[str, bytes, str]] = {
    "latin-1 csv": ("a.csv", LATIN, "not UTF-8"),
    "utf-16 csv": ("a.csv", "address_id,x,y\nA1,1,2\n".encode("utf-16"), "not UTF-8"),
    "zero bytes csv": ("a.csv", b"", "the file is empty"),
    "zero bytes gpkg": ("a.gpkg", b"", "the file is empty"),
    "zero bytes shapefile": ("a.shp", b"", "the file is empty"),
    "zero bytes parquet": ("a.parquet", b"", "the file is empty"),
    "blank lines only": ("a.csv", b"\n\n\n", "a.csv"),
    "header only": ("a.csv", b"address_id,x,y\n", "no rows"),
    "noise as gpkg": ("a.gpkg", os.urandom(2000), "cannot be read"),
    "noise as csv": ("a.csv", b"\x00\xff\xfe\x01" * 500, "not UTF-8"),
    "noise as parquet": ("a.parquet", b"PAR1" + b"\x00" * 400 + b"PAR1", "cannot be read"),
    "noise as shapefile": ("a.shp", b"\x00\x00\x27\x0a" + b"\x07" * 300, "cannot be read"),
    "page of a web server": ("a.geojson", b"<html>404</html>", "cannot be read"),
    "json of no geometry": ("a.geojson", b'{"a": 1}', "cannot be read"),
    "broken json": ("a.geojson", b'{"type": "FeatureCollection", "features": [', "cannot be read"),
    "csv without coordinates": ("a.csv", b"address_id,label\nA1,x\n", "no columns of coordinates"),
    "csv with a column twice": ("a.csv", b"address_id,x,y,x\nA1,1,2,3\n", "several columns"),
    "unknown ending": ("a.dat", b"hello", "cannot be read"),
    "unclosed quote": ("a.csv", b'address_id,x,y\n"A1,646012,3190027\nA2,1,2\n', "addresses"),
}


@pytest.mark.parametrize("case", list(BAD_FILES))
@pytest.mark.parametrize("command", ["plan", "check"])
def test_a_file_of_no_use_gets_one_line(place: Place, case: str, command: str) -> None:
    file, content, expected = BAD_FILES[case]
    place.bring("addresses", file, content, f'crs = "{METRES}"')
    outcome = place.run(command)
    assert is_one_clear_line(outcome), (outcome.code, outcome.err, outcome.out)
    assert expected in outcome.err
    assert "addresses" in outcome.err


def test_a_folder_in_place_of_a_file_gets_one_line(place: Place) -> None:
    (place.folder / "things").mkdir()
    place.entries["addresses"] = '"things"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    (place.folder / "t.csv").mkdir()
    place.entries["addresses"] = '"t.csv"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    (place.folder / "t.parquet").mkdir()
    place.entries["addresses"] = '"t.parquet"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err


def test_a_broken_link_gets_one_line(place: Place) -> None:
    (place.folder / "a.gpkg").symlink_to(place.folder / "nowhere.gpkg")
    place.entries["addresses"] = '"a.gpkg"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "no such file" in outcome.err


def test_a_link_in_a_circle_gets_one_line(place: Place) -> None:
    (place.folder / "a.gpkg").symlink_to(place.folder / "b.gpkg")
    (place.folder / "b.gpkg").symlink_to(place.folder / "a.gpkg")
    place.entries["addresses"] = '"a.gpkg"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err


def test_a_shapefile_without_its_parts_gets_one_line(place: Place) -> None:
    place.layers["addresses"].to_file(place.folder / "a.shp")
    (place.folder / "a.shx").unlink()
    (place.folder / "a.dbf").unlink()
    place.entries["addresses"] = '"a.shp"'
    outcome = place.run()
    if outcome.code == 0:  # the index can be restored; then the ids are gone, and it is said
        assert "id_missing" in outcome.codes("addresses")
    else:
        assert is_one_clear_line(outcome), outcome.err


def test_a_shapefile_without_its_prj_needs_a_crs(place: Place) -> None:
    place.layers["addresses"].to_file(place.folder / "a.shp")
    (place.folder / "a.prj").unlink()
    place.entries["addresses"] = '"a.shp"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "no coordinate reference system" in outcome.err
    place.entries["addresses"] = f'{{ source = "a.shp", crs = "{METRES}" }}'
    assert set(place.planned().drops().index) == ALL


def test_a_geopackage_with_several_layers_needs_a_name(place: Place) -> None:
    for name in ("one", "two"):
        place.layers["addresses"].to_file(place.folder / "a.gpkg", layer=name, driver="GPKG")
    place.entries["addresses"] = '"a.gpkg"'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "'one', 'two'" in outcome.err
    place.entries["addresses"] = '{ source = "a.gpkg", layer = "two" }'
    assert set(place.planned().drops().index) == ALL


def test_a_table_without_geometry_gets_one_line(place: Place) -> None:
    with sqlite3.connect(place.folder / "a.gpkg") as base:
        base.execute("CREATE TABLE addresses (address_id TEXT)")
        base.execute("INSERT INTO addresses VALUES ('A1')")
    base.close()
    place.entries["addresses"] = '"a.gpkg"'
    assert is_one_clear_line(place.run())


def test_keys_that_a_format_has_no_use_for_get_one_line(place: Place) -> None:
    place.layers["addresses"].to_file(place.folder / "a.gpkg", driver="GPKG")
    place.entries["addresses"] = '{ source = "a.gpkg", x = "lon", y = "lat" }'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    place.bring("addresses", "a.csv", csv_text(place.layers["addresses"]), 'layer = "a"')
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err


# --- coordinate reference systems ---

FEET = {
    "US survey feet, California 5": ("EPSG:2229", "EPSG:26945", 2_000_000.0, 560_000.0),
    "US survey feet, Pennsylvania South": ("EPSG:2272", "EPSG:32129", 800_000.0, 80_000.0),
    "international feet, Arizona East": ("EPSG:2222", "EPSG:26948", 250_000.0, 300_000.0),
    "international feet, South Carolina": ("EPSG:2273", "EPSG:32133", 600_000.0, 200_000.0),
}


@pytest.mark.parametrize("case", list(FEET))
def test_a_plan_in_feet_has_the_lengths_of_one_in_metres(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    feet, metres, x0, y0 = FEET[case]
    drops = {}
    for crs in (feet, metres):
        place = Place(tmp_path / crs[5:], capsys, layers=street(x0, y0, metres))
        place.folder.mkdir()
        place.head = f'name = "x"\ncrs = "{crs}"\nunits = "metric"\n'
        if crs == feet:
            factor = {"EPSG:2229": 1200 / 3937, "EPSG:2272": 1200 / 3937}.get(feet, 0.3048)
            for name, layer in place.layers.items():
                scaled = layer.geometry.scale(1 / factor, 1 / factor, origin=(0, 0))
                place.layers[name] = layer.set_geometry(scaled.set_crs(feet, allow_override=True))
        outcome = place.planned()
        assert outcome.code == 0, outcome.err
        drops[crs] = outcome.drops()
    assert set(drops[feet].index) == ALL
    np.testing.assert_allclose(_lengths(drops[feet]), _lengths(drops[metres]), atol=2e-3)
    assert drops[feet]["terminal_id"].equals(drops[metres]["terminal_id"])


def test_poles_in_feet_meet_addresses_in_metres(place: Place, sound_drops: pd.DataFrame) -> None:
    expected = sound_drops
    place.layers["poles"] = place.layers["poles"].to_crs("EPSG:2229")
    found = place.planned().drops()
    np.testing.assert_allclose(_lengths(found), _lengths(expected), atol=2e-3)


WRONG_CRS = {
    "degrees called metres": (4326, "EPSG:32615", "look like degrees"),
    "metres called degrees": (32615, "EPSG:4326", "are no degrees"),
    "no such crs": (32615, "EPSG:999999", "EPSG:999999"),
    "words": (32615, "somewhere", "somewhere"),
    "a crs of heights": (32615, "EPSG:5703", "neither projected nor in degrees"),
    "a crs about the Earth's centre": (32615, "EPSG:4978", "neither projected nor in degrees"),
}


@pytest.mark.parametrize("case", list(WRONG_CRS))
def test_a_wrong_crs_gets_one_line(place: Place, case: str) -> None:
    real, said, expected = WRONG_CRS[case]
    layer = place.layers["addresses"].to_crs(real)
    place.bring("addresses", "a.csv", csv_text(layer), f'crs = "{said}"')
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert expected in outcome.err


def test_a_layer_in_the_next_zone_is_reported(place: Place) -> None:
    place.change("roads", lambda roads: roads.set_crs("EPSG:32616", allow_override=True))
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert "layer_far_away" in outcome.codes("roads")


def test_swapped_degrees_are_reported(place: Place) -> None:
    layer = place.layers["addresses"].to_crs(4326)
    swapped = layer.set_geometry(gpd.points_from_xy(layer.geometry.y, layer.geometry.x))
    place.bring("addresses", "a.csv", csv_text(swapped), 'crs = "EPSG:4326"')
    outcome = place.run()
    if outcome.code == 2:
        assert is_one_clear_line(outcome), outcome.err
    else:
        assert {"layer_far_away"} <= outcome.codes("poles")
        assert "swapped" in " ".join(outcome.table("findings")["remedy"])


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:32601", "EPSG:5703", "", "auto "])
def test_a_project_crs_that_does_not_fit_gets_one_line(place: Place, crs: str) -> None:
    place.head = f'crs = "{crs}"\n'
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "key crs" in outcome.err


# --- rows: ids, values, text ---


def test_rows_that_share_an_id_are_set_aside_and_counted(place: Place) -> None:
    ids = ["A1", "A1", "A3", "B1", "B2", "B2"]
    place.change("addresses", lambda layer: layer.assign(address_id=ids))
    outcome = place.planned()
    assert set(outcome.drops().index) == {"A1", "A3", "B1", "B2"}
    assert outcome.aside("addresses") == {"A1": "duplicate_id", "B2": "duplicate_id"}
    assert "set aside 2" in outcome.out


def test_rows_without_id_are_named_and_reported(place: Place) -> None:
    place.change("addresses", lambda layer: layer.assign(address_id=[None, "", " ", *"xyz"]))
    outcome = place.run()
    assert set(outcome.drops().index) == {"row-1", "row-2", "row-3", "x", "y", "z"}
    assert "id_missing" in outcome.codes("addresses")


def test_words_in_columns_of_numbers_become_unknown_and_are_reported(place: Place) -> None:
    place.bring_csv("poles", height_m=["tall", "35 ft", ""], ports_in_use=["0", "none", "1"])
    place.bring_csv("roads", width_m=["wide"])
    outcome = place.planned()
    assert outcome.code == 0, outcome.err
    assert "height_unreadable" in outcome.codes("poles")
    assert outcome.aside("poles") == {"P2": "ports_in_use_unreadable"}
    assert "width_unreadable" in outcome.codes("roads")


@pytest.mark.parametrize(
    "value", ["nan", "inf", "-inf", "1e400", "-5", "1,5", "٣", "0x10", "1e300"]
)
def test_no_number_of_a_csv_brings_the_plan_down(place: Place, value: str) -> None:
    place.bring_csv("poles", height_m=[value] * 3, ports_total=["4", value, "4"])
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    told = outcome.table("set_aside").to_csv() + outcome.table("findings").to_csv()
    assert "height" in told or value in {"nan", "٣"}


def test_numbers_of_any_type_are_read(place: Place) -> None:
    place.change(
        "poles",
        lambda poles: poles.assign(
            pole_id=[1, 2, 3], ports_total=[4.0, 4.0, np.nan], ports_in_use=["0", "1", None]
        ),
    )
    outcome = place.planned()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops()["terminal_id"]) <= {"1", "2"}


def test_columns_of_dates_truth_and_bytes_are_no_numbers(place: Place) -> None:
    stamp = pd.Timestamp("2020-01-02")
    place.change("poles", lambda poles: poles.assign(height_m=[stamp] * 3, condition=[True] * 3))
    outcome = place.planned()
    assert outcome.code == 0, outcome.err
    assert "height_unreadable" in outcome.codes("poles")


def test_names_are_told_as_they_are_and_do_no_harm(place: Place) -> None:
    place.change("addresses", lambda layer: layer.assign(address_id=NASTY, label=NASTY))
    place.change("parcels", lambda layer: layer.assign(parcel_id=NASTY, owner=NASTY))
    place.change("poles", lambda layer: layer.assign(pole_id=NASTY[:3]))
    place.change("roads", lambda layer: layer.assign(name=[NASTY[1]], road_class=[NASTY[3]]))
    place.head = 'name = "<img src=x onerror=alert(1)>"\ncrs = "EPSG:32615"\n'
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    drops = gpd.read_file(outcome.folder / "plan.gpkg", layer="drops")
    assert set(drops["address_id"]) == set(NASTY)
    with sqlite3.connect(outcome.folder / "plan.gpkg") as base:
        assert base.execute("SELECT count(*) FROM drops").fetchone() == (6,)
    base.close()
    page = (outcome.folder / "map.html").read_text(encoding="utf-8")
    assert "<script>alert(1)</script>" not in page
    assert "<img src=x" not in page
    with (outcome.folder / "drops.csv").open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]


def test_columns_named_as_ours_in_another_case_do_no_harm(place: Place) -> None:
    place.change(
        "addresses",
        lambda layer: layer.assign(fid_=1, index=2, level_0=3, parcel_id="y", select=4),
    )
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) == ALL


def test_very_long_names_do_no_harm(place: Place) -> None:
    long = ["n" * 100_000, *"bcdef"]
    place.change("addresses", lambda layer: layer.assign(address_id=long, label=long))
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert len(outcome.out) < 20_000


# --- places ---


def test_addresses_on_the_centroid_or_in_the_road_are_reported(place: Place) -> None:
    def move(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        points = list(layer.geometry)
        points[0] = place.layers["parcels"].geometry[0].centroid
        points[1] = shapely.Point(X0 + 30, Y0 + 1)
        points[2] = shapely.Point(X0 + 200, Y0 + 200)
        return layer.set_geometry(points, crs=METRES)

    place.change("addresses", move)
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    codes = {"address_on_parcel_centroid", "address_in_road", "address_outside_parcels"}
    assert codes <= outcome.codes("addresses")
    assert set(outcome.drops().index) | set(outcome.unserved()) == ALL


def test_poles_without_height_and_roads_without_width_are_planned_on_defaults(place: Place) -> None:
    place.change("poles", lambda poles: poles.drop(columns=["height_m", "strand_height_m"]))
    place.change("roads", lambda roads: roads.drop(columns=["width_m", "road_class"]))
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) >= {"A1", "A2", "A3"}  # own side of the street
    assert set(outcome.drops().index) | set(outcome.unserved()) == ALL
    assert {"width_assumed", "road_class_assumed"} <= outcome.codes("roads")


@pytest.mark.parametrize(("miss_m", "is_used"), [(1.0, True), (5.0, False)])
def test_strands_that_miss_their_poles_are_joined_within_the_tolerance(
    place: Place, miss_m: float, is_used: bool
) -> None:
    off = shapely.LineString([(X0 - 0.2, Y0 + 7 + miss_m), (X0 + 75.2, Y0 + 7 + miss_m)])
    place.change("strands", lambda strands: strands.set_geometry([off], crs=METRES))
    outcome = place.planned()
    assert outcome.code == 0, outcome.err
    if is_used:
        assert "strand_ends_moved" in outcome.codes("strands")
    else:
        assert set(outcome.aside("strands")) == {"S1"}


def test_broken_and_multipart_outlines_are_mended_or_set_aside(place: Place) -> None:
    def spoil(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        shapes = list(parcels.geometry)
        x, y = X0, Y0 + 10
        bow = [(x, y), (x + 25, y + 30), (x + 25, y), (x, y + 30), (x, y)]
        shapes[0] = shapely.Polygon(bow)
        shapes[1] = shapely.MultiPolygon([shapes[1], shapely.box(X0 + 300, Y0, X0 + 310, Y0 + 9)])
        shapes[2] = shapely.Polygon()
        shapes[3] = None
        shapes[4] = shapely.Point(X0, Y0)
        return parcels.set_geometry(gpd.GeoSeries(shapes, crs=METRES))

    place.change("parcels", spoil)
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert "outline_mended" in outcome.codes("parcels")
    assert outcome.aside("parcels") == {
        "L-A3": "geometry_empty",
        "L-B1": "geometry_missing",
        "L-B2": "geometry_wrong_type",
    }
    assert set(outcome.drops().index) | set(outcome.unserved()) == ALL


def test_coordinates_that_are_no_numbers_or_far_off_are_set_aside_or_reported(
    place: Place,
) -> None:
    x = place.layers["addresses"].geometry.x.astype(str).tolist()
    y = place.layers["addresses"].geometry.y.astype(str).tolist()
    x[0], y[1], x[2], y[3], x[4] = "nan", "", "1e300", "inf", "east"
    table = pd.DataFrame({"address_id": sorted(ALL), "x": x, "y": y})
    place.bring("addresses", "a.csv", table.to_csv(index=False), f'crs = "{METRES}"')
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert (
        set(outcome.drops().index) | set(outcome.unserved()) | set(outcome.aside("addresses"))
        == ALL
    )
    assert set(outcome.drops().index) == {"B3"}
    assert outcome.aside("addresses")["A3"] == "geometry_off_earth"


@pytest.mark.parametrize("name", ["addresses", "poles", "parcels", "roads", "strands"])
@pytest.mark.parametrize("away_m", [1e5, 1e9, 1.7e308])
def test_one_row_in_a_far_place_keeps_no_other_from_its_plan(
    place: Place, name: str, away_m: float
) -> None:
    def move(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        far = layer.iloc[[0]].copy()
        far[far.columns[0]] = "FAR"
        moved = shapely.transform(far.geometry.array, lambda xy: xy * 0.1 + away_m)
        far = far.set_geometry(gpd.GeoSeries(moved, index=far.index, crs=METRES))
        return pd.concat([layer, far], ignore_index=True)

    place.change(name, move)
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) - {"FAR"} == ALL
    told = pd.concat([outcome.table("findings"), outcome.table("set_aside")])
    if name == "addresses":
        assert "FAR" in set(told["row_id"])


def test_a_nul_in_an_id_is_carried_along(place: Place) -> None:
    text = b"address_id,x,y\nA\x001,646012,3190027\n"
    place.bring("addresses", "a.csv", text, f'crs = "{METRES}"')
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert len(outcome.drops()) == 1


def test_coordinates_that_are_all_of_no_use_get_one_line(place: Place) -> None:
    table = pd.DataFrame({"address_id": ["A1", "A2"], "x": ["nan", "x"], "y": ["1", "2"]})
    place.bring("addresses", "a.csv", table.to_csv(index=False), f'crs = "{METRES}"')
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err


@pytest.mark.parametrize("crs", ["EPSG:32615", "EPSG:4326"])
def test_huge_coordinates_get_one_line(place: Place, crs: str) -> None:
    table = pd.DataFrame({"address_id": ["A1", "A2"], "x": [1e200, 1e307], "y": [1e200, -1e307]})
    place.bring("addresses", "a.csv", table.to_csv(index=False), f'crs = "{crs}"')
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err


def test_a_polygon_of_a_hundred_thousand_vertices_is_read(place: Place) -> None:
    angle = np.linspace(0, 2 * np.pi, 100_001)
    radius = 400 + 3 * np.sin(angle * 5000)
    ring = shapely.Polygon(
        np.column_stack([X0 + 600 + radius * np.cos(angle), Y0 + radius * np.sin(angle)])
    )

    def add(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        more = gpd.GeoDataFrame({"parcel_id": ["BIG"]}, geometry=[ring], crs=METRES)
        return pd.concat([parcels, more], ignore_index=True)

    place.change("parcels", add)
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) == ALL


def test_heights_in_the_geometry_are_left_out_and_reported(place: Place) -> None:
    place.change("addresses", lambda a: a.set_geometry(shapely.force_3d(a.geometry.array, 5.0)))
    outcome = place.planned()
    assert set(outcome.drops().index) == ALL
    assert "z_ignored" in outcome.codes("addresses")


def test_wrong_geometry_throughout_gets_one_line(place: Place) -> None:
    place.change("roads", lambda roads: roads.set_geometry([shapely.Point(X0, Y0)], crs=METRES))
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "a line is wanted" in outcome.err


# --- few, none, all alike ---


def test_the_required_layers_are_enough(place: Place) -> None:
    place.keep(*REQUIRED)
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) | set(outcome.unserved()) == ALL
    assert "not checked" in outcome.out


@pytest.mark.parametrize("name", REQUIRED)
def test_a_required_layer_without_rows_gets_one_line(place: Place, name: str) -> None:
    place.change(name, lambda layer: layer.iloc[:0])
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert name in outcome.err


@pytest.mark.parametrize("name", ["buildings", "strands"])
def test_another_layer_without_rows_is_reported(place: Place, name: str) -> None:
    place.change(name, lambda layer: layer.iloc[:0])
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert "layer_empty" in outcome.codes(name)


def test_poles_without_any_terminal_get_one_line(place: Place) -> None:
    place.change("poles", lambda poles: poles.assign(ports_total=0))
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "no pole has a terminal" in outcome.err


def test_poles_without_the_column_of_ports_get_one_line(place: Place) -> None:
    place.change("poles", lambda poles: poles.drop(columns=["ports_total"]))
    outcome = place.run()
    assert is_one_clear_line(outcome), outcome.err
    assert "ports_total" in outcome.err


def test_full_terminals_leave_all_unserved_with_the_reason(place: Place) -> None:
    place.change("poles", lambda poles: poles.assign(ports_in_use=[4, 9, 4]))
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert outcome.drops().empty
    assert set(outcome.unserved().values()) == {"no_free_port"}
    assert "ports_in_use_exceed_total" in outcome.codes("poles")


@pytest.mark.parametrize("name", ["addresses", "poles", "parcels"])
def test_a_single_row_is_enough(place: Place, name: str) -> None:
    place.change(name, lambda layer: layer.iloc[:1])
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    expected = {"A1"} if name == "addresses" else ALL
    assert set(outcome.drops().index) | set(outcome.unserved()) == expected


def test_addresses_at_one_point_are_all_planned_and_reported(place: Place) -> None:
    point = place.layers["addresses"].geometry[0]
    place.change("addresses", lambda layer: layer.set_geometry([point] * 6, crs=METRES))
    outcome = place.run()
    assert set(outcome.drops().index) | set(outcome.unserved()) == ALL
    assert "addresses_at_same_point" in outcome.codes("addresses")


def test_poles_at_one_point_are_reported(place: Place) -> None:
    point = place.layers["poles"].geometry[0]
    place.change("poles", lambda layer: layer.set_geometry([point] * 3, crs=METRES))
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert "poles_too_close" in outcome.codes("poles")


def test_an_address_on_a_pole_is_planned_or_told(place: Place) -> None:
    def move(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        points = [place.layers["poles"].geometry[0], *layer.geometry[1:]]
        return layer.set_geometry(points, crs=METRES)

    place.keep(*REQUIRED)
    place.change("addresses", move)
    outcome = place.run()
    assert outcome.code == 0, outcome.err
    assert set(outcome.drops().index) | set(outcome.unserved()) == ALL


# --- the project file and the output folder ---

LAYERS_TEXT = "\n[layers]\n{layers}\n"
BAD_PROJECTS = {
    "layers is a number": "layers = 3",
    "layers is a list": "layers = ['a']",
    "a layer is a number": "layers = { parcels = 3 }",
    "a layer without source": "layers = { parcels = {}, addresses = {}, poles = {}, roads = {} }",
    "an empty source": "layers = { parcels = '', addresses = '', poles = '', roads = '' }",
    "a source that is a number": (
        "layers = { parcels = { source = 3 }, addresses = 'a', poles = 'a', roads = 'a' }"
    ),
    "a source with a NUL": (
        "layers = { parcels = \"a\\u0000b\", addresses = 'a', poles = 'a', roads = 'a' }"
    ),
    "a source of great length": (
        f"layers = {{ parcels = '{'p' * 100_000}', addresses = 'a', poles = 'a', roads = 'a' }}"
    ),
    "a unit that is a number": (
        "layers = { parcels = 'a', addresses = 'a', roads = 'a', "
        "poles = { source = 'a', units = { height = 3 } } }"
    ),
    "columns is text": (
        "layers = { parcels = { source = 'a', columns = 'b' }, addresses = 'a', poles = 'a', "
        "roads = 'a' }"
    ),
    "costs is text": "costs = 'x'" + LAYERS_TEXT,
    "a cost is text": "costs = { direct = 'x' }" + LAYERS_TEXT,
    "a cost is nan": "costs = { direct = nan }" + LAYERS_TEXT,
    "a cost is infinite": "costs = { direct = inf }" + LAYERS_TEXT,
    "limits is a list": "limits = [1]" + LAYERS_TEXT,
    "an unknown unit": "limits = { max_air_span = '5 parsnips' }" + LAYERS_TEXT,
    "a sum as unit": "limits = { max_air_span = '5 ft*9**9**9**9' }" + LAYERS_TEXT,
    "an infinite length": "limits = { max_air_span = '1e308 km' }" + LAYERS_TEXT,
    "a length of no end": f"limits = {{ max_air_span = '{'5' * 100_000} m' }}" + LAYERS_TEXT,
    "a negative length": "limits = { max_air_span = '-5 m' }" + LAYERS_TEXT,
    "an empty name": "name = ''" + LAYERS_TEXT,
    "a name on two lines": 'name = "a\\nb"' + LAYERS_TEXT,
    "a name that steers a terminal": 'name = "a\\u001b[2Jb"' + LAYERS_TEXT,
    "a blank name": "name = '   '" + LAYERS_TEXT,
    "a name that is a number": "name = 3" + LAYERS_TEXT,
    "a very long name": f"name = '{'n' * 100_000}'" + LAYERS_TEXT,
    "an unknown set of rules' units": "units = 'furlongs'" + LAYERS_TEXT,
    "a yes that is no truth value": "forbidden = { rail = 'sometimes' }" + LAYERS_TEXT,
    "a count that is a fraction": "limits = { max_spans_passed = 1.5 }" + LAYERS_TEXT,
    "a count that is huge": f"limits = {{ max_spans_passed = {10**30} }}" + LAYERS_TEXT,
    "a key twice": "name = 'a'\nname = 'b'" + LAYERS_TEXT,
    "a terrain unit misspelt": (
        LAYERS_TEXT + "terrain = { source = 't.tif', units = { elevaton = 'ft' } }"
    ),
    "columns for a raster": (
        LAYERS_TEXT + "terrain = { source = 't.tif', columns = { elevation = 'b1' } }"
    ),
    "a table in a table in a table": "[a" + ".a" * 3000 + "]\nx = 1",
    "brackets without end": "a = " + "[" * 5000,
}


@pytest.mark.parametrize("case", list(BAD_PROJECTS))
def test_a_wrong_project_file_gets_one_line(place: Place, case: str) -> None:
    place.keep(*REQUIRED)
    whole = place.write().read_text(encoding="utf-8")
    layers = whole.partition("[layers]\n")[2]
    project = place.folder / "wrong.toml"
    project.write_text(BAD_PROJECTS[case].replace("{layers}", layers), encoding="utf-8")
    outcome = place.run_on(project)
    assert is_one_clear_line(outcome), (outcome.code, outcome.err[:800], outcome.out[:300])


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"\x00", b""])
def test_a_project_file_of_noise_gets_one_line(place: Place, content: bytes) -> None:
    project = place.folder / "wrong.toml"
    project.write_bytes(content)
    assert is_one_clear_line(place.run_on(project))


def test_a_folder_as_project_file_gets_one_line(place: Place) -> None:
    assert is_one_clear_line(place.run_on(place.folder))


@pytest.mark.parametrize(
    "name", ["../../up", "/etc/x", "..", ".", "a/b\\c", "CON", "…", "~", "-rf", "x" * 80]
)
def test_no_name_leads_the_results_out_of_the_maps_folder(
    place: Place, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    place.keep(*REQUIRED)
    escaped = name.replace("\\", "\\\\")
    place.head = f'name = "{escaped}"\ncrs = "{METRES}"\n'
    project = place.write()
    home = place.folder / "deep" / "home"
    home.mkdir(parents=True)
    monkeypatch.chdir(home)
    before = {path for path in place.folder.rglob("*") if home not in path.parents}
    assert main(["plan", str(project), "--quiet"]) == 0
    after = {path for path in place.folder.rglob("*") if home not in path.parents}
    assert after == before
    (written,) = (home / "maps").iterdir()
    assert (written / "plan.gpkg").is_file()
    assert not written.name.startswith((".", "-"))


def test_a_folder_of_others_is_left_alone(place: Place) -> None:
    out = place.folder / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("mine")
    outcome = place.run()
    assert outcome.code == 2
    assert outcome.err.count("\n") == 1
    assert [path.name for path in out.iterdir()] == ["thesis.txt"]


def test_a_link_as_output_folder_keeps_what_it_points_to(place: Place) -> None:
    real = place.folder / "real"
    real.mkdir()
    (real / "thesis.txt").write_text("mine")
    (place.folder / "out").symlink_to(real)
    outcome = place.run()
    assert outcome.code == 2
    assert (real / "thesis.txt").read_text() == "mine"


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_that_must_not_be_written_gets_one_line(place: Place) -> None:
    locked = place.folder / "locked"
    locked.mkdir()
    locked.chmod(stat.S_IRUSR | stat.S_IXUSR)
    outcome = place.run(out="locked/out")
    assert outcome.code == 2
    assert outcome.err.count("\n") == 1


@pytest.mark.parametrize("out", ["/proc/geoplan", "/dev/null", "/dev/null/out"])
def test_a_place_that_takes_no_folder_gets_one_line(place: Place, out: str) -> None:
    project = place.write()
    place.capture.readouterr()
    assert main(["plan", str(project), "--out", out]) == 2
    said = place.capture.readouterr()
    assert said.err.count("\n") == 1
    assert said.out == ""


def test_a_failing_run_leaves_earlier_results_alone(place: Place) -> None:
    assert place.run().code == 0
    before = {path.name: path.read_bytes() for path in (place.folder / "out").iterdir()}
    place.bring("addresses", "a.csv", b"")
    outcome = place.run()
    assert outcome.code == 2
    assert {path.name: path.read_bytes() for path in (place.folder / "out").iterdir()} == before


def test_check_names_what_it_found_and_says_so_by_its_code(place: Place) -> None:
    assert place.run("check").code in (0, 1)
    place.change("addresses", lambda layer: layer.assign(address_id=["A1", "A1", *"cdef"]))
    place.entries.pop("addresses")
    outcome = place.run("check")
    assert outcome.code == 1
    assert "set aside: addresses row A1" in outcome.out


def test_no_message_tells_a_folder_of_the_machine(place: Place) -> None:
    place.bring("addresses", "a.gpkg", b"noise" * 100)
    outcome = place.run()
    assert str(place.folder) not in outcome.err


def test_terminal_codes_in_names_do_not_reach_the_screen(place: Place) -> None:
    place.bring_csv("addresses", address_id=["\x1b[31mred\x1b[0m", "A1", "A1", "d", "e", "f"])
    place.bring_csv("poles", height_m=["\x1b]0;title\x07", "5", "5"])
    outcome = place.run("check")
    assert "\x1b" not in outcome.out + outcome.err


def test_a_closed_pipe_is_no_crash(place: Place) -> None:
    import sys

    project = place.write()
    command = f'"{sys.executable}" -m geoplan.cli check "{project}" | head -c 1'
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, check=False, timeout=120
    )
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr
