"""Where ladder, reel and bucket stand: on the right side, clear of what is in the way."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.ground import TRACK_HALF_M, build_ground
from geoplan.work.house_walls import HALF_LADDER_M, SHIFTS_M
from geoplan.work.jobs import JobTables
from geoplan.work.place_notes import GUARD
from geoplan.work.places import KERB_SLACK_M, STREET_WITHIN_M, build_places, is_bucket_job
from geoplan.work.road_works import is_over_street


def carriageways(plan: Plan):
    roads = plan.layers.roads
    return shapely.union_all(roads.geometry.buffer(roads["width_m"] / 2, quad_segs=64))


def buildings(plan: Plan):
    return shapely.union_all(plan.layers.buildings.geometry.values)


def assert_clear(plan: Plan, table) -> None:
    points = table.geometry.values
    assert not shapely.intersects(points, carriageways(plan)).any()
    assert not shapely.intersects(points, buildings(plan)).any()
    for name in ("pools", "water"):
        shapes = getattr(plan.layers, name).geometry.values
        assert not shapely.intersects(points, shapely.union_all(shapes)).any()
    tracks = shapely.union_all(plan.layers.rail.geometry.values)
    away = shapely.distance(points, tracks)
    assert (np.isnan(away) | (away > TRACK_HALF_M)).all()


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
    assert table["note"].str.len().gt(0).all()


def test_nothing_stands_between_a_pole_and_a_carriageway(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    """Ladders at poles, and reels beyond a street: on the house's side or the field side."""
    drops, roads = demo_plan.drops, carriageways(demo_plan)
    start = shapely.force_2d(shapely.get_point(demo_plan.air_spans.geometry.values, 0))
    kerb = shapely.distance(start, roads)
    from_pole = drops["strand_span_id"].isna().to_numpy() & (kerb < STREET_WITHIN_M)
    beyond = from_pole & is_over_street(drops, demo_plan.crossings)
    assert beyond.sum() > 20
    for place, rows in (("ladder", from_pole), ("reel", beyond)):
        feet = foot(demo_plan, demo_jobs, place).values[rows]
        has = ~shapely.is_missing(feet)
        assert has.sum() > 0.9 * rows.sum()
        away = shapely.distance(feet[has], roads)
        assert (away >= kerb[rows][has] - KERB_SLACK_M - 0.01).all()


