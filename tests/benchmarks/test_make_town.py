"""The synthetic region: the same from the same seed, dense, in one piece."""

from __future__ import annotations

import hashlib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from data_samples.make_town import make_town, write_town
from geoplan.layers import read_layers
from geoplan.project import read_project
from tests.benchmarks.compare_prices import prices_without_mechanics


def _digest(layers: dict[str, gpd.GeoDataFrame]) -> str:
    digest = hashlib.sha256()
    for name, layer in layers.items():
        digest.update(name.encode())
        digest.update(b"".join(shapely.to_wkb(layer.geometry.values).tolist()))
        plain = pd.DataFrame(layer.drop(columns="geometry"))
        digest.update(plain.to_csv(index=False).encode())
    return digest.hexdigest()


def test_same_seed_same_region() -> None:
    assert _digest(make_town(500)) == _digest(make_town(500))
    assert _digest(make_town(500)) != _digest(make_town(500, seed=8))


def test_every_address_has_its_lot_and_house() -> None:
    layers = make_town(300)
    for name in ("parcels", "buildings"):
        assert len(layers[name]) == 300
        assert layers[name].geometry.is_valid.all()
        assert shapely.contains(layers[name].geometry.values, layers["addresses"].geometry).all()
    inside = shapely.contains(layers["parcels"].geometry.values, layers["buildings"].geometry)
    assert inside.all()


@pytest.mark.parametrize(("scarce", "least", "most"), [(False, 1.1, 1.3), (True, 0.9, 1.0)])
def test_ports_are_as_many_as_asked_for_and_some_addresses_need_two(
    scarce: bool, least: float, most: float
) -> None:
    layers = make_town(5_000, scarce=scarce)
    poles, needed = layers["poles"], layers["addresses"]["ports_needed"]
    free = (poles["ports_total"] - poles["ports_in_use"] - poles["ports_reserved"]).clip(lower=0)
    assert least < free.sum() / needed.sum() < most
    assert 0.005 < (needed == 2).mean() < 0.02


def test_broken_rows_leave_sound_ones_as_they_are() -> None:
    sound, broken = make_town(400), make_town(400, broken_share=0.01)
    for name, column in (("addresses", "address_id"), ("poles", "pole_id")):
        first = broken[name].iloc[: len(sound[name])]
        pd.testing.assert_frame_equal(pd.DataFrame(first), pd.DataFrame(sound[name]))
        rest = broken[name].iloc[len(sound[name]) :]
        assert rest[column].isin(sound[name][column]).sum() == len(rest) / 2
        assert rest.geometry.isna().sum() == len(rest) / 2
    assert broken["trees"]["crown_radius_m"].isna().any()
    for name in ("parcels", "buildings", "strands", "power", "roads"):
        pd.testing.assert_frame_equal(pd.DataFrame(broken[name]), pd.DataFrame(sound[name]))


def test_reading_sets_broken_rows_aside_and_keeps_the_rest(tmp_path: Path) -> None:
    write_town(make_town(240, broken_share=0.01), tmp_path)
    layers = read_layers(read_project(tmp_path / "project.toml"))
    assert len(layers.addresses) == 240
    assert set(layers.set_aside["code"]) == {"duplicate_id", "geometry_missing"}


def test_shared_candidates_link_every_terminal_to_all_others(tmp_path: Path) -> None:
    write_town(make_town(960), tmp_path)
    project = read_project(tmp_path / "project.toml")
    prices = prices_without_mechanics(read_layers(project), project)
    addresses, a = np.unique([address for address, _ in prices], return_inverse=True)
    terminals, t = np.unique([terminal for _, terminal in prices], return_inverse=True)
    size = len(addresses) + len(terminals)
    links = coo_array((np.ones(len(a)), (a, t + len(addresses))), shape=(size, size))
    count, _ = connected_components(links, directed=False)
    assert count == 1
    assert len(terminals) > 100


def test_impossible_regions_are_refused() -> None:
    with pytest.raises(ValueError, match="must be at least 1"):
        make_town(0)
    for share in (-0.1, 0.6, float("nan")):
        with pytest.raises(ValueError, match="must be from 0 to"):
            make_town(10, broken_share=share)
