"""What each thing passed over asks for: figures by hand, places, surfaces and power above."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from geoplan.clearance.required import (
    YARD_PLACES,
    build_ceilings,
    build_rows,
    rule_keys,
    uncovered,
)
from geoplan.clearance.supports import POWER_KIND
from geoplan.routes.crossings import KIND_CODE
from geoplan.tables import CrossingKind
from tests.clearance.place import Place, Plot, build_place, plane

FT = 0.3048
IN = 0.0254
HIGH_HOUSE = {"eave_m": 9.0, "top_m": 11.0}
LOW_HOUSE = {"eave_m": 4.0, "top_m": 6.0}


def district(rules: str) -> dict[str, str]:
    return {"rule_set": rules, "loading_district": "light"}


# kind of crossing, plot, rule set, required in metres, key; the id is the source.
ROAD = {"road": (12.0, 8.0)}
FIGURES = [
    ("NESC-T232-1-road", "us", "road", ROAD, 15.5 * FT, "clearance.road.local"),
    (
        "owner-permit-highway",
        "us",
        "road",
        {**ROAD, "road_class": "highway"},
        18 * FT,
        "clearance.road.limited_access",
    ),
    (
        "NESC-T232-1-arterial",
        "us",
        "road",
        {**ROAD, "road_class": "arterial"},
        15.5 * FT,
        "clearance.road.arterial",
    ),
    (
        "NESC-T232-1-alley",
        "us",
        "road",
        {**ROAD, "road_class": "alley"},
        15.5 * FT,
        "clearance.road.alley",
    ),
    (
        "NESC-T232-1-unknown-class",
        "us",
        "road",
        {**ROAD, "road_class": "towpath"},
        15.5 * FT,
        "clearance.road.arterial",
    ),
    ("NESC-T232-1-foot", "us", "sidewalk", {"walk": (8.0, 10.0)}, 9.5 * FT, "clearance.walk.any"),
    (
        "NESC-T232-1-drive",
        "us",
        "driveway",
        {"driveway": (8.0, 12.0), **HIGH_HOUSE},
        15.5 * FT,
        "clearance.driveway.residential",
    ),
    (
        "NESC-T232-1-note-drive",
        "us",
        "driveway",
        {"driveway": (8.0, 12.0), **LOW_HOUSE},
        11.5 * FT,
        "clearance.driveway.reduced",
    ),
    ("NESC-T232-1-rail", "us", "rail", {"rail": (12.0, 6.0)}, 23.5 * FT, "clearance.rail.any"),
    ("NEC-800.44B", "us", "roof", {"roof": (8.0, 12.0)}, 8 * FT, "clearance.roof.low_slope"),
    (
        "NEC-800.44B-steep",
        "us",
        "roof",
        {"roof": (8.0, 12.0), "roof_slope_deg": 18.5},
        3 * FT,
        "clearance.roof.steep",
    ),
    (
        "NEC-800.44B-just-not-steep",
        "us",
        "roof",
        {"roof": (8.0, 12.0), "roof_slope_deg": 18.4},
        8 * FT,
        "clearance.roof.low_slope",
    ),
    ("NEC-680.9-pool", "us", "pool", {"pool": (8.0, 12.0)}, 10 * FT, "clearance.pool.any"),
    ("GO95-T1-case5", "california", "sidewalk", {"walk": (8.0, 10.0)}, 10 * FT, None),
    (
        "GO95-T1-case4",
        "california",
        "driveway",
        {"driveway": (8.0, 12.0), **HIGH_HOUSE},
        15 * FT,
        None,
    ),
    (
        "GO64A-84.8-A2",
        "california",
        "driveway",
        {"driveway": (8.0, 12.0), **LOW_HOUSE},
        10 * FT,
        None,
    ),
    ("GO95-T1-case1", "california", "rail", {"rail": (12.0, 6.0)}, 25 * FT, None),
    ("UK-2003/2553-4(2)", "metric", "road", ROAD, 5.5, None),
    ("UK-2003/2553-grid", "metric", "road", {**ROAD, "road_class": "highway"}, 6.5, None),
    ("AS-C524-foot", "metric", "sidewalk", {"walk": (8.0, 10.0)}, 2.7, None),
    ("AS-C524-drive", "metric", "driveway", {"driveway": (8.0, 12.0), **HIGH_HOUSE}, 3.7, None),
    ("CSA-C22.3-rail", "metric", "rail", {"rail": (12.0, 6.0)}, 7.0, None),
]


def rows_of(place: Place, kind: str) -> Any:
    """Return part, base and required of the points over one kind of thing."""
    rows = build_rows(place.air, place.crossings, place.ends(), place.demands, place.supports)
    crossing = np.flatnonzero(place.crossings.kind == KIND_CODE[CrossingKind(kind)])
    on = np.isin(rows.crossing, crossing)
    return rows.part[on], rows.base_m[on], rows.required_m[on]


@pytest.mark.parametrize(
    ("rules", "kind", "plot", "required_m", "key"),
    [pytest.param(*figure[1:], id=f"{figure[0]}-{figure[1]}") for figure in FIGURES],
)
def test_every_point_over_a_thing_asks_for_the_published_figure(
    rules: str, kind: str, plot: dict[str, Any], required_m: float, key: str | None
) -> None:
    place = build_place([Plot(25.0, **plot)], **district(rules))
    _, _, required = rows_of(place, kind)
    assert len(required) >= 5
    np.testing.assert_allclose(required, required_m, atol=1e-9)
    if key is not None:
        keys = rule_keys(place.crossings, place.ends(), place.demands)
        assert keys[place.crossings.kind == KIND_CODE[CrossingKind(kind)]].tolist() == [key]


@pytest.mark.parametrize(
    ("rules", "yard_m"),
    [
        pytest.param("us", 9.5 * FT, id="NESC-T232-1-foot"),
        pytest.param("california", 10 * FT, id="GO95-T1-case5"),
        pytest.param("metric", 2.7, id="practice-as-over-a-footway"),
    ],
)
def test_the_yard_is_asked_for_all_along_up_to_the_house(rules: str, yard_m: float) -> None:
    place = build_place([Plot(25.0)], **district(rules))
    rows = build_rows(place.air, place.crossings, place.ends(), place.demands, place.supports)
    np.testing.assert_allclose(rows.required_m[rows.crossing < 0], yard_m)
    assert rows.part.max() == 1.0
    assert np.diff(YARD_PLACES).max() <= 0.0501


@pytest.mark.parametrize("width", [5.0, 10.0, 14.0, 24.0])
def test_california_grades_from_kerb_to_travelled_way_and_no_further(width: float) -> None:
    """GO 64-A 84.8-A(2) and GO 95 54.8-B(1): 16 ft at the kerb, 18 ft from 12 ft in; middle 18."""
    place = build_place([Plot(50.0, road=(20.0, width))], **district("california"))
    part, _, required = rows_of(place, "road")
    from_kerb = width / 2 - np.abs(part * 50.0 - 20.0)
    by_hand = np.minimum(16 + from_kerb / FT / 6, 18.0) * FT
    middle = np.abs(part * 50.0 - 20.0) < 1e-6
    np.testing.assert_allclose(required[middle], 18 * FT)
    np.testing.assert_allclose(required[~middle], by_hand[~middle], atol=1e-6)
    np.testing.assert_allclose(required[[0, -1]], 16 * FT, atol=1e-6)


@pytest.mark.parametrize("width", [10.0, 14.0, 24.0])
def test_a_straight_wire_that_keeps_the_graded_points_keeps_the_grade_between(width: float) -> None:
    """Interpolated between the points, no place of the strip is asked for less than the grade."""
    place = build_place([Plot(50.0, road=(20.0, width))], **district("california"))
    part, _, required = rows_of(place, "road")
    order = np.argsort(part)
    y = np.linspace(20.0 - width / 2, 20.0 + width / 2, 501)
    asked = np.interp(y, part[order] * 50.0, required[order])
    grade = np.minimum(16 + (width / 2 - np.abs(y - 20.0)) / FT / 6, 18.0) * FT
    assert (asked >= grade - 1e-6).all()


def test_where_the_pole_stands_over_the_carriageway_there_is_no_kerb_at_it() -> None:
    place = build_place([Plot(50.0, road=(3.0, 10.0))], **district("california"))
    part, _, required = rows_of(place, "road")
    assert part.min() == 0.0
    assert required[part.argmin()] == pytest.approx(18 * FT)


@pytest.mark.parametrize("rules", ["us", "metric"])
def test_elsewhere_the_whole_carriageway_asks_for_the_full_height(rules: str) -> None:
    place = build_place([Plot(50.0, road=(20.0, 12.0))], **district(rules))
    assert np.ptp(rows_of(place, "road")[2]) == 0.0


def test_points_reach_over_the_full_width_of_what_is_passed_over() -> None:
    place = build_place([Plot(40.0, road=(12.0, 8.0), walk=(20.0, 22.0))], **district("us"))
    np.testing.assert_allclose(rows_of(place, "road")[0][[0, -1]] * 40.0, [8.0, 16.0])
    np.testing.assert_allclose(rows_of(place, "sidewalk")[0][[0, -1]] * 40.0, [20.0, 22.0])


def test_a_road_is_highest_at_its_crown_and_a_roof_at_its_top() -> None:
    place = build_place(
        [Plot(40.0, road=(8.0, 8.0), roof=(20.0, 25.0), roof_top_m=4.2)],
        **district("us"),
        heights={"road_crown": "0.2 m"},
    )
    part, base, _ = rows_of(place, "road")
    np.testing.assert_allclose(base, 0.2 * (1 - np.abs(part * 40.0 - 8.0) / 4.0), atol=1e-9)
    np.testing.assert_allclose(rows_of(place, "roof")[1], 4.2)


def test_a_roof_without_a_record_is_taken_as_high_as_the_setting_says() -> None:
    place = build_place(
        [Plot(40.0, roof=(20.0, 25.0), roof_top_m=None)],
        **district("us"),
        heights={"roof_height": "6 m"},
    )
    np.testing.assert_allclose(rows_of(place, "roof")[1], 6.0)


def test_points_lie_on_the_ground_of_the_raster() -> None:
    place = build_place(
        [Plot(40.0, walk=(20.0, 22.0))], plane(0.1, -0.05, count=1), **district("us")
    )
    rows = build_rows(place.air, place.crossings, place.ends(), place.demands, place.supports)
    np.testing.assert_allclose(rows.base_m, 100.0 - 0.05 * rows.part * 40.0, atol=1e-9)


def test_water_gives_no_point_and_is_told_as_uncovered() -> None:
    for rules in ("us", "california", "metric"):
        place = build_place([Plot(40.0, water=(10.0, 20.0))], **district(rules))
        assert len(rows_of(place, "water")[0]) == 0
        lacking = uncovered(place.crossings, place.ends(), place.demands)
        assert place.crossings.kind[lacking].tolist() == [KIND_CODE[CrossingKind.WATER]]


POWER = [
    pytest.param("us", "supply_line", 7200.0, 30 * IN, id="NESC-235C2b"),
    pytest.param("us", "supply_drop", 240.0, 12 * IN, id="NEC-800.44A4"),
    pytest.param("us", "neutral", 0.0, 0.75 * 30 * IN, id="NESC-235C2b-neutral"),
    pytest.param("us", "supply_line", 69_000.0, None, id="NESC-above-15-kV-not-covered"),
    pytest.param("california", "supply_line", 480.0, 2 * FT, id="GO64A-84.8-A3a"),
    pytest.param("california", "supply_line", 12_000.0, None, id="GO64A-ends-at-750-V"),
    pytest.param("california", "neutral", 0.0, None, id="GO-no-neutral"),
    pytest.param("metric", "supply_drop", 230.0, 0.3, id="NEC-800.44A4-metric"),
]


@pytest.mark.parametrize(("rules", "kind", "volts", "separation_m"), POWER)
def test_power_asks_for_its_separation_by_kind_and_voltage(
    rules: str, kind: str, volts: float, separation_m: float | None
) -> None:
    plot = Plot(40.0, power_at_m=15.0, power_m=8.0, power_kind=kind, voltage_v=volts)
    place = build_place([plot], **district(rules))
    ceilings = build_ceilings(
        place.air, place.crossings, place.ends(), place.demands, place.supports
    )
    assert ceilings.part.tolist() == [15.0 / 40.0]
    assert ceilings.power_m.tolist() == [8.0]
    if separation_m is None:
        assert np.isnan(ceilings.separation_m).all()
        assert len(uncovered(place.crossings, place.ends(), place.demands)) == 1
    else:
        np.testing.assert_allclose(ceilings.separation_m, separation_m)
        assert not ceilings.is_assumed.any()


def test_power_without_height_or_voltage_is_told_as_assumed() -> None:
    plots = [
        Plot(40.0, power_at_m=15.0, power_m=None, voltage_v=480.0),
        Plot(40.0, power_at_m=15.0, power_m=8.0, voltage_v=None),
    ]
    place = build_place(plots, **district("us"))
    ceilings = build_ceilings(
        place.air, place.crossings, place.ends(), place.demands, place.supports
    )
    assert ceilings.is_assumed.tolist() == [True, True]
    assert ceilings.power_m[0] == place.project.heights.power_height["supply_line"]


def test_power_beside_the_wire_counts_only_within_the_separation() -> None:
    """A line that ends short of the wire is near; 30 in is the separation."""
    plots = [Plot(40.0, power_at_m=40.0 + off, power_m=8.0, voltage_v=480.0) for off in (0.5, 2.0)]
    place = build_place(plots, **district("us"))
    assert place.crossings.is_near_miss[
        place.crossings.kind == KIND_CODE[CrossingKind.POWER]
    ].tolist() == [True, True]
    ceilings = build_ceilings(
        place.air, place.crossings, place.ends(), place.demands, place.supports
    )
    assert ceilings.air.tolist() == [0]


def test_every_kind_of_power_has_a_row_of_separations() -> None:
    assert set(POWER_KIND) == {"supply_line", "supply_drop", "neutral"}
