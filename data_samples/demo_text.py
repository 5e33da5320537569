"""Texts of the demo place: the project file and the description.

Enters: layers, cases and the list of bad rows.
Leaves: text.
Does not do: decide anything about the town.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from demo_streets import Row

PROJECT = """\
# Vellmarrow is an invented town on open water. See README.md in this folder.
name = "Vellmarrow demo (invented place)"

# "auto" would pick the same UTM zone. Lengths are worked out in metres in any case.
crs = "EPSG:32615"
units = "us"
rule_set = "us"
loading_district = "light"
wire = "copper_clad_pair"

[limits]
max_air_span = "60 m"
max_route = "150 m"
max_spans_passed = 2

[forbidden]
rail = true
# Nerrel Creek is narrow: its owner lets drops cross, at the price below.
water = false
road_classes = ["highway"]
pool = true

[costs]
water_crossing = 300.0

[costs.street_crossing]
highway = 2000.0
arterial = 400.0
collector = 160.0
residential = 80.0
rural = 120.0
alley = 30.0

[choice]
use_reserve = false

[strands]
# Strands were drawn by hand here: their ends miss the poles by up to a metre.
snap_tolerance = "2 m"

[layers]
parcels = "parcels.geojson"
roads = "roads.geojson"
strands = "strands.geojson"
rail = "rail.geojson"
water = "water.geojson"
power = "power.fgb"
sidewalks = "sidewalks.parquet"
existing_drops = "existing_drops.geojson"
terrain = { source = "terrain.tif", units = { elevation = "m" } }

# One GeoPackage with several layers.
buildings = { source = "yards.gpkg", layer = "buildings" }
driveways = { source = "yards.gpkg", layer = "driveways" }
pools = { source = "yards.gpkg", layer = "pools" }

# A list of addresses in degrees, with its own column names: ours = theirs.
[layers.addresses]
source = "addresses.csv"
crs = "EPSG:4326"
x = "longitude"
y = "latitude"

[layers.addresses.columns]
address_id = "site"
label = "street_address"
locked_terminal_id = "only_terminal"
forbidden_terminal_ids = "not_terminals"

# Crowns as a table of stems, in metres; crown and height carry feet in their names.
[layers.trees]
source = "trees.csv"
crs = "EPSG:32615"
x = "easting"
y = "northing"

# A shapefile in US survey feet with ten-letter columns and heights in feet.
[layers.poles]
source = "poles/poles.shp"

[layers.poles.columns]
pole_id = "POLE_TAG"
height = "POLE_HT_FT"
strand_height = "STRAND_HT"
power_height = "PWR_LOW_FT"
ground = "GROUND_ELV"
ports_total = "PORTS_TOTA"
ports_in_use = "PORTS_IN_U"
ports_reserved = "PORTS_RESV"
condition = "CONDITION"

