"""Make a synthetic region of any size, for measuring speed and scale.

Enters: how many addresses, a seed, and how many rows are to be broken.
Leaves: one GeoDataFrame per layer, with geoplan's own column names; or GeoParquet files.
Does not do: imitate a real place; hold every kind of broken row (the demo does).

The region is a grid of tiles on open water. A tile is one street of 12 lots on each side, a
cross street, a pole line on the north side of the street with three terminals, and all that
stands on the lots. Everything is drawn with numpy, no loop over addresses. Tiles are drawn in
a fixed order from one generator, so a seed and a size give the same region always.

Ports are scarce everywhere, and a house can be reached from its own street and from the next, so
that each terminal shares candidates with its neighbours on all sides: the whole region is one
component for the choice. That is the worst case, and it is the default.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

CRS = "EPSG:32615"
ORIGIN_M = (540_000.0, 2_960_000.0)
SEED = 7
LOTS_PER_SIDE = 12
LOTS_PER_TILE = 2 * LOTS_PER_SIDE
LOT_DEPTH_M = 35.0
BLOCK_LENGTH_M = 240.0
TILE_WIDTH_M, TILE_HEIGHT_M = 255.0, 85.0
RIGHT_OF_WAY_M = 15.0
STREET_WIDTH_M = 8.0
POLE_OFFSET_M = 4.9
POLES_PER_TILE = 6
POLE_SPACING_M = TILE_WIDTH_M / POLES_PER_TILE
TERMINAL_POLES = (0, 2, 4)

PROJECT = """\
# Synthetic region on open water, made by make_town.py; nothing in it is real.
name = "Synthetic region, {count} addresses"
crs = "{crs}"
units = "metric"
rule_set = "us"
loading_district = "light"

[layers]
{layers}
"""


@dataclass(frozen=True)
class _Tiles:
    """South-west corners of the tiles, one row each."""

    x: FloatArray
    y: FloatArray
    columns: int
    rows: int

    @property
    def count(self) -> int:
        return len(self.x)


def _tiles(count: int) -> _Tiles:
    columns = max(1, round(np.sqrt(count * TILE_HEIGHT_M / TILE_WIDTH_M)))
    index = np.arange(count)
    rows = -(-count // columns)
    x = ORIGIN_M[0] + TILE_WIDTH_M * (index % columns)
    y = ORIGIN_M[1] + TILE_HEIGHT_M * (index // columns)
    return _Tiles(x, y, columns, rows)


def _ids(prefix: str, count: int) -> pd.Series[str]:
    width = len(str(count))
    return prefix + pd.Series(np.arange(1, count + 1)).astype("str").str.zfill(width)


def _frame(columns: dict[str, object], geometry: npt.NDArray[np.object_]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=geometry, crs=CRS)


def _polygons(x: FloatArray, y: FloatArray) -> npt.NDArray[np.object_]:
    """Polygons of corners, arrays of shape (n, corners); the ring is closed here."""
    ring = np.stack([x, y], axis=-1)
    return np.asarray(shapely.polygons(np.concatenate([ring, ring[:, :1]], axis=1)))


def _lines(x: FloatArray, y: FloatArray) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.linestrings(np.stack([x, y], axis=-1)))


@dataclass(frozen=True)
class _Lots:
    """Lots as arrays: left edge, width, front line, and +1 or -1 for the way to the back."""

    left: FloatArray
    width: FloatArray
    front: FloatArray
    side: FloatArray
    tile: IntArray

    def box(
        self,
        pick: IntArray | slice,
        left: FloatArray,
        right: FloatArray,
        near: FloatArray,
        far: FloatArray,
    ) -> npt.NDArray[np.object_]:
        """Rectangles in the lots' frames: metres from the left edge and behind the front."""
        x0, y0, side = self.left[pick], self.front[pick], self.side[pick]
        x = np.stack([x0 + left, x0 + right, x0 + right, x0 + left], axis=1)
        y = np.stack([near, near, far, far], axis=1) * side[:, None] + y0[:, None]
        return _polygons(x, y)


