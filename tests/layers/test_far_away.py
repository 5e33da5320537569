"""Layers and rows in a wrong place."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geoplan.layers import read_layers
from geoplan.layers.far_away import find_far_layers, find_far_rows


def test_layer_in_a_wrong_place_is_a_finding() -> None:
    here, there = np.zeros((3, 4)), np.full((3, 4), 80_000.0)
    found = find_far_layers(
        {"addresses": here, "poles": there, "roads": here + 9e3}, lambda _: None
    )
    assert [one["layer"].item() for one in found] == ["poles"]
    assert found[0]["reason"].item() == "the layer lies about 113 km from the addresses"
    assert "set crs under [layers.poles]" in found[0]["remedy"].item()


def test_swapped_layer_is_told(desk: Any, hamlet: Any) -> None:
    frames = {name: frame.to_crs(4326) for name, frame in hamlet.items()}
    frames = {
        name: frame.set_geometry(frame.translate(60.0, 20.0)) for name, frame in frames.items()
    }
    swapped = frames["roads"].geometry.to_numpy()
    frames["roads"]["geometry"] = shapely.transform(swapped, lambda xy: xy[:, ::-1])
    project = desk.project(frames).model_copy(update={"crs": "auto"})
    found = read_layers(project).findings.query("code == 'layer_far_away'")
    assert found["layer"].tolist() == ["roads"]
    assert "Longitude and latitude of roads look swapped" in found["remedy"].item()


def test_single_address_in_a_wrong_place_is_found() -> None:
    boxes = np.tile(np.arange(5.0)[:, None] * 1000.0, 4)
    boxes[2] = 9e6
    assert find_far_rows(boxes).tolist() == [False, False, True, False, False]


def test_two_distant_villages_are_not_far_from_themselves() -> None:
    boxes = np.tile(np.array([0.0, 0.0, 2e5, 2e5])[:, None], 4)
    assert not find_far_rows(boxes).any()