[layers.poles.units]
height = "ft"
strand_height = "ft"
power_height = "ft"
ground = "us_ft"
"""

TITLES = {
    "direct": "house right beside a pole with a terminal: `direct`",
    "span_clamp": "house in the middle of a span beside a terminal: `span_clamp`",
    "other_pole": "house beside a pole next to the terminal's: `other_pole`",
    "other_pole_span_clamp": "house in mid-span, one span beyond: `other_pole_span_clamp`",
    "street crossing, direct": "the same four across a residential street: `direct`",
    "street crossing, span_clamp": "across the street, `span_clamp`",
    "street crossing, other_pole": "across the street, `other_pole`",
    "street crossing, other_pole_span_clamp": "across the street, `other_pole_span_clamp`",
    "rail": "only terminals (PB02, PB03) are beyond the railway: no route while rail is forbidden",
    "highway": "only terminals (PF01, PF03) are beyond the freeway: no route",
    "far": "more than 250 m from any terminal: no route",
    "stub": "only terminals (PD01, PD03) are full: no free port",
    "creek": "terminals PN02, PN03 are beyond Nerrel Creek: drops cross water",
    "court": "along the curved cul-de-sac Pellamy Court",
    "small crown": "a crown right between a terminal and the house (address)",
    "large crown": "a crown over the whole front of the house: every drop from the street meets it",
    "near pool": "two pools beside the way from a rear pole: *pool*, near misses",
    "carport": "a carport's roof across the front yard: *roof* crossing",
    "old drop": "an old drop hangs aslant in front of the house: *existing_drop* crossing",
    "locked": "locked to a terminal",
    "forbidden": "terminals forbidden",
    "two ports": "needs two ports",
}


def project_text() -> str:
    """Return the project file of the demo."""
    return PROJECT


def _list(items: Iterable[str]) -> str:
    return ", ".join(items) or "none"


def readme_text(
    layers: Mapping[str, Sequence[Row]],
    cases: Mapping[str, Sequence[str]],
    messy: Sequence[tuple[str, str, str]],
    seed: int,
) -> str:
    """Write the description of the demo place.

    Parameters
    ----------
    layers : mapping of str to sequence of dict
        Rows of each layer.
    cases : mapping of str to sequence of str
        Ids behind each case.
    messy : sequence of tuple of str
        Layer, row id and what is wrong with it.
    seed : int
        Seed that was used.

    Returns
    -------
    str
        Markdown.
    """
    counts = "\n".join(f"| {name} | {len(rows)} |" for name, rows in layers.items())
    shown = "\n".join(
        f"| {TITLES[name]} | {_list(cases[name])} |" for name in TITLES if name in cases
    )
    broken = "\n".join(f"| {layer} | {row} | {what} |" for layer, row, what in messy)
    terminals = [row for row in layers["poles"] if row["ports_total"] > 0]
    full = [
        row["pole_id"]
        for row in terminals
        if row["ports_in_use"] + row["ports_reserved"] >= row["ports_total"]
    ]
    free = sum(
        max(row["ports_total"] - row["ports_in_use"] - row["ports_reserved"], 0)
        for row in terminals
    )
    return f"""\
# Vellmarrow: the demo place

Everything here is invented: the town, its streets, owners, lots, wires and heights. It lies on
open water in a gulf (UTM zone 15 N, near 28.9 N 91.5 W), turned by 11 degrees, so that nobody
takes it for a real place. The files were written by `python data_samples/make_demo.py`
(seed {seed}); the same seed gives the same bytes. Don't edit them by hand.

The formats are mixed on purpose: degrees, metres and US survey feet; GeoJSON, GeoPackage,
Shapefile, FlatGeobuf, GeoParquet, CSV and a GeoTIFF. `project.toml` says how each is read.

| layer | rows, bad ones included |
| --- | --- |
{counts}

There are {len(terminals)} terminals with {free} free ports in all, the reserve not counted.
Full from the start: {_list(full)}.

## What to look at

The kinds of route are what the *layout* favours; ports are scarce, so a plan may take another
terminal for some of them.

| case | ids |
| --- | --- |
{shown}

Where each kind of crossing comes up:

- *road*: all "across the street" rows; the arterial for the south side of Grandle Avenue's east
  block; the alley for its west block; the collector Pruddle Street at corner lots, if at all
- *rail*, *highway*: only in the reasons of unserved addresses, as both are forbidden (set
  `rail = false` under `[forbidden]` to see rail crossings)
- *water*: the addresses beyond the creek
- *power*: on Ombrel Street the secondary line has poles of its own (PV..) on the south side, so
  every street crossing there meets it; elsewhere it shares the poles of Quorrel, Tindlebar and
  Wexom Street; primary and neutral on Grandle Avenue; supply drops to many houses
- *tree*: the large crowns listed (the small ones can be avoided), and yard trees
- *roof*: the carports listed
- *lot*: routes from the rear-easement poles PE.. and the alley poles PS.., and any long
  slanting drop
- *driveway*, *sidewalk*: nearly every drop on the street side
- *pool*: the near misses listed, and other back yards reached from PE..; crossing is forbidden
- *existing_drop*: the old drops listed, and houses between those that have service

## Rows that are broken, doubtful or hostile

| layer | row | what |
| --- | --- | --- |
{broken}
"""
