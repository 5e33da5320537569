"""Where ladder, reel and bucket stand: on the right side, clear of what is in the way."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.ground import build_ground
from geoplan.work.jobs import JobTables
from geoplan.work.places import NOTES, build_places, is_bucket_job


def carriageways(plan: Plan):
    roads = plan.layers.roads
    return shapely.union_all(roads.geometry.buffer(roads["width_m"] / 2, quad_segs=64))


def buildings(plan: Plan):
    return shapely.union_all(plan.layers.buildings.geometry.values)


def assert_clear(plan: Plan, table) -> None:
    points = table.geometry.values
    assert not shapely.intersects(points, carriageways(plan)).any()
    assert not shapely.intersects(points, buildings(plan)).any()


def test_nothing_stands_in_a_carriageway_or_a_building(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    assert_clear(demo_plan, demo_jobs.work_places)


def test_in_random_towns_nothing_stands_in_a_carriageway_or_a_building(
    town_plans: list[Plan], crew_rules: CrewRules
) -> None:
    drops = lost = 0
    for plan in town_plans:
        found = build_places(plan, crew_rules, build_ground(plan.layers))
        assert_clear(plan, found.table)
        need = {"house_ladder": len(plan.drops), "reel": len(plan.drops)}
        need["bucket"] = int(is_bucket_job(plan.drops).sum())
        need["ladder"] = len(plan.drops) - need["bucket"]
        for place, count in need.items():
            has = int((found.table["place"] == place).sum())
            assert has + int(found.without[place].sum()) == count
        drops += len(plan.drops)
        lost += int(found.without["ladder"].sum())
    assert drops > 20
    assert lost < drops / 2


def test_each_drop_has_a_ladder_or_a_bucket(demo_plan: Plan, demo_jobs: JobTables) -> None:
    table = demo_jobs.work_places
    bucket = set(demo_plan.drops.loc[is_bucket_job(demo_plan.drops), "address_id"])
    ids = {place: set(rows["address_id"]) for place, rows in table.groupby("place")}
    assert ids["bucket"] == bucket
    assert ids["ladder"] == set(demo_plan.drops["address_id"]) - bucket
    assert ids["house_ladder"] == set(demo_plan.drops["address_id"])
    assert not table.duplicated(["address_id", "place"]).any()
    assert set(table["note"]) <= set(NOTES.values())


def foot(plan: Plan, jobs: JobTables, place: str):
    table = jobs.work_places
    rows = table[table["place"] == place].set_index("address_id").geometry
    return rows.reindex(plan.drops["address_id"])


def test_a_ladder_leans_at_its_angle(demo_plan: Plan, demo_jobs: JobTables) -> None:
    drops = demo_plan.drops
    slope = np.tan(np.radians(demo_plan.project.ladder.angle))
    start = shapely.force_2d(shapely.get_point(demo_plan.air_spans.geometry.values, 0))
    feet = foot(demo_plan, demo_jobs, "ladder").values
    out = shapely.distance(feet, start)
    pole = drops["strand_span_id"].isna().to_numpy()
    high = drops["hook_height_m"].to_numpy() / slope
    assert out[pole] == pytest.approx(high[pole])
    end = shapely.force_2d(shapely.get_point(demo_plan.air_spans.geometry.values, 1))
    house = shapely.distance(foot(demo_plan, demo_jobs, "house_ladder").values, end)
    assert house == pytest.approx(drops["attachment_height_m"].to_numpy() / slope)


def test_at_a_clamp_the_ladder_is_on_the_field_side(demo_plan: Plan, demo_jobs: JobTables) -> None:
    """House side on the same side of the street, the other one where the drop crosses it."""
    drops, layers = demo_plan.drops, demo_plan.layers
    ends = shapely.get_coordinates(demo_plan.air_spans.geometry.values).reshape(-1, 2, 2)
    feet = shapely.get_coordinates(foot(demo_plan, demo_jobs, "ladder").dropna().values)
    has = foot(demo_plan, demo_jobs, "ladder").notna().to_numpy()
    clamp = drops["strand_span_id"].notna().to_numpy() & has
    place = np.full(len(drops), -1)
    place[has] = np.arange(has.sum())
    crosses = drops["is_street_crossing"].to_numpy()
    checked = 0
    for row in np.flatnonzero(clamp):
        line = layers.spans.geometry[drops["strand_span_id"][row]]
        (x0, y0), (x1, y1) = line.coords[0][:2], line.coords[-1][:2]

        def side(point, x0=x0, y0=y0, x1=x1, y1=y1) -> float:
            return np.sign((x1 - x0) * (point[1] - y0) - (y1 - y0) * (point[0] - x0))

        same = side(feet[place[row]]) == side(ends[row, 1])
        assert same != crosses[row]
        checked += 1
    assert checked > 100


def test_the_reel_of_a_clamp_is_on_the_house_side_of_the_walk(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    drops = demo_plan.drops
    crossings = demo_plan.crossings
    walks = crossings[crossings["crossing_kind"] == "sidewalk"].groupby("address_id")["end_m"].min()
    kinds = demo_jobs.jobs["job_kind"]
    rows = (kinds == "span_clamp") & drops["address_id"].isin(walks.index)
    start = shapely.force_2d(shapely.get_point(demo_plan.air_spans.geometry.values, 0))
    away = shapely.distance(foot(demo_plan, demo_jobs, "reel").values, start)
    assert rows.sum() > 20
    end = walks.reindex(drops["address_id"]).to_numpy()
    length = drops["air_span_m"].to_numpy()
    assert (away[rows] >= np.minimum(end, length)[rows] - 1e-6).all()


def test_ladder_and_reel_are_apart(demo_plan: Plan, demo_jobs: JobTables) -> None:
    ladder, reel = (foot(demo_plan, demo_jobs, place) for place in ("ladder", "reel"))
    apart = shapely.distance(ladder.values, reel.values)
    assert np.nanmin(apart) > 0.5
