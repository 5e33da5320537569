"""Flags of planned drops: each rule with its code, severity, figures and remedy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geoplan.project import Project
from geoplan.routes.flags import HAZARD_COLUMNS
from geoplan.routes.hazards import build_hazards, hazard_flags
from geoplan.tables import TABLES, CrossingKind, Severity

US = Project(layers={}, units="us")
METRIC = Project(layers={}, units="metric")
DTYPES = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}


def _table(name: str, rows: list[dict]) -> pd.DataFrame:
    plain = {"text": None, "float": np.nan, "int": 0, "bool": False}
    columns = TABLES[name].columns
    data = [{column.name: plain[column.kind] for column in columns} | row for row in rows]
    frame = pd.DataFrame(data, columns=[column.name for column in columns])
    return frame.astype({column.name: DTYPES[column.kind] for column in columns})


def _crossing(kind: CrossingKind, **more: object) -> dict:
    return {
        "address_id": "A1",
        "terminal_id": "T1",
        "crossing_kind": kind.value,
        "feature_id": "F1",
        "at_m": 12.0,
        "start_m": 10.0,
        "end_m": 14.0,
        "distance_m": 0.0,
        **more,
    }


def _drop(**more: object) -> dict:
    return {
        "address_id": "A1",
        "terminal_id": "T1",
        "air_span_m": 30.0,
        "strand_run_m": 20.0,
        "wall_angle_deg": 90.0,
        "attachment_basis": "wall_face",
        "building_id": "B1",
        **more,
    }


def _flags(
    crossings: list[dict], drops: list[dict] | None = None, project: Project = US
) -> pd.DataFrame:
    return build_hazards(_table("crossings", crossings), _table("drops", drops or []), project)


def _one(crossing: dict, project: Project = US, *, code: str | None = None) -> pd.Series:
    table = _flags([crossing], project=project)
    if code is not None:
        table = table[table["code"] == code]
    assert len(table) == 1
    return table.iloc[0]


ROAD = _crossing(
    CrossingKind.ROAD,
    feature_name="Marl Lane",
    feature_class="residential",
    angle_deg=81.6,
    width_m=6.096,
)

CASES = [
    (
        ROAD,
        "street_crossing",
        "warning",
        6.096,
        "costs.street_crossing",
        "crosses Marl Lane, residential, carriageway 20.0 ft, at 82 deg",
        "crosses Marl Lane, residential, carriageway 6.10 m, at 82 deg",
    ),
    (
        ROAD | {"angle_deg": np.nan},
        "road_overhang",
        "warning",
        10.0,
        "costs.road_overhang",
        "hangs over the carriageway of Marl Lane without crossing it",
        None,
    ),
    (
        _crossing(CrossingKind.RAIL, feature_name="Quarry line", angle_deg=70.0),
        "rail_crossing",
        "error",
        70.0,
        "forbidden.rail",
        "crosses the railway Quarry line",
        None,
    ),
    (
        _crossing(CrossingKind.WATER, feature_name="Mill brook"),
        "water_crossing",
        "error",
        10.0,
        "forbidden.water",
        "crosses water Mill brook",
        None,
    ),
    (
        _crossing(CrossingKind.POWER, feature_class="supply_line", angle_deg=44.0),
        "power_crossing",
        "error",
        44.0,
        "costs.power_crossing",
        "crosses power (supply_line) F1",
        None,
    ),
    (
        _crossing(CrossingKind.POWER, is_near_miss=True, distance_m=1.524),
        "near_power",
        "warning",
        1.524,
        "limits.near_power",
        "passes 5.0 ft from power (kind unknown) F1 in plan, 39.4 ft out",
        "passes 1.52 m from power (kind unknown) F1 in plan, 12.00 m out",
    ),
    (
        _crossing(CrossingKind.TREE),
        "tree_crown",
        "warning",
        10.0,
        "costs.tree",
        "passes through the crown of tree F1",
        None,
    ),
    (
        _crossing(CrossingKind.TREE, is_near_miss=True, distance_m=0.3048),
        "near_tree",
        "note",
        0.3048,
        "limits.near_tree",
        "passes 1.0 ft from the crown of tree F1",
        "passes 0.30 m from the crown of tree F1",
    ),
    (
        _crossing(CrossingKind.ROOF),
        "roof_crossing",
        "warning",
        10.0,
        "costs.roof",
        "passes over the roof of building F1",
        None,
    ),
    (
        _crossing(CrossingKind.ROOF, is_near_miss=True, distance_m=0.3048),
        "near_building",
        "warning",
        0.3048,
        "limits.near_building",
        "passes 1.0 ft from building F1 in plan, below its top; room beside it is not checked",
        "passes 0.30 m from building F1 in plan, below its top; room beside it is not checked",
    ),
    (
        _crossing(CrossingKind.POOL),
        "pool_crossing",
        "error",
        10.0,
        "forbidden.pool",
        "passes over pool F1",
        None,
    ),
    (
        _crossing(CrossingKind.POOL, is_near_miss=True, distance_m=2.1336),
        "near_pool",
        "warning",
        2.1336,
        "limits.near_pool",
        "passes 7.0 ft from pool F1",
        "passes 2.13 m from pool F1",
    ),
    (
        _crossing(CrossingKind.LOT),
        "third_party_lot",
        "warning",
        10.0,
        "costs.third_party_lot",
        "passes over lot F1, not the customer's",
        None,
    ),
    (
        _crossing(CrossingKind.DRIVEWAY),
        "driveway_crossing",
        "note",
        10.0,
        "costs.driveway",
        "passes over driveway F1",
        None,
    ),
    (
        _crossing(CrossingKind.SIDEWALK),
        "sidewalk_crossing",
        "note",
        10.0,
        "costs.sidewalk",
        "passes over sidewalk F1",
        None,
    ),
    (
        _crossing(CrossingKind.EXISTING_DROP, angle_deg=33.0),
        "existing_drop_crossing",
        "note",
        33.0,
        "costs.drop_crossing",
        "crosses existing drop F1",
        None,
    ),
    (
        _crossing(CrossingKind.PLANNED_DROP, angle_deg=33.0),
        "planned_drop_crossing",
        "note",
        33.0,
        "choice.max_extra_per_drop_crossing",
        "crosses the planned drop of F1",
        None,
    ),
]


@pytest.mark.parametrize("case", CASES, ids=[case[1] for case in CASES])
def test_each_crossing_has_code_severity_figure_setting_and_words(case: tuple) -> None:
    crossing, code, severity, amount, setting, us, metric = case
    for project, words in ((US, us), (METRIC, metric or us)):
        row = _one(crossing, project)
        assert (row["code"], row["severity"], row["setting"]) == (code, severity, setting)
        assert row["what"] == words
        assert row["amount"] == pytest.approx(amount)
        assert row["at_m"] == 12.0
        assert (row["address_id"], row["terminal_id"], row["feature_id"]) == ("A1", "T1", "F1")
        assert row["remedy"].endswith(".")


def test_every_kind_of_crossing_is_flagged() -> None:
    assert {case[0]["crossing_kind"] for case in CASES} == {kind.value for kind in CrossingKind}


def test_settings_named_behind_flags_exist() -> None:
    for _, _, _, _, setting, _, _ in CASES:
        section, key = setting.split(".")
        assert key in type(getattr(US, section)).model_fields


@pytest.mark.parametrize(("angle_deg", "flagged"), [(59.9, True), (60.0, False), (12.0, True)])
def test_a_street_crossing_flatter_than_the_limit_is_flagged_besides(
    angle_deg: float, flagged: bool
) -> None:
    table = _flags([ROAD | {"angle_deg": angle_deg}]).set_index("code")
    assert ("oblique_crossing" in table.index) == flagged
    assert "street_crossing" in table.index
    if flagged:
        assert table.loc["oblique_crossing", "what"] == (
            f"crosses Marl Lane at only {round(angle_deg)} deg"
        )
        assert table.loc["oblique_crossing", "amount"] == angle_deg
        assert table.loc["oblique_crossing", "setting"] == "limits.min_crossing_angle"


def test_the_limit_on_the_crossing_angle_is_the_users() -> None:
    strict = Project(layers={}, limits={"min_crossing_angle": "85 deg"})
    assert set(_flags([ROAD], project=strict)["code"]) == {"street_crossing", "oblique_crossing"}
    assert set(_flags([ROAD])["code"]) == {"street_crossing"}


def test_a_feature_without_a_name_goes_by_its_id() -> None:
    assert "crosses F1," in _one(ROAD | {"feature_name": None})["what"]


def test_a_road_of_unknown_width_says_so() -> None:
    assert "carriageway unknown" in _one(ROAD | {"width_m": np.nan})["what"]


DROP_CASES = [
    (
        {"wall_angle_deg": 17.4},
        "steep_wall_angle",
        "note",
        17.4,
        "limits.min_wall_angle",
        "leaves the wall at only 17 deg",
    ),
    (
        {"attachment_basis": "address_point", "building_id": None, "wall_angle_deg": np.nan},
        "attachment_assumed",
        "warning",
        30.0,
        "layers.buildings",
        "no building: attached at the address point",
    ),
    (
        {"strand_basis": "inferred"},
        "strand_inferred",
        "warning",
        20.0,
        "strands.infer",
        "runs along a strand that was inferred, not recorded",
    ),
    (
        {"reserve_ports_used": 2},
        "reserve_port",
        "warning",
        2.0,
        "choice.use_reserve",
        "uses a port kept for growth",
    ),
]


@pytest.mark.parametrize("case", DROP_CASES, ids=[case[1] for case in DROP_CASES])
def test_each_flag_of_the_drop_itself(case: tuple) -> None:
    changes, code, severity, amount, setting, words = case
    table = _flags([], [_drop(**changes), _drop(address_id="A2")])
    assert len(table) == 1
    row = table.iloc[0]
    assert (row["address_id"], row["code"], row["severity"]) == ("A1", code, severity)
    assert (row["setting"], row["what"]) == (setting, words)
    assert row["amount"] == pytest.approx(amount)
    assert row["at_m"] == 30.0


def test_a_wall_angle_at_the_limit_is_not_flagged() -> None:
    assert len(_flags([], [_drop(wall_angle_deg=30.0), _drop(wall_angle_deg=np.nan)])) == 0


def test_a_strand_span_with_more_drops_than_set_flags_each_of_them() -> None:
    def drops(count: int) -> list[dict]:
        return [_drop(address_id=f"A{row}", strand_span_id="S1") for row in range(count)]

    apart = [_drop(address_id=f"Z{row}", strand_span_id=None) for row in range(9)]
    assert len(_flags([], drops(4) + apart)) == 0
    table = _flags([], drops(5) + apart)
    assert table["code"].tolist() == ["crowded_span"] * 5
    assert (table["what"] == "shares its strand span with 4 other planned drops").all()
    assert (table["amount"] == 5.0).all()


def test_a_span_is_crowded_by_drops_of_other_parts_of_the_region() -> None:
    drops = _table("drops", [_drop(address_id=f"A{row}", strand_span_id="S1") for row in range(2)])
    no_crossing = _table("crossings", [])
    by_code = {
        count: {
            flags.code: len(flags.rows)
            for flags in hazard_flags(no_crossing, drops, US, np.full(2, count))
        }
        for count in (2, 7)
    }
    assert by_code[2]["crowded_span"] == 0
    assert by_code[7]["crowded_span"] == 2


def test_no_drops_and_no_crossings_give_an_empty_table_with_all_columns() -> None:
    table = _flags([])
    assert len(table) == 0
    assert table.columns.tolist() == list(HAZARD_COLUMNS)


def test_columns_are_those_declared() -> None:
    assert TABLES["hazards"].column_names == HAZARD_COLUMNS


def test_flags_are_sorted_and_do_not_depend_on_the_order_of_rows() -> None:
    crossings = [case[0] | {"address_id": f"A{row % 3}"} for row, case in enumerate(CASES)]
    drops = [_drop(address_id=f"A{row}", wall_angle_deg=5.0) for row in range(3)]
    first, second = _flags(crossings, drops), _flags(crossings[::-1], drops[::-1])
    pd.testing.assert_frame_equal(first, second)
    assert first.equals(
        first.sort_values(["address_id", "code", "feature_id", "at_m"], ignore_index=True)
    )
    assert set(first["severity"]) <= {severity.value for severity in Severity}


HOSTILE = ["{name}", "{class}{width}", "%s {0} {distance}", "{angle", "}{", "a\\1b", "", " "]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_with_braces_stands_as_it_is(name: str) -> None:
    row = _one(ROAD | {"feature_name": name, "feature_class": "{name}"})
    assert row["what"] == f"crosses {name}, {{name}}, carriageway 20.0 ft, at 82 deg"
