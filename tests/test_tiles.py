"""Tiles: whose addresses they own, what they hold, and that it is enough."""

from __future__ import annotations

import dataclasses
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.finishing import Finished, finish_offers
from geoplan.layers.split_points import split_points
from geoplan.model import Layers
from geoplan.offers import Offers, best_offers, offers_of, worth_keeping, worth_telling
from geoplan.plant import build_plant
from geoplan.project import Project
from geoplan.search import Aim, search_routes
from geoplan.shifting import shift_clamps
from geoplan.standards import Standards, load_standards
from geoplan.tile_tasks import Site
from geoplan.tiles import TILE_LAYERS, Tile, cut_tile, layer_bounds, near_m, reach_m
from geoplan.working import pair_bounds, search_offers
from tests.plants import bare_town, lot_town, roomy, standards_for, strand_town

coordinates = st.integers(0, 4).map(float) | st.floats(0.0, 10.0, width=16)
places = st.lists(st.tuples(coordinates, coordinates), min_size=1, max_size=60)
APART_M = 130.0
KEYS = ("parcel_id", "building_id", "from_pole_id", "to_pole_id", "strand_id")
NARROW = roomy(
    limits={"max_air_span": "35 m", "max_strand_run": "45 m", "max_route": "200 m"},
)


def _tile(rows: list[int], layers: Layers) -> Tile:
    return Tile(layers, {"poles": np.array(rows, dtype=np.int64)})


@given(st.sets(st.integers(0, 50)), st.data())
@settings(max_examples=40)
def test_rows_come_back_from_a_tile_as_they_went(rows: set[int], data: st.DataObject) -> None:
    tile = _tile(sorted(rows), None)  # type: ignore[arg-type]
    asked = data.draw(st.lists(st.sampled_from([-1, *sorted(rows)]), max_size=30))
    row = np.array(asked, dtype=np.int64)
    mine = tile.to_tile("poles", row)
    assert tile.to_region("poles", mine).tolist() == asked
    assert mine.dtype == np.int64
    assert ((mine >= 0) == (row >= 0)).all()


@pytest.mark.parametrize(("held", "asked"), [([], 0), ([2, 5], 3), ([2, 5], 6), ([2, 5], 0)])
def test_a_row_that_a_tile_lacks_is_a_defect(held: list[int], asked: int) -> None:
    tile = _tile(held, None)  # type: ignore[arg-type]
    with pytest.raises(LookupError, match="a tile lacks rows of poles"):
        tile.to_tile("poles", np.array([-1, asked]))


def _held(town: Layers, far: float, layer: str) -> list[int]:
    tile = cut_tile(town, layer_bounds(town), np.array([0]), far)
    assert [len(tile.rows[name]) for name in TILE_LAYERS] == [
        len(getattr(tile.layers, name)) for name in TILE_LAYERS
    ]
    return tile.rows[layer].tolist()


def test_a_tile_holds_what_reaches_into_it() -> None:
    """The first address stands at 0, 0; its house reaches to x = 30."""
    house, other = shapely.box(10.0, -5.0, 30.0, 5.0), shapely.box(200.0, 0.0, 210.0, 10.0)
    town = bare_town(
        [(-300.0, 0.0), (300.0, 0.0), (300.0, 90.0), (34.0, 0.0)],
        houses=[house, other],
        addresses=[(0.0, 0.0), (205.0, 5.0)],
        ends=[(0, 1), (1, 2)],
        roads=[
            shapely.LineString([(-50.0, 11.0), (50.0, 11.0)]),
            shapely.LineString([(-50.0, 30.0), (50.0, 30.0)]),
        ],
        trees=[(37.5, 0.0), (39.0, 0.0), (20.0, -12.5)],
    )
    assert _held(town, 5.0, "buildings") == [0]
    assert _held(town, 5.0, "addresses") == [0]
    assert _held(town, 5.0, "trees") == [0, 2], "crowns of 3 m reach to x = 34.5 and y = -9.5"
    assert _held(town, 5.0, "roads") == [0], "a width of 8 m reaches to y = 7"
    assert _held(town, 5.0, "spans") == [0]
    assert _held(town, 5.0, "poles") == [0, 1, 3], "both ends of the span, though far off"
    assert _held(town, 175.0, "buildings") == [0, 1], "what is far counts from the house's end"