def _make_lots(tiles: _Tiles, count: int, rng: np.random.Generator) -> _Lots:
    raw = rng.uniform(18.0, 25.0, (tiles.count, 2, LOTS_PER_SIDE))
    width = np.round(raw * (BLOCK_LENGTH_M / raw.sum(axis=2, keepdims=True)), 2)
    left = tiles.x[:, None, None] + np.cumsum(width, axis=2) - width
    middle = tiles.y + LOT_DEPTH_M + RIGHT_OF_WAY_M / 2
    side = np.broadcast_to(np.array([1.0, -1.0])[None, :, None], width.shape)
    front = middle[:, None, None] + side * RIGHT_OF_WAY_M / 2
    tile = np.broadcast_to(np.arange(tiles.count)[:, None, None], width.shape)
    flat = [array.reshape(-1)[:count] for array in (left, width, front, side, tile)]
    return _Lots(*(np.ascontiguousarray(array) for array in flat))


@dataclass(frozen=True)
class _Houses:
    """Houses in the lots' frames."""

    left: FloatArray
    right: FloatArray
    near: FloatArray
    far: FloatArray
    is_l_shaped: npt.NDArray[np.bool_]


def _make_houses(lots: _Lots, rng: np.random.Generator) -> _Houses:
    count = len(lots.left)
    gap = rng.uniform(1.8, 2.8, count)
    near = rng.uniform(7.0, 9.0, count)
    width = np.minimum(lots.width - 2 * gap, 16.5)
    left = (lots.width - width) / 2
    depth = rng.uniform(9.0, 13.0, count)
    return _Houses(left, left + width, near, near + depth, rng.random(count) < 0.3)


def _house_polygons(lots: _Lots, houses: _Houses) -> npt.NDArray[np.object_]:
    """Rectangles, and L-shapes with a garage 3.5 m in front of the rest."""
    shapes = np.empty(len(lots.left), dtype=object)
    plain = np.flatnonzero(~houses.is_l_shaped)
    shapes[plain] = lots.box(
        plain, houses.left[plain], houses.right[plain], houses.near[plain], houses.far[plain]
    )
    bent = np.flatnonzero(houses.is_l_shaped)
    left, right, near, far = (
        array[bent] for array in (houses.left, houses.right, houses.near, houses.far)
    )
    bay, wall = right - 5.8, near + 3.5
    x = np.stack([left, bay, bay, right, right, left], axis=1) + lots.left[bent, None]
    y = np.stack([wall, wall, near, near, far, far], axis=1)
    shapes[bent] = _polygons(x, y * lots.side[bent, None] + lots.front[bent, None])
    return shapes


def _lot_layers(
    tiles: _Tiles, count: int, rng: np.random.Generator
) -> tuple[dict[str, gpd.GeoDataFrame], _Lots, _Houses]:
    lots = _make_lots(tiles, count, rng)
    houses = _make_houses(lots, rng)
    zero = np.zeros(count)
    layers = {
        "parcels": _frame(
            {"parcel_id": _ids("L", count)},
            lots.box(slice(None), zero, lots.width, zero, zero + LOT_DEPTH_M),
        )
    }
    x = lots.left + lots.width * rng.uniform(0.4, 0.6, count)
    y = lots.front + lots.side * (houses.near + 5.0)
    label = _ids("Lot ", count) + ", Row " + pd.Series(lots.tile + 1).astype("str")
    layers["addresses"] = _frame(
        {
            "address_id": _ids("A", count),
            "label": label,
            "ports_needed": np.where(rng.random(count) < 0.01, 2, 1),
        },
        np.asarray(shapely.points(x, y)),
    )
    eave = np.where(rng.random(count) < 0.3, 5.6, 3.6) + rng.uniform(-0.2, 0.2, count)
    layers["buildings"] = _frame(
        {
            "building_id": _ids("B", count),
            "eave_height_m": np.round(eave, 2),
            "height_m": np.round(eave + rng.uniform(1.0, 2.4, count), 2),
            "roof_slope_deg": np.round(rng.uniform(14.0, 34.0, count), 1),
        },
        _house_polygons(lots, houses),
    )
    at = lots.left + houses.right - 2.9
    layers["driveways"] = _frame(
        {"driveway_id": _ids("D", count), "width_m": np.full(count, 3.0)},
        _lines(
            np.stack([at, at], axis=1),
            np.stack(
                [
                    lots.front - lots.side * (RIGHT_OF_WAY_M - STREET_WIDTH_M) / 2,
                    lots.front + lots.side * houses.near,
                ],
                axis=1,
            ),
        ),
    )
    return layers, lots, houses


