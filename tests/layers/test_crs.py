"""Coordinate reference systems: feet, degrees, and the ones that don't fit."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from geoplan.errors import CrsError
from geoplan.layers import read_layers
from geoplan.layers.crs import (
    check_coordinates,
    choose_crs,
    find_off_earth,
    horizontal,
    in_metres,
    layer_crs,
    parse_crs,
    scale_factor,
    transform_geometry,
    utm_zone,
)

US_SURVEY_FOOT_M = 1200 / 3937
FEET = [("EPSG:2277", US_SURVEY_FOOT_M), ("EPSG:2222", 0.3048)]
"""A state plane zone in US survey feet and one in international feet."""
PLACES = {"EPSG:2277": (-98.0, 30.5), "EPSG:2222": (-110.2, 33.0)}


@pytest.mark.parametrize(("name", "foot_m"), FEET)
def test_feet_become_the_same_projection_in_metres(name: str, foot_m: float) -> None:
    crs = CRS.from_user_input(name)
    metres, factor = in_metres(crs)
    assert factor == foot_m
    assert {axis.unit_name for axis in metres.axis_info} == {"metre"}
    to_feet = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    to_metres = Transformer.from_crs(crs.geodetic_crs, metres, always_xy=True)
    longitude, latitude = PLACES[name]
    grid = np.meshgrid(longitude + np.linspace(-0.5, 0.5, 5), latitude + np.linspace(-0.5, 0.5, 5))
    feet = np.array(to_feet.transform(*grid))
    np.testing.assert_allclose(
        np.array(to_metres.transform(*grid)), feet * foot_m, atol=1e-6, rtol=0
    )


def test_metres_stay_as_they_are() -> None:
    crs = CRS.from_epsg(32615)
    assert in_metres(crs) == (crs, 1.0)


@pytest.mark.parametrize(("name", "foot_m"), FEET)
@pytest.mark.parametrize("project_crs", ["same", "auto"])
def test_layers_in_feet_keep_their_lengths_to_the_millimetre(
    desk: Any, hamlet: Any, name: str, foot_m: float, project_crs: str
) -> None:
    longitude, latitude = PLACES[name]
    crs = CRS.from_user_input(name)
    corner = Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude)

    def moved(xy: Any) -> Any:
        return (xy - [desk.east, desk.north]) / foot_m + np.round(corner)

    for layer, frame in hamlet.items():
        hamlet[layer] = gpd.GeoDataFrame(
            frame.drop(columns="geometry"),
            geometry=shapely.transform(frame.geometry.to_numpy(), moved),
            crs=crs,
        )
    project = desk.project(hamlet, "shp").model_copy(
        update={"crs": name if project_crs == "same" else "auto"}
    )
    layers = read_layers(project)
    poles = layers.poles.geometry
    ground = poles["P0"].distance(poles["P2"])
    if project_crs == "same":
        assert layers.crs.unit_to_metre == foot_m
        assert ground == pytest.approx(80.0, abs=1e-6)
        assert poles["P0"].x == pytest.approx(round(corner[0]) * foot_m, abs=1e-6)
    else:
        assert layers.crs.was_chosen
        own = scale_factor(crs, longitude, latitude)
        assert ground == pytest.approx(80.0 * layers.crs.scale_factor / own, abs=1e-3)


def test_from_the_projects_own_feet_it_is_one_factor() -> None:
    report = choose_crs("EPSG:2277", CRS.from_epsg(2277), np.array([[3.1e6, 1e7, 3.1e6, 1e7]]))
    point = np.array([shapely.Point(3_100_000.0, 10_000_000.0)])
    moved = transform_geometry(point, CRS.from_epsg(2277), report)[0]
    assert (moved.x, moved.y) == (3_100_000.0 * US_SURVEY_FOOT_M, 10_000_000.0 * US_SURVEY_FOOT_M)


def test_auto_takes_the_zone_of_the_addresses(desk: Any, hamlet: Any) -> None:
    degrees = {name: frame.to_crs(4326) for name, frame in hamlet.items()}
    layers = read_layers(desk.project(degrees).model_copy(update={"crs": "auto"}))
    assert layers.crs.project_crs.to_epsg() == 32615
    told = layers.findings.query("code == 'crs_chosen'")
    assert "EPSG:32615" in told["reason"].item()
    np.testing.assert_allclose(
        layers.poles.geometry["P1"].coords[0], hamlet["poles"].geometry[1].coords[0], atol=1e-6
    )


@pytest.mark.parametrize(
    ("longitude", "latitude", "code"),
    [(-93.1, 45.0, 32615), (-180.0, 1.0, 32601), (180.0, 1.0, 32601), (18.0, -33.0, 32734)],
)
def test_utm_zone(longitude: float, latitude: float, code: int) -> None:
    assert utm_zone(longitude, latitude).to_epsg() == code


def test_poles_of_the_earth_have_no_zone() -> None:
    with pytest.raises(CrsError, match="Set a projected CRS that fits"):
        utm_zone(0.0, 86.0)


def test_web_mercator_is_refused_with_its_factor(desk: Any, hamlet: Any) -> None:
    away = {name: frame.to_crs(4326).translate(0, 41.2) for name, frame in hamlet.items()}
    frames = {name: hamlet[name].set_geometry(moved.set_crs(4326, allow_override=True), crs=4326)
              for name, moved in away.items()}  # fmt: skip
    project = desk.project(frames).model_copy(update={"crs": "EPSG:3857"})
    with pytest.raises(CrsError, match=r"are 1\.5\d* times too long .* such as \"EPSG:32615\""):
        read_layers(project)


def test_degrees_are_refused_as_project_crs(desk: Any, hamlet: Any) -> None:
    project = desk.project(hamlet).model_copy(update={"crs": "EPSG:4326"})
    with pytest.raises(CrsError, match=r"has lengths in degrees\. .*\"EPSG:32615\", or \"auto\""):
        read_layers(project)


def test_unknown_crs_is_refused() -> None:
    with pytest.raises(CrsError, match=r"is not a coordinate reference system\. Write for example"):
        parse_crs("EPSG:0", "project, key crs")


def test_layer_without_crs_is_refused() -> None:
    with pytest.raises(CrsError, match=r'Set crs = "EPSG:\.\.\." under \[layers\.poles\]'):
        layer_crs("poles", None, None)


def test_projects_crs_goes_before_the_files() -> None:
    assert layer_crs("poles", CRS.from_epsg(4326), "EPSG:32615").to_epsg() == 32615


def test_local_crs_is_refused() -> None:
    local = CRS.from_wkt(
        'ENGCRS["site",EDATUM["site"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
        'LENGTHUNIT["metre",1]]'
    )
    with pytest.raises(CrsError, match="neither projected nor in degrees"):
        layer_crs("poles", local, None)


def test_heights_are_left_out_of_a_crs() -> None:
    assert horizontal(CRS.from_user_input("EPSG:32615+5703")).to_epsg() == 32615
    assert len(horizontal(CRS.from_epsg(4979)).axis_info) == 2


def test_degrees_declared_as_metres_are_refused() -> None:
    boxes = np.array([[-93.0, 45.0, -93.0, 45.0]])
    with pytest.raises(CrsError, match=r'look like degrees.*Set crs = "EPSG:4326" under'):
        check_coordinates("poles", CRS.from_epsg(32615), boxes)


def test_metres_declared_as_degrees_are_refused() -> None:
    boxes = np.array([[6e5, 1e6, 6e5, 1e6]])
    with pytest.raises(CrsError, match=r"are no degrees of 'WGS 84'\. Set the layer's true CRS"):
        check_coordinates("poles", CRS.from_epsg(4326), boxes)


def test_swapped_degrees_beyond_the_pole_are_refused() -> None:
    boxes = np.array([[45.0, -93.0, 45.0, -93.0]])
    with pytest.raises(CrsError, match="Longitude and latitude look swapped"):
        check_coordinates("poles", CRS.from_epsg(4326), boxes)


def test_true_coordinates_pass() -> None:
    check_coordinates("poles", CRS.from_epsg(4326), np.array([[-93.0, 45.0, -93.0, 45.0]]))
    check_coordinates("poles", CRS.from_epsg(32615), np.array([[6e5, 1e6, 6e5, 1e6]]))
    check_coordinates("poles", CRS.from_epsg(32615), np.full((1, 4), np.nan))


def test_places_off_earth_are_found_among_sound_ones() -> None:
    points = shapely.points([[646e3, 3.19e6], [646e3, 1e300], [1e9, 0.0], [np.nan, 1.0]])
    geometry = np.array([*points, None, shapely.Point()], dtype=object)
    found = find_off_earth(geometry, CRS.from_epsg(32615))
    assert found.tolist() == [False, True, True, False, False, False]


def test_a_layer_that_is_off_earth_throughout_is_found() -> None:
    found = find_off_earth(shapely.points([[1e9, 1e9], [1e9, 1e9 + 1]]), CRS.from_epsg(32615))
    assert found.all()


def test_the_crs_is_chosen_by_the_addresses_on_earth() -> None:
    sound = [646e3, 3.19e6, 646e3, 3.19e6]
    bounds = np.array([sound, [1e11] * 4, [-1e11] * 4, [1e11] * 4])
    report = choose_crs("auto", CRS.from_epsg(32615), bounds)
    assert report.project_crs.to_epsg() == 32615