def _in_a_row(towns: list[Layers]) -> Layers:
    """Set towns side by side; names are told apart by the number of the town."""

    def named(text: Any, number: int) -> Any:
        return f"t{number}{text}" if isinstance(text, str) else None

    frames: dict[str, gpd.GeoDataFrame] = {}
    for layer in (*TILE_LAYERS, "strands"):
        parts = []
        for number, town in enumerate(towns):
            frame = getattr(town, layer)
            part = frame.set_geometry(frame.geometry.translate(number * APART_M))
            part.index = pd.Index(
                [named(name, number) for name in frame.index], name=frame.index.name, dtype="str"
            )
            for key in set(KEYS) & set(part.columns):
                values = [named(value, number) for value in part[key]]
                part[key] = pd.Series(values, index=part.index, dtype="str")
            parts.append(part)
        frames[layer] = pd.concat(parts) if any(len(part) for part in parts) else parts[0]
    return dataclasses.replace(towns[0], **frames)


def _bits(value: Any) -> Any:
    """Tell a result by its bytes."""
    if dataclasses.is_dataclass(value):
        return {
            field.name: _bits(getattr(value, field.name)) for field in dataclasses.fields(value)
        }
    if isinstance(value, np.ndarray):
        if value.dtype == object:
            return value.tolist()
        return (value.dtype.str, value.shape, value.tobytes())
    return value


def _work(
    addresses: np.ndarray, site: Site | None, layers: Layers, project: Project, standards: Standards
) -> dict[str, Any]:
    """Do all that a tile may be asked for, with the whole region's layers or those of a tile."""
    everything = Tile(layers, {name: np.arange(len(getattr(layers, name))) for name in TILE_LAYERS})
    site = site or Site(everything, build_plant(layers, project, standards), project)
    mine = site.tile.to_tile("addresses", addresses)
    first, reached = search_offers(mine, Aim.first(len(mine), 3), site.plant, project)
    found = search_routes(site.plant, project, mine, Aim.everything(len(mine))).found
    told = offers_of(found, site.plant)
    offers = worth_keeping(told)
    feasible = np.flatnonzero(offers.forbidden == 0)
    pairs = offers.take(best_offers(offers, feasible))
    leading = np.concatenate(
        [np.arange(min(len(pairs), 1)), 1 + np.flatnonzero(np.diff(pairs.address))]
    )
    chosen = pairs.take(leading[np.argsort(pairs.address[leading])])
    shifted = shift_clamps(chosen, site.plant, project)
    address, terminal, cents = pair_bounds(mine, site.plant, project)
    to_region = site.tile.to_region
    return {
        "first": site.offers_out(first),
        "reached": reached,
        "all": site.offers_out(offers),
        "told": site.offers_out(worth_telling(told)),
        "shifted": site.offers_out(shifted),
        "bounds": (to_region("addresses", address), to_region("poles", terminal), cents),
    }


def _by_address(work: dict[str, Any], whole: np.ndarray, addresses: np.ndarray) -> dict[str, Any]:
    """Take what belongs to some addresses from the work on all."""
    result = {}
    for name, value in work.items():
        if isinstance(value, Offers):
            result[name] = value.take(np.flatnonzero(np.isin(value.address, addresses)))
        elif isinstance(value, tuple):
            mine = np.isin(value[0], addresses)
            result[name] = tuple(column[mine] for column in value)
        else:
            result[name] = value[np.searchsorted(whole, addresses)]
    return result


def _same_work(mine: dict[str, Any], wanted: dict[str, Any], where: str) -> None:
    for name, value in wanted.items():
        values = value if isinstance(value, tuple) else (value,)
        ours = mine[name] if isinstance(value, tuple) else (mine[name],)
        for have, want in zip(ours, values, strict=True):
            assert _bits(have) == _bits(want), f"{name} of {where}"


def _check_tiles(
    layers: Layers, project: Project, standards: Standards, most: int, far: float | None = None
) -> list[float]:
    """Compare the work on every tile with that on the whole; return shares of poles held."""
    everyone = np.arange(len(layers.addresses), dtype=np.int64)
    whole = _work(everyone, None, layers, project, standards)
    far = reach_m(layers, project, standards) if far is None else far
    bounds = layer_bounds(layers)
    tile_of = split_points(
        layers.addresses.geometry.x.to_numpy(), layers.addresses.geometry.y.to_numpy(), most
    )
    shares = []
    for number in range(tile_of.max() + 1):
        owned = np.flatnonzero(tile_of == number)
        tile = cut_tile(layers, bounds, owned, far)
        site = Site(tile, build_plant(tile.layers, project, standards), project)
        mine = _work(owned, site, layers, project, standards)
        wanted = _by_address(whole, everyone, owned)
        _same_work(mine, wanted, f"tile {number}")
        shares.append(len(tile.rows["poles"]) / len(layers.poles))
    return shares