def _make_trees(lots: _Lots, houses: _Houses, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Plant a tree on every second lot, in front or behind, clear of the driveway."""
    pick = np.flatnonzero(rng.random(len(lots.left)) < 0.5)
    in_front = rng.random(len(pick)) < 0.35
    free = houses.right[pick] - 5.8
    along = np.where(in_front, rng.uniform(1.0, free), rng.uniform(1.0, lots.width[pick] - 1.0))
    behind = np.where(
        in_front, rng.uniform(1.0, 4.0, len(pick)), rng.uniform(26.0, 34.0, len(pick))
    )
    crown = rng.uniform(1.4, 3.6, len(pick))
    x = lots.left[pick] + along
    y = lots.front[pick] + lots.side[pick] * behind
    return _frame(
        {
            "tree_id": _ids("V", len(pick)),
            "crown_radius_m": np.round(crown, 2),
            "height_m": np.round(3.0 + 2.4 * crown, 1),
        },
        np.asarray(shapely.points(x, y)),
    )


def _make_roads(tiles: _Tiles) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return one street per row of tiles, one cross street per column, and the sidewalks."""
    row, column = np.arange(tiles.rows), np.arange(tiles.columns)
    y = ORIGIN_M[1] + TILE_HEIGHT_M * row + LOT_DEPTH_M + RIGHT_OF_WAY_M / 2
    x = ORIGIN_M[0] + TILE_WIDTH_M * (column + 1) - RIGHT_OF_WAY_M / 2
    east = ORIGIN_M[0] + TILE_WIDTH_M * tiles.columns
    north = ORIGIN_M[1] + TILE_HEIGHT_M * tiles.rows
    along = _lines(
        np.stack([np.full(len(y), ORIGIN_M[0]), np.full(len(y), east)], axis=1),
        np.stack([y, y], axis=1),
    )
    across = _lines(
        np.stack([x, x], axis=1),
        np.stack([np.full(len(x), ORIGIN_M[1]), np.full(len(x), north)], axis=1),
    )
    total = len(along) + len(across)
    is_main = np.concatenate([np.zeros(len(along), bool), column % 4 == 3])
    roads = _frame(
        {
            "road_id": _ids("R", total),
            "name": _ids("Road ", total),
            "road_class": np.where(is_main, "collector", "residential"),
            "width_m": np.where(is_main, 9.5, STREET_WIDTH_M),
            "speed_m_per_s": np.where(is_main, 13.4, 11.2),
        },
        np.concatenate([along, across]),
    )
    middle = tiles.y + LOT_DEPTH_M + RIGHT_OF_WAY_M / 2
    walk_y = np.concatenate([middle + 6.4, middle - 6.4])
    walk_x = np.concatenate([tiles.x, tiles.x])
    walks = _frame(
        {"sidewalk_id": _ids("S", len(walk_x)), "width_m": np.full(len(walk_x), 1.5)},
        _lines(
            np.stack([walk_x, walk_x + BLOCK_LENGTH_M], axis=1), np.stack([walk_y, walk_y], axis=1)
        ),
    )
    return roads, walks


def _make_plant(
    tiles: _Tiles, rng: np.random.Generator, *, scarce: bool
) -> dict[str, gpd.GeoDataFrame]:
    """Return poles with terminals, strand and secondary power from pole to pole."""
    total = tiles.count * POLES_PER_TILE
    place = np.tile(np.arange(POLES_PER_TILE), tiles.count)
    x = np.repeat(tiles.x, POLES_PER_TILE) + 10.0 + POLE_SPACING_M * place
    x += rng.uniform(-1.5, 1.5, total)
    y = np.repeat(tiles.y, POLES_PER_TILE) + LOT_DEPTH_M + RIGHT_OF_WAY_M / 2 + POLE_OFFSET_M
    has_terminal = np.isin(place, TERMINAL_POLES)
    sizes = np.array([6, 8, 8, 12] if scarce else [8, 12, 12, 12])
    ports = np.where(has_terminal, sizes[rng.integers(0, len(sizes), total)], 0)
    in_use = np.where(has_terminal, rng.choice([0, 1], total), 0)
    pole_id = _ids("P", total)
    poles = _frame(
        {
            "pole_id": pole_id,
            "height_m": np.full(total, 8.8),
            "strand_height_m": np.round(6.0 + rng.normal(0.0, 0.1, total), 2),
            "power_height_m": np.full(total, 7.5),
            "ports_total": ports,
            "ports_in_use": in_use,
            "ports_reserved": np.where(ports == 12, 1, 0),
            "condition": np.where(rng.random(total) < 0.05, "poor", "good"),
        },
        np.asarray(shapely.points(x, y)),
    )
    start = np.flatnonzero(np.abs(np.diff(y)) < 1.0)
    spans_x = np.stack([x[start], x[start + 1]], axis=1)
    spans_y = np.stack([y[start], y[start + 1]], axis=1)
    miss = rng.uniform(-0.6, 0.6, (2, len(start), 2))
    strands = _frame(
        {
            "strand_id": _ids("Z", len(start)),
            "height_m": np.full(len(start), 5.7),
            "size": np.full(len(start), "6_6m_1_4"),
            "condition": np.full(len(start), "good"),
        },
        _lines(spans_x + miss[0], spans_y + miss[1]),
    )
    return {"poles": poles, "strands": strands, "power": _make_power(spans_x, spans_y)}


def _make_power(spans_x: FloatArray, spans_y: FloatArray) -> gpd.GeoDataFrame:
    count = len(spans_x)
    return _frame(
        {
            "power_id": _ids("E", count),
            "power_kind": np.full(count, "supply_line"),
            "voltage_v": np.full(count, 240.0),
            "height_m": np.full(count, 7.1),
        },
        _lines(spans_x, spans_y),
    )


def _break_rows(
    layers: dict[str, gpd.GeoDataFrame], share: float, rng: np.random.Generator
) -> dict[str, gpd.GeoDataFrame]:
    """Add rows without a shape and rows that come twice; take crown radii away."""
    broken = dict(layers)
    for name, id_column in (
        ("addresses", "address_id"),
        ("poles", "pole_id"),
        ("trees", "tree_id"),
    ):
        layer = layers[name]
        count = int(np.ceil(share * len(layer)))
        twice = layer.iloc[np.sort(rng.choice(len(layer), count, replace=False))]
        shapeless = twice.assign(**{id_column: _ids("X", count).to_numpy()})
        shapeless = shapeless.set_geometry([None] * count, crs=CRS)
        broken[name] = pd.concat([layer, twice, shapeless], ignore_index=True)
    trees = broken["trees"]
    bare = rng.choice(len(layers["trees"]), int(np.ceil(share * len(trees))), replace=False)
    bare = trees["tree_id"].isin(trees["tree_id"].iloc[bare])
    broken["trees"] = trees.assign(crown_radius_m=trees["crown_radius_m"].mask(bare))
    return broken


def make_town(
    n_addresses: int, seed: int = SEED, *, broken_share: float = 0.0, scarce: bool = False
) -> dict[str, gpd.GeoDataFrame]:
    """Make a synthetic region.

    Parameters
    ----------
    n_addresses : int
        New addresses, one per lot, > 0.
    seed : int
        Seed of all chance.
    broken_share : float
        How many rows, as a part of the sound ones, are added to addresses, poles and trees
        without a shape, and again as many with an id that comes twice; as many trees lose their
        crown's radius. Sound rows stay as they are without.

    Returns
    -------
    dict of str to geopandas.GeoDataFrame
        Layers by name, in UTM zone 15 N (EPSG:32615), SI, with geoplan's column names; ids are
        columns.

    scarce : bool
        Whether to make terminals so small that there are fewer free ports than addresses.

    Raises
    ------
    ValueError
        If `n_addresses` is less than 1, or `broken_share` not from 0 to 0.5.

    Notes
    -----
    24 lots, 6 poles and 3 terminals per tile of 255 m by 85 m. Terminals have 8 or
    12 ports, some in use or reserved: 29.25 free ports per full tile on average, for 24.24
    ports asked for; one terminal in several is asked for by more than it has ports for. Where
    ports are scarce they have 6, 8 or 12: 23.25 free ports, so that about one address in twenty
    stays without one, and nearly every terminal is full.
    """
    if n_addresses < 1:
        message = f"n_addresses must be at least 1 (given: {n_addresses})"
        raise ValueError(message)
    if not 0.0 <= broken_share <= 0.5:
        message = f"broken_share must be from 0 to 0.5 (given: {broken_share})"
        raise ValueError(message)
    rng = np.random.default_rng(seed)
    tiles = _tiles(-(-n_addresses // LOTS_PER_TILE))
    layers, lots, houses = _lot_layers(tiles, n_addresses, rng)
    layers["trees"] = _make_trees(lots, houses, rng)
    layers["roads"], layers["sidewalks"] = _make_roads(tiles)
    layers = {**layers, **_make_plant(tiles, rng, scarce=scarce)}
    return _break_rows(layers, broken_share, rng) if broken_share else layers


def write_town(layers: dict[str, gpd.GeoDataFrame], out: Path) -> None:
    """Write layers as GeoParquet, with a project file.

    Parameters
    ----------
    layers : dict of str to geopandas.GeoDataFrame
        From `make_town`.
    out : pathlib.Path
        Folder; made if missing, files of the same name are replaced.
    """
    out.mkdir(parents=True, exist_ok=True)
    for name, layer in layers.items():
        layer.to_parquet(out / f"{name}.parquet", index=False)
    sources = "\n".join(f'{name} = "{name}.parquet"' for name in layers)
    text = PROJECT.format(count=len(layers["parcels"]), crs=CRS, layers=sources)
    (out / "project.toml").write_text(text, encoding="utf-8", newline="\n")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Write a synthetic region for benchmarks.")
    parser.add_argument("--addresses", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--broken-share", type=float, default=0.0, help="part of the rows that is broken"
    )
    parser.add_argument("--scarce", action="store_true", help="fewer free ports than addresses")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    start = time.perf_counter()
    layers = make_town(
        arguments.addresses,
        arguments.seed,
        broken_share=arguments.broken_share,
        scarce=arguments.scarce,
    )
    made = time.perf_counter() - start
    write_town(layers, arguments.out)
    counts = ", ".join(f"{name} {len(layer)}" for name, layer in layers.items())
    took = time.perf_counter() - start
    sys.stdout.write(f"{counts}\nmade in {made:.1f} s, written after {took:.1f} s\n")


if __name__ == "__main__":
    main()
