"""Tests of the checks on how layers lie to each other and name each other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from shapely.geometry import LineString, Point, Polygon, box

from geoplan.layers import check_overlap
from geoplan.layers import check_topology as topology
from geoplan.layers.check_topology import check_topology
from geoplan.layers.locate import locate_addresses
from geoplan.layers.strands import build_spans
from geoplan.project import Strands
from geoplan.tables import LAYERS, TABLES, Severity

CRS = "EPSG:32615"
DTYPES = {"text": "str", "float": "float64", "int": "int64"}
Rows = Mapping[str, Any]


def make_layer(name: str, rows: Rows) -> gpd.GeoDataFrame:
    """Build a layer from geometries by id, or pairs of geometry and columns."""
    declared = LAYERS[name]
    pairs = {key: row if isinstance(row, tuple) else (row, {}) for key, row in rows.items()}
    index = pd.Index(list(pairs), dtype="str", name=declared.id_column)
    data = {}
    for column in declared.columns:
        if column.name == declared.id_column:
            continue
        default = column.default if column.default is not None else np.nan
        default = 0 if column.kind == "int" and column.default is None else default
        values = [more.get(column.name, default) for _, more in pairs.values()]
        data[column.name] = pd.Series(values, index=index, dtype=DTYPES[column.kind])
    shapes = [shape for shape, _ in pairs.values()]
    return gpd.GeoDataFrame(data, geometry=shapes, index=index, crs=CRS)


Checked = tuple[dict[str, pd.Index], pd.DataFrame, pd.DataFrame]


def check(**layers: Rows) -> Checked:
    frames = {name: make_layer(name, rows) for name, rows in layers.items()}
    return check_topology(frames, make_spans(frames))


def make_spans(frames: dict[str, gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    strands = frames.get("strands", make_layer("strands", {}))
    return build_spans(
        strands,
        frames.get("poles", make_layer("poles", {})),
        frames.get("roads", make_layer("roads", {})),
        settings=Strands(),
        absent=strands.empty,
    )[0]


def found(code: str, **layers: Rows) -> dict[str, str]:
    """Return reasons by row id of the findings with one code."""
    findings = check(**layers)[1]
    chosen = findings[findings["code"] == code]
    return dict(zip(chosen["row_id"], chosen["reason"], strict=True))


LOT = box(0, 0, 20, 40)
HOUSE = box(4, 20, 14, 30)
ROAD = (LineString([(-50, -10), (50, -10)]), {"width_m": 8.0})


def terminal(x: float, y: float, **columns: Any) -> tuple[Point, dict[str, Any]]:
    return Point(x, y), {"ports_total": 4, **columns}


GOOD: dict[str, Rows] = {
    "parcels": {"L1": LOT, "L2": box(20, 0, 40, 40)},
    "addresses": {
        "A1": (
            Point(6, 25),
            {"locked_terminal_id": "P1", "forbidden_terminal_ids": "P2; P3"},
        ),
        "A2": Point(33, 25),
    },
    "buildings": {"B1": HOUSE, "B2": box(24, 20, 34, 30)},
    "poles": {"P1": terminal(0, -3), "P2": Point(30, -3), "P3": Point(60, -3)},
    "roads": {"R1": ROAD},
    "strands": {"S1": LineString([(0, -3), (60, -3)])},
    "existing_drops": {"D1": (LineString([(0, -3), (30, 20)]), {"terminal_id": "P1"})},
}


def test_a_sound_town_has_no_findings() -> None:
    ids, findings, set_aside = check(**GOOD)
    assert findings.empty, findings.to_string()
    assert set_aside.empty
    assert {name: len(ids[name]) for name in ids} == dict.fromkeys(GOOD, 0)


def test_a_pole_in_a_building_is_named_with_its_depth() -> None:
    reasons = found(
        "pole_in_building", poles={"P": Point(7, 25), "Q": Point(1, 1)}, buildings={"B": HOUSE}
    )
    assert reasons == {"P": "it stands in building 'B', 3.00 m from its edge"}


def test_of_two_buildings_the_one_the_pole_is_deepest_in_is_named() -> None:
    buildings = {"A": box(0, 0, 10, 10), "B": box(3, 3, 4, 4)}
    reasons = found("pole_in_building", poles={"P": Point(3.5, 3.5)}, buildings=buildings)
    assert reasons == {"P": "it stands in building 'A', 3.50 m from its edge"}
    buildings = {"B": box(0, 0, 10, 10), "A": box(3, 3, 4, 4)}
    reasons = found("pole_in_building", poles={"P": Point(3.5, 3.5)}, buildings=buildings)
    assert reasons == {"P": "it stands in building 'B', 3.50 m from its edge"}


def test_points_within_the_carriageway_are_found_and_at_its_edge_are_not() -> None:
    points = {"IN": Point(0, -6.5), "EDGE": Point(0, -6), "OUT": Point(0, -5)}
    for layer, code in (("poles", "pole_in_carriageway"), ("addresses", "address_in_road")):
        reasons = found(code, roads={"R1": ROAD}, **{layer: points})
        assert list(reasons) == ["IN"]
        assert reasons["IN"].startswith("it is in the carriageway of road 'R1', 3.50 m from")
        assert "4.00 m of carriageway" in reasons["IN"]


def test_a_road_without_width_has_no_carriageway() -> None:
    road = (LineString([(-50, 0), (50, 0)]), {"width_m": np.nan})
    assert found("pole_in_carriageway", roads={"R": road}, poles={"P": Point(0, 0)}) == {}


def test_the_road_whose_carriageway_reaches_farthest_over_the_pole_is_named() -> None:
    wide = (LineString([(0, -50), (0, 50)]), {"width_m": 12.0})
    narrow = (LineString([(-50, 0), (50, 0)]), {"width_m": 6.0})
    reasons = found("pole_in_carriageway", roads={"A": narrow, "W": wide}, poles={"P": Point(3, 1)})
    assert "road 'W', 3.00 m" in reasons["P"]


def test_an_address_off_the_lots_is_told_how_far_the_nearest_is() -> None:
    reasons = found(
        "address_outside_parcels",
        parcels={"L": LOT, "K": LOT},
        addresses={"A": Point(10, -2.5), "B": Point(10, 0)},
    )
    assert reasons == {"A": "it is on no lot; the nearest, 'K', is 2.50 m away"}
    assert found("address_outside_parcels", addresses={"A": Point(0, 0)}) == {
        "A": "it is on no lot; there is none"
    }


def test_an_address_without_building_is_told_how_far_the_nearest_is() -> None:
    layers: dict[str, Rows] = {
        "parcels": {"L": LOT},
        "addresses": {"A": Point(5, 5), "B": Point(100, 5), "C": Point(1, 1), "D": Point(50, 25)},
    }
    reasons = found("address_without_building", buildings={"H": HOUSE}, **layers)
    assert sorted(reasons) == ["B", "D"]
    assert "the nearest of all is 87.30 m away" in reasons["B"]
    assert "the nearest of all is 36.00 m away" in reasons["D"]
    assert found("address_without_building", buildings={}, **layers) == {}


def test_places_found_already_are_not_searched_again(monkeypatch: pytest.MonkeyPatch) -> None:
    frames = {name: make_layer(name, rows) for name, rows in GOOD.items()}
    addresses = frames["addresses"]
    parcel, building = locate_addresses(
        addresses, frames["parcels"], frames["buildings"], max_building_distance_m=40.0
    )
    expected = check_topology(frames, make_spans(frames))
    frames["addresses"] = addresses.assign(parcel_id=parcel, building_id=building)
    monkeypatch.delattr(topology, "locate_in_town")
    assert_frame_equal(check_topology(frames, make_spans(frames))[1], expected[1])


def test_the_distance_to_buildings_can_be_set() -> None:
    frames = {
        "parcels": make_layer("parcels", {"L": LOT}),
        "addresses": make_layer("addresses", {"A": Point(5, 5)}),
        "buildings": make_layer("buildings", {"H": HOUSE}),
    }
    spans = make_spans(frames)
    for distance_m, count in ((15.0, 0), (14.9, 1)):
        findings = check_topology(frames, spans, max_building_distance_m=distance_m)[1]
        assert (findings["code"] == "address_without_building").sum() == count


def test_an_address_at_its_lots_centroid_is_noted() -> None:
    reasons = found(
        "address_on_parcel_centroid",
        parcels={"L": LOT},
        addresses={"A": Point(10, 20.05), "B": Point(10, 20.2)},
    )
    assert reasons == {
        "A": "it is at the centroid of lot 'L': probably geocoded to the lot's centre"
    }


def test_addresses_at_one_point_are_noted_with_their_count() -> None:
    same = Point(3, 3)
    reasons = found(
        "addresses_at_same_point", addresses={"C": same, "A": same, "B": Point(3, 3.01), "D": same}
    )
    assert sorted(reasons) == ["A", "C", "D"]
    assert set(reasons.values()) == {"3 addresses share this point, the first is 'A'"}


def test_poles_too_close_are_found_once_by_the_later_id() -> None:
    reasons = found(
        "poles_too_close",
        poles={
            "P3": Point(0, 0),
            "P1": Point(0, 0),
            "P2": Point(0.25, 0),
            "P4": Point(0.25, 0.35),
            "P5": Point(5, 0),
            "P6": Point(5.31, 0),
        },
    )
    assert sorted(reasons) == ["P2", "P3"]
    assert reasons["P3"].startswith("it is 0.00 m from pole 'P1', less than 0.30 m")
    assert reasons["P2"].startswith("it is 0.25 m from pole 'P1'")


def test_a_thousand_poles_at_one_point_are_no_burden() -> None:
    poles = {f"P{k:04d}": Point(0, 0) for k in range(5000)}
    reasons = found("poles_too_close", poles=poles)
    assert len(reasons) == 4999
    assert all("pole 'P0000'" in reason for reason in reasons.values())


def test_overlapping_lots_are_found_with_area_and_share() -> None:
    lots = {
        "L1": LOT,
        "L2": box(18, 0, 38, 40),
        "L3": box(38, 0, 58, 40),
        "L4": box(57.98, 0, 70, 40),
    }
    reasons = found("parcels_overlap", parcels=lots)
    assert reasons == {"L2": "it overlaps parcel 'L1' by 80.0 m2, 10 % of the smaller of the two"}


def test_of_several_overlaps_the_largest_is_told() -> None:
    lots = {"L1": box(0, 0, 12, 40), "L2": box(16, 0, 40, 40), "L3": box(10, 0, 30, 40)}
    reasons = found("parcels_overlap", parcels=lots)
    assert list(reasons) == ["L3"]
    assert "parcel 'L2' by 560.0 m2, 70 %" in reasons["L3"]


def test_a_lot_inside_another_and_a_lot_twice_are_overlaps() -> None:
    reasons = found("parcels_overlap", parcels={"B": LOT, "C": LOT, "A": box(-50, -50, 90, 90)})
    assert sorted(reasons) == ["B", "C"]
    assert "parcel 'A' by 800.0 m2, 100 %" in reasons["B"]
    assert "parcel 'B' by 800.0 m2, 100 %" in reasons["C"]


def test_buildings_that_overlap_are_noted_and_those_with_one_outline_set_aside() -> None:
    turned = Polygon([(14, 30), (4, 30), (4, 20), (14, 20)])
    ids, findings, set_aside = check(
        buildings={"B1": HOUSE, "B2": turned, "B3": box(10, 25, 20, 35)}
    )
    assert ids["buildings"].to_list() == ["B2"]
    assert set_aside[["layer", "row_id", "code", "reason"]].to_numpy().tolist() == [
        ["buildings", "B2", "building_same_outline", "it has the same outline as building 'B1'"]
    ]
    assert findings[["layer", "row_id", "code", "severity"]].to_numpy().tolist() == [
        ["buildings", "B3", "buildings_overlap", "note"]
    ]
    assert "building 'B1' by 20.0 m2, 20 %" in findings["reason"][0]


def test_pairs_not_compared_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check_overlap, "MAX_OVERLAP_VERTICES", 15)
    lots = {"A": LOT, "B": box(10, 0, 30, 40), "C": LOT.buffer(1.0), "D": box(100, 0, 120, 40)}
    assert list(found("parcels_overlap", parcels=lots)) == ["B"]
    reasons = found("parcels_overlap_not_checked", parcels=lots)
    assert reasons[""].startswith("2 pairs of the most detailed outlines were not checked")


def test_more_ports_in_use_than_there_are_is_a_warning() -> None:
    reasons = found(
        "ports_in_use_exceed_total",
        poles={
            "P1": terminal(0, 0, ports_in_use=5),
            "P2": terminal(9, 0, ports_in_use=4),
            "P3": (Point(20, 0), {"ports_in_use": 1}),
        },
    )
    assert reasons == {
        "P1": "5 ports in use of 4: no free port",
        "P3": "1 ports in use of 0: no free port",
    }


def test_a_reserve_that_does_not_fit_is_a_warning() -> None:
    reasons = found(
        "ports_reserved_exceed_free",
        poles={
            "P1": terminal(0, 0, ports_in_use=3, ports_reserved=2),
            "P2": terminal(9, 0, ports_in_use=3, ports_reserved=1),
            "P3": terminal(18, 0, ports_in_use=5, ports_reserved=2),
        },
    )
    assert list(reasons) == ["P1"]
    assert reasons["P1"].startswith("2 ports reserved, but only 1 of 4 not in use")


POLES: Rows = {"P1": terminal(0, -3), "P2": Point(30, -3)}


def test_a_drop_on_an_unknown_terminal_is_a_warning() -> None:
    line = LineString([(0, 0), (9, 9)])
    drops = {
        "D1": (line, {"terminal_id": "P9"}),
        "D2": (line, {"terminal_id": "P2"}),
        "D3": (line, {"terminal_id": "P1"}),
        "D4": line,
    }
    assert found("drop_terminal_unknown", poles=POLES, existing_drops=drops) == {
        "D1": "there is no pole 'P9'",
        "D2": "pole 'P2' has no terminal",
    }


def test_a_lock_on_what_is_no_terminal_is_a_warning() -> None:
    addresses = {
        "A1": (Point(1, 1), {"locked_terminal_id": "P9"}),
        "A2": (Point(2, 2), {"locked_terminal_id": "P2"}),
        "A3": (Point(3, 3), {"locked_terminal_id": "P1"}),
    }
    reasons = found("locked_terminal_unknown", poles=POLES, addresses=addresses)
    assert reasons == {
        "A1": "there is no pole 'P9'; as it is locked to it, the address cannot be served",
        "A2": "pole 'P2' has no terminal; as it is locked to it, the address cannot be served",
    }


def test_forbidden_ids_that_no_pole_has_are_listed_once() -> None:
    addresses = {
        "A1": (Point(1, 1), {"forbidden_terminal_ids": " Z9;P1; X7 ;Z9;"}),
        "A2": (Point(2, 2), {"forbidden_terminal_ids": "P2"}),
        "A3": (Point(3, 3), {"forbidden_terminal_ids": " ; "}),
    }
    reasons = found("forbidden_terminal_unknown", poles=POLES, addresses=addresses)
    assert list(reasons) == ["A1"]
    assert reasons["A1"].startswith("forbidden_terminal_ids names 'X7', 'Z9', which no pole")


def test_a_lock_on_a_forbidden_terminal_is_a_warning() -> None:
    addresses = {
        "A1": (Point(1, 1), {"forbidden_terminal_ids": "P2; P1", "locked_terminal_id": "P1"}),
        "A2": (Point(2, 2), {"forbidden_terminal_ids": "P2", "locked_terminal_id": "P1"}),
    }
    reasons = found("locked_terminal_forbidden", poles=POLES, addresses=addresses)
    assert list(reasons) == ["A1"]


def test_poles_without_strand_are_noted_only_where_strands_were_brought() -> None:
    poles = {**POLES, "P3": Point(60, -3), "P4": terminal(90, -3)}
    strands = {"S": LineString([(0, -3), (30, -3)])}
    assert list(found("pole_isolated", poles=poles, strands=strands)) == ["P3"]
    assert list(found("terminal_off_strand", poles=poles, strands=strands)) == ["P4"]
    assert found("pole_isolated", poles=poles) == {}
    assert found("terminal_off_strand", poles=poles) == {}


def test_strand_without_terminal_is_noted_by_piece() -> None:
    poles = {
        "P1": terminal(0, 0),
        "P2": Point(30, 0),
        "P3": Point(0, 90),
        "P4": Point(30, 90),
        "P5": Point(60, 90),
        "P6": Point(0, 150),
        "P7": Point(20, 150),
    }
    strands = {
        "S1": LineString([(0, 0), (30, 0)]),
        "S3": LineString([(30, 90), (60, 90)]),
        "S2": LineString([(0, 90), (30, 90)]),
        "S4": LineString([(0, 150), (20, 150)]),
    }
    reasons = found("strand_piece_without_terminal", poles=poles, strands=strands)
    assert sorted(reasons) == ["S2:1", "S4:1"]
    assert reasons["S2:1"].startswith("2 joined spans between 3 poles, 60.0 m in all")
    assert reasons["S4:1"].startswith("1 joined spans between 2 poles, 20.0 m in all")


def test_inferred_strand_without_terminal_is_not_noted() -> None:
    poles = {"P1": Point(0, -3), "P2": Point(30, -3)}
    frames = {"poles": make_layer("poles", poles), "roads": make_layer("roads", {"R": ROAD})}
    assert len(make_spans(frames)) == 1
    assert found("strand_piece_without_terminal", poles=poles, roads={"R": ROAD}) == {}


def test_empty_and_missing_layers_are_no_burden() -> None:
    for layers in ({}, {name: {} for name in LAYERS}):
        ids, findings, set_aside = check(**layers)
        assert tuple(findings.columns) == TABLES["findings"].column_names
        assert tuple(set_aside.columns) == TABLES["set_aside"].column_names
        assert findings.empty
        assert set_aside.empty
        assert set(ids) == set(layers)


# Properties

whole = st.integers(0, 12).map(lambda step: step * 2.0)
points = st.builds(Point, whole, whole)
boxes = st.builds(
    lambda x, y, w, h: box(x, y, x + w, y + h),
    whole,
    whole,
    st.sampled_from([2.0, 6.0, 10.0]),
    st.sampled_from([2.0, 6.0, 10.0]),
)
lines = st.lists(st.tuples(whole, whole), min_size=2, max_size=3, unique=True).map(LineString)
ids_drawn = st.sampled_from(["P1", "P2", "P3", "Q9"])
ports = st.fixed_dictionaries(
    {
        "ports_total": st.integers(0, 4),
        "ports_in_use": st.integers(0, 5),
        "ports_reserved": st.integers(0, 2),
    }
)
wishes = st.fixed_dictionaries(
    {},
    optional={
        "locked_terminal_id": ids_drawn,
        "forbidden_terminal_ids": st.lists(ids_drawn, max_size=3).map("; ".join),
    },
)


def rows(values: st.SearchStrategy[Any], letter: str) -> st.SearchStrategy[dict[str, Any]]:
    keys = st.sampled_from([f"{letter}{number}" for number in range(1, 6)])
    return st.dictionaries(keys, values, max_size=5)


towns = st.fixed_dictionaries(
    {
        "parcels": rows(boxes, "L"),
        "addresses": rows(st.tuples(points, wishes), "A"),
        "poles": rows(st.tuples(points, ports), "P"),
        "buildings": rows(boxes, "B"),
        "roads": rows(st.tuples(lines, st.just({"width_m": 3.0})), "R"),
        "strands": rows(lines, "S"),
        "existing_drops": rows(
            st.tuples(lines, st.builds(lambda at: {"terminal_id": at}, ids_drawn)), "D"
        ),
    }
)


@settings(max_examples=40, deadline=None)
@given(towns, st.randoms())
def test_findings_are_declared_sorted_and_free_of_the_order_of_rows(
    town: dict[str, dict[str, Any]], random: Any
) -> None:
    ids, findings, set_aside = check(**town)
    key = list(TABLES["findings"].key)
    assert not findings.duplicated(key).any()
    assert_frame_equal(findings, findings.sort_values(key, ignore_index=True))
    assert set(findings.dtypes.astype(str)) == {"str"}
    assert set(findings["severity"]) <= set(Severity)
    known = {name: set(town[name]) for name in town}
    for layer, row_id in zip(findings["layer"], findings["row_id"], strict=True):
        assert row_id == "" or row_id in known[layer] or row_id.split(":")[0] in known[layer]
    assert ids["buildings"].to_list() == set_aside["row_id"].to_list()

    shuffled = {}
    for name in random.sample(list(town), len(town)):
        keys = random.sample(list(town[name]), len(town[name]))
        shuffled[name] = {row_id: town[name][row_id] for row_id in keys}
    ids_again, findings_again, set_aside_again = check(**shuffled)
    assert_frame_equal(findings, findings_again)
    assert_frame_equal(set_aside, set_aside_again)
    assert all(ids[name].equals(ids_again[name]) for name in ids)


@settings(max_examples=60, deadline=None)
@given(rows(boxes, "L"), rows(points, "P"), rows(points, "A"))
def test_places_agree_with_shapely_pair_by_pair(
    shapes: dict[str, Any], poles: dict[str, Any], addresses: dict[str, Any]
) -> None:
    ids, findings, _ = check(parcels=shapes, buildings=shapes, poles=poles, addresses=addresses)
    by_code = findings.groupby("code")["row_id"].agg(set).to_dict()
    copies = {
        key
        for key in shapes
        if any(other < key and shapes[other].equals(shapes[key]) for other in shapes)
    }
    inside = {
        key for key in poles if any(shape.intersects(poles[key]) for shape in shapes.values())
    }
    outside = {
        key
        for key in addresses
        if not any(shape.intersects(addresses[key]) for shape in shapes.values())
    }
    overlapping = {
        key
        for key in shapes
        if any(
            other < key
            and shapes[other].intersection(shapes[key]).area
            > max(1.0, 0.01 * min(shapes[other].area, shapes[key].area))
            for other in shapes
        )
    }
    close = {
        key
        for key in poles
        if any(other < key and poles[other].distance(poles[key]) < 0.3 for other in poles)
    }
    assert by_code.get("pole_in_building", set()) == inside
    assert by_code.get("address_outside_parcels", set()) == outside
    assert by_code.get("parcels_overlap", set()) == overlapping
    assert by_code.get("buildings_overlap", set()) == overlapping - copies
    assert by_code.get("poles_too_close", set()) == close
    assert set(ids["buildings"]) == copies


@pytest.mark.parametrize("detail", [0, 8, 10**9])
def test_overlaps_do_not_depend_on_what_counts_as_detailed(
    detail: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(7)
    x, y = rng.uniform(0, 60, (2, 40))
    shapes = shapely.buffer(shapely.points(x, y), rng.uniform(2, 8, 40), quad_segs=2)
    shapes[::2] = shapely.envelope(shapes[::2])
    meets = shapely.intersects(shapes[:, None], shapes)
    monkeypatch.setattr(check_overlap, "DETAILED_VERTICES", detail)
    left, right = check_overlap._meetings(shapes, shapes)
    assert sorted(zip(left.tolist(), right.tolist(), strict=True)) == [
        tuple(pair) for pair in np.argwhere(meets).tolist()
    ]