@given(st.integers(0, 10_000), st.sampled_from([5, 16]))
@settings(max_examples=2, deadline=None)
def test_work_in_a_tile_is_that_in_the_whole_town(seed: int, most: int) -> None:
    rng = np.random.default_rng(seed)
    town = _in_a_row([strand_town(rng) if rng.random() < 0.3 else lot_town(rng) for _ in range(4)])
    shares = _check_tiles(town, NARROW, standards_for(NARROW), most)
    assert min(shares) < 0.9


def test_a_tile_cut_too_narrow_is_noticed() -> None:
    rng = np.random.default_rng(5)
    town = _in_a_row([lot_town(rng) for _ in range(4)])
    with pytest.raises((AssertionError, LookupError)):
        _check_tiles(town, NARROW, standards_for(NARROW), 5, far=20.0)


def test_work_in_a_tile_of_the_demo_is_that_in_the_whole(
    demo_layers: Layers, demo_project: Project
) -> None:
    assert demo_layers.terrain is not None
    shares = _check_tiles(demo_layers, demo_project, load_standards(demo_project), 90)
    assert min(shares) < 0.9


def _check_around(
    layers: Layers, project: Project, standards: Standards, asked: np.ndarray, near: float
) -> float:
    """Compare the search of some addresses in what lies around them with that in the whole."""
    everyone = np.arange(len(layers.addresses), dtype=np.int64)
    whole = _by_address(_work(everyone, None, layers, project, standards), everyone, asked)
    far = reach_m(layers, project, standards)
    tile = cut_tile(layers, layer_bounds(layers), asked, far, near)
    site = Site(tile, build_plant(tile.layers, project, standards), project)
    mine = _work(asked, site, layers, project, standards)
    _same_work(mine, whole, "what lies around")
    return len(tile.rows["buildings"]) / len(layers.buildings)


@given(st.integers(0, 10_000), st.integers(1, 4))
@settings(max_examples=2, deadline=None)
def test_a_search_needs_only_what_lies_around_its_addresses(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    town = _in_a_row([strand_town(rng) if rng.random() < 0.3 else lot_town(rng) for _ in range(4)])
    asked = np.sort(rng.choice(len(town.addresses), count, replace=False)).astype(np.int64)
    standards = standards_for(NARROW)
    share = _check_around(town, NARROW, standards, asked, near_m(town, NARROW, standards))
    assert count > 2 or share < 0.9


def test_a_search_in_the_demo_needs_only_what_lies_around_its_addresses(
    demo_layers: Layers, demo_project: Project
) -> None:
    standards = load_standards(demo_project)
    near = near_m(demo_layers, demo_project, standards)
    for first in (0, 7, 40):
        asked = np.arange(first, len(demo_layers.addresses), 60, dtype=np.int64)
        _check_around(demo_layers, demo_project, standards, asked, near)
    assert _check_around(demo_layers, demo_project, standards, asked[:1], near) < 0.7
    with pytest.raises((AssertionError, LookupError)):
        _check_around(demo_layers, demo_project, standards, asked, 20.0)


def test_drops_of_a_strand_span_are_finished_in_a_tile_as_in_the_whole(
    demo_layers: Layers, demo_project: Project
) -> None:
    standards = load_standards(demo_project)
    plant = build_plant(demo_layers, demo_project, standards)
    everyone = np.arange(len(demo_layers.addresses), dtype=np.int64)
    offers, _ = search_offers(everyone, Aim.first(len(everyone), 1), plant, demo_project)
    pairs = offers.take(best_offers(offers, np.flatnonzero(offers.forbidden == 0)))
    _, leading = np.unique(pairs.address, return_index=True)
    chosen = pairs.take(leading)
    whole = finish_offers(chosen, plant, demo_project)
    bounds, far = (
        layer_bounds(demo_layers),
        reach_m(demo_layers, demo_project, standards),
    )
    spans, count = np.unique(chosen.span[chosen.span >= 0], return_counts=True)
    assert count.max() > 1
    for span in spans[count > 1][:6]:
        rows = np.flatnonzero(chosen.span == span)
        tile = cut_tile(demo_layers, bounds, chosen.address[rows[:1]], far)
        site = Site(tile, build_plant(tile.layers, demo_project, standards), demo_project)
        mine = finish_offers(site.offers_in(chosen.take(rows)), site.plant, demo_project)
        _same_finish(site.finished_out(mine), whole.take(rows))


def _same_finish(have: Finished, want: Finished) -> None:
    assert len(have) == len(want) > 1
    for part in ("offers", "crossings", "hung", "ends"):
        assert _bits(getattr(have, part)) == _bits(getattr(want, part)), part
    for field in dataclasses.fields(have.final):
        if field.name != "clamps":
            values = (getattr(one.final, field.name) for one in (have, want))
            first, second = (_bits(value) for value in values)
            assert first == second, field.name