def test_ladders_over_a_street_are_turned_from_the_house(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    drops = demo_plan.drops
    ends = shapely.get_coordinates(demo_plan.air_spans.geometry.values).reshape(-1, 2, 2)
    feet = shapely.get_coordinates(foot(demo_plan, demo_jobs, "ladder").dropna().values)
    has = foot(demo_plan, demo_jobs, "ladder").notna().to_numpy()
    over = is_over_street(drops, demo_plan.crossings) & drops["strand_span_id"].isna().to_numpy()
    way = ((feet - ends[has, 0]) * (ends[has, 1] - ends[has, 0])).sum(axis=1)
    at_pole = drops["strand_span_id"].isna().to_numpy()[has]
    assert (way[over[has]] <= 1e-6).all()
    assert (way[at_pole & ~over[has]] > 0).mean() > 0.9


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
    usual = drops["attachment_height_m"].to_numpy() / slope
    assert (house >= usual - 1e-6).all()
    assert (house <= np.hypot(usual, HALF_LADDER_M + max(SHIFTS_M)) + 1e-6).all()
    outlines = demo_plan.layers.buildings.geometry.reindex(drops["building_id"]).to_numpy()
    feet = foot(demo_plan, demo_jobs, "house_ladder").values
    off = shapely.distance(feet, outlines)
    has = ~shapely.is_missing(outlines)
    assert off[has] == pytest.approx(usual[has], abs=1e-6)


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


def test_ladder_and_reel_are_apart(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    ladder, reel = (foot(demo_plan, demo_jobs, place) for place in ("ladder", "reel"))
    apart = shapely.distance(ladder.values, reel.values)
    assert np.nanmin(apart) > 0.5
    beyond = demo_jobs.work_places["note"].str.contains("secured and braked", regex=False)
    ids = demo_jobs.work_places.loc[beyond, "address_id"]
    over = demo_plan.drops["address_id"].isin(ids).to_numpy()
    assert over.sum() > 30
    assert np.nanmin(apart[over]) >= crew_rules.value("places.reel_from_ladder") - 1e-9


def test_half_the_width_of_ladder_and_reel_stays_off_the_road(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    edge = shapely.distance(demo_jobs.work_places.geometry.values, carriageways(demo_plan))
    assert edge.min() >= crew_rules.value("places.kerb_keep_off") - 0.01
    told = demo_jobs.work_places["note"].str.contains("from the carriageway of", regex=False)
    near = crew_rules.value("places.kerb_told")
    assert told[edge < near - 0.01].all()
    assert not told[edge > near + 0.01].any()
    assert told.sum() > 10


def test_a_drop_over_water_has_its_reel_at_the_house_and_its_bucket_off_the_bank(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    met = demo_plan.crossings
    wet = set(met.loc[(met["crossing_kind"] == "water") & ~met["is_near_miss"], "address_id"])
    table = demo_jobs.work_places
    water = shapely.union_all(demo_plan.layers.water.geometry.values)
    ends = dict(zip(demo_plan.drops["address_id"], demo_jobs.jobs.geometry, strict=True))
    reels = table[(table["place"] == "reel") & table["address_id"].isin(wet)]
    assert len(reels) > 3
    for row in reels.itertuples():
        assert row.note.startswith("near the house")
        assert not shapely.LineString([row.geometry, ends[row.address_id]]).intersects(water)
    buckets = table[table["place"] == "bucket"].geometry
    assert (shapely.distance(buckets.values, water) > crew_rules.value("places.water_away")).all()


def test_a_drop_over_a_roof_has_its_reel_at_the_house(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    met = demo_plan.crossings
    roofs = met[(met["crossing_kind"] == "roof") & ~met["is_near_miss"]]
    over = is_over_street(demo_plan.drops, met)
    near = set(roofs["address_id"]) - set(demo_plan.drops["address_id"][over])
    table = demo_jobs.work_places
    reels = table[(table["place"] == "reel") & table["address_id"].isin(near)]
    crossing = demo_plan.drops.set_index("address_id")["is_street_crossing"]
    reels = reels[~crossing[reels["address_id"]].to_numpy(dtype=bool)]
    assert len(reels) > 0
    assert reels["note"].str.startswith("near the house").all()


def test_the_reel_does_not_stand_where_the_bucket_truck_stands(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    bucket, reel = (foot(demo_plan, demo_jobs, place) for place in ("bucket", "reel"))
    apart = shapely.distance(bucket.values, reel.values)
    assert np.isfinite(apart).sum() > 5
    assert np.nanmin(apart) > crew_rules.value("places.bucket_keep_off")


def test_nothing_is_put_in_water_that_covers_a_place(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    """A pond over the first places of ten drops: they go elsewhere, or are said to be missing."""
    wet = demo_jobs.work_places.iloc[:30]
    pond = shapely.union_all(wet.geometry.buffer(0.2).values)
    water = demo_plan.layers.water.iloc[[0]].copy()
    water.geometry = [pond]
    layers = dataclasses.replace(demo_plan.layers, water=water)
    found = build_places(
        dataclasses.replace(demo_plan, layers=layers), crew_rules, build_ground(layers)
    )
    assert not shapely.intersects(found.table.geometry.values, pond).any()
    moved = found.table.merge(wet[["address_id", "place"]])
    lost = sum(int(lacks.sum()) for lacks in found.without.values())
    assert len(moved) + lost >= 30
    assert len(moved) > 15


def test_reels_keep_off_walks_where_they_can(demo_plan: Plan, demo_jobs: JobTables) -> None:
    table = demo_jobs.work_places
    ways = [demo_plan.layers.sidewalks, demo_plan.layers.driveways]
    covered = shapely.union_all([shape for frame in ways for shape in frame.geometry.values])
    on = shapely.intersects(table.geometry.values, covered)
    assert on[table["place"] == "ladder"].any()
    assert on[table["place"] == "reel"].sum() < 5


def test_each_walk_and_driveway_at_a_place_is_named(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    table, layers = demo_jobs.work_places, demo_plan.layers
    half = {"bucket": crew_rules.value("places.bucket_keep_off")}
    ways = (("walk", layers.sidewalks), ("driveway", layers.driveways))
    seen = set()
    for row in table.itertuples():
        within = half.get(row.place, crew_rules.value("places.kerb_keep_off"))
        names = [
            f"{kind} {name}"
            for kind, frame in ways
            for name in frame.index[frame.distance(row.geometry) <= within]
        ]
        told = [part for part in f"; {row.note}".split("; ") if part.startswith("guard ")]
        assert told == ([f"{GUARD[2:]}{' and '.join(names)}"] if names else [])
        seen |= {(row.place, name.split()[0]) for name in names}
    assert {("ladder", "walk"), ("ladder", "driveway"), ("house_ladder", "driveway")} <= seen


def test_a_ladder_beyond_a_street_stands_away_from_the_carriageway(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    """Of all that say so, each is farther from the carriageway than its pole by half its way."""
    table = demo_jobs.work_places
    told = table[table["note"].str.contains("the field side away from the road", regex=False)]
    start = gpd.GeoSeries(
        shapely.get_point(demo_plan.air_spans.geometry.values, 0),
        index=demo_plan.drops["address_id"],
    )
    roads = carriageways(demo_plan)
    assert len(told) > 10
    for row in told.itertuples():
        pole = start[row.address_id]
        kerb_m, foot_m = (shapely.distance(roads, shape) for shape in (pole, row.geometry))
        assert foot_m >= min(kerb_m + 0.5 * pole.distance(row.geometry), 2.0) - 0.02


def test_places_on_the_lot_of_others_are_said(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    table, lots = demo_jobs.work_places, demo_plan.layers.parcels
    own = demo_plan.drops.set_index("address_id")["parcel_id"].reindex(table["address_id"])
    told = table["note"].str.extract(r"; on lots? (\S+)(?: \(.*\))?: ask there first", expand=False)
    assert 10 < told.notna().sum() < len(table) / 2
    wide = crew_rules.value("places.bucket_keep_off")
    rows = zip(table.geometry, own, told, table["place"], strict=True)
    for point, mine, name, place in rows:
        ground = point.buffer(wide) if place == "bucket" else point
        holds = set(lots.index[lots.geometry.values.intersects(ground)])
        if place == "bucket":
            assert isinstance(name, str) == bool(holds - {mine})
            continue
        if isinstance(name, str):
            assert name in holds
            assert mine not in holds
        else:
            assert not holds or mine in holds or not isinstance(mine, str)


def test_reels_of_the_demo_keep_so_far_from_carriageways_that_none_is_told(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    reels = demo_jobs.work_places[demo_jobs.work_places["place"] == "reel"]
    x, y = shapely.get_coordinates(reels.geometry.values).T
    told_m = crew_rules.value("places.kerb_told")
    _, edge = build_ground(demo_plan.layers).nearest_road(x, y, told_m)
    assert (edge >= told_m).all()
    assert not reels["note"].str.contains("from the carriageway of", regex=False).any()
