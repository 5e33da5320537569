"""People by drop: each rule told again from the plan, and the words for it."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from geoplan.errors import ProjectFileError
from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.ground import build_ground
from geoplan.work.jobs import JobTables, build_jobs
from geoplan.work.strand_run import roads_below, trace_runs
from tests.work.conftest import with_layer, with_settings


def met(plan: Plan, kind: str) -> set[str]:
    rows = plan.crossings[
        (plan.crossings["crossing_kind"] == kind) & ~plan.crossings["is_near_miss"]
    ]
    return set(rows["address_id"])


def test_each_rule_that_asks_for_two_gets_two_and_says_so(
    demo_plan: Plan, demo_jobs: JobTables, crew_rules: CrewRules
) -> None:
    """Who has to be two, told again from the plan's tables, one rule after the other."""
    jobs = demo_jobs.jobs.set_index("address_id")
    drops = demo_plan.drops.set_index("address_id")
    pull = drops.index[drops["air_span_m"] > crew_rules.value("alone.max_pull")]
    roads = demo_plan.layers.roads
    over = demo_plan.crossings[demo_plan.crossings["crossing_kind"] == "road"]
    own = roads.reindex(over["feature_id"])
    busy = ~own["road_class"].isin(["alley"]).to_numpy()
    busy |= (own["speed_m_per_s"].fillna(99) > 6.71).to_numpy()
    busy |= (own["vehicles_per_day"].fillna(9e9) > 100).to_numpy()
    clamped = set(drops.index[drops["strand_span_id"].notna()]) & set(over["address_id"][~busy])
    runs = roads_below(
        trace_runs(demo_plan.drops, demo_plan.layers.poles, 5.8), build_ground(demo_plan.layers)
    )
    by_ladder = jobs.loc[~jobs["is_bucket_job"], ["span_drops_over", "span_drops_busy"]].fillna("")
    quiet = {
        name
        for name, over, held in by_ladder.itertuples()
        if set(over.split(";")) - set(held.split(";"))
    }
    expected = {
        "strand run over": set(drops.index[runs.drop]),
        "power on the strand run": set(jobs.index[jobs["run_power"].notna()]),
        "in one pull": set(pull) | met(demo_plan, "roof"),
        "in the way": met(demo_plan, "tree"),
        "second person watches": met(demo_plan, "power"),
        "goes up close beside power": set(jobs.index[jobs["power_beside"].notna()]),
        "over a road on the same strand span": quiet,
        "bucket job": set(jobs.index[jobs["is_bucket_job"]]),
        "within the approach distance": set(jobs.index[jobs["power_approach"] == "within"]),
        "power not checked": set(jobs.index[jobs["power_approach"] == "not_checked"]),
        "owner's permit": set(jobs.index[jobs["is_owner_permit_needed"]]),
        "crosses ": set(over["address_id"][busy]),
        "from a span clamp: not alone": clamped,
        "strand run by bucket": set(jobs.index[jobs["is_run_bucket"]]),
        "strand run through the crown": set(jobs.index[jobs["run_trees"].notna()]),
    }
    two = set(jobs.index[jobs["crew_size"] > 1])
    assert two == set.union(*expected.values())
    for words, ids in expected.items():
        assert jobs.loc[sorted(ids), "crew_reasons"].str.contains(words, regex=False).all()
        assert ids


def test_a_drop_to_be_hung_later_asks_for_nobody(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    later = jobs[jobs["span_drops_later"].notna()]
    assert not jobs["crew_reasons"].str.contains("is hung first", regex=False).any()
    assert (later["crew_size"] == 1).sum() > 10


def test_reasons_for_one_tell_what_one_raises_and_name_no_setting(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    alone = jobs.loc[jobs["crew_size"] == 1, "crew_reasons"]
    assert alone.str.contains("in one pull", regex=False).all()
    words = jobs["crew_reasons"] + jobs["traffic_reasons"]
    named = r"\b(?:alone|crossing|places|people|owner|crew|defaults|run)\.[a-z_]+"
    assert not words.str.contains(named).any()
    assert not jobs["crew_reasons"].str.contains("^(?:one|two): ").any()


def test_a_run_over_a_road_is_never_for_one_and_never_called_no_road(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    jobs = demo_jobs.jobs.set_index("address_id")
    over = jobs[jobs["run_roads"].notna()]
    assert len(over) > 10
    assert (over["crew_size"] > 1).all()
    for name, words in zip(over["run_roads"], over["crew_reasons"], strict=True):
        assert all(one in words for one in name.split(";"))
    assert not over["crew_reasons"].str.contains("over no road|neither air span").any()
    assert not jobs.loc[jobs["run_power"].notna(), "crew_reasons"].str.contains("no power").any()


def test_power_within_the_distance_is_for_two_and_waits_for_its_owner(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    """Whatever the rules say of hazards."""
    jobs = build_jobs(demo_plan, own_rules(crew_rules, people__hazard=1.0)).jobs
    within = jobs[jobs["power_approach"] == "within"]
    assert len(within) > 2
    assert (within["crew_size"] >= 2).all()
    said = "not to be started before the power's owner has made it safe"
    assert within["crew_reasons"].str.contains(said, regex=False).all()


def test_an_air_span_over_a_whole_carriageway_is_said_in_both_reasons(
    demo_plan: Plan, demo_jobs: JobTables
) -> None:
    hung = demo_jobs.jobs.loc[
        demo_jobs.jobs["is_over_street"] & ~demo_plan.drops["is_street_crossing"]
    ]
    assert len(hung) > 0
    for name in ("crew_reasons", "traffic_reasons"):
        assert hung[name].str.contains("counts as over the street", regex=False).all()
    assert not hung["traffic_class"].isin(["none", "beside_road"]).any()
    assert hung["hand_line_house_m"].notna().all()


def test_reasons_carry_the_figures_of_road_and_rule(demo_plan: Plan, crew_rules: CrewRules) -> None:
    roads = demo_plan.layers.roads
    plan = with_layer(demo_plan, "roads", speed_m_per_s=pd.Series(14.0, index=roads.index))
    metric = plan.project.model_copy(update={"units": "metric"})
    jobs = build_jobs(dataclasses.replace(plan, project=metric), crew_rules).jobs
    text = jobs.loc[jobs["road_id"] == "R09", "crew_reasons"]
    assert text.str.contains(
        "crosses Snib Alley, alley, 50 km/h above the 24 km/h limit for one", regex=False
    ).any()


def test_sight_distance_is_said_not_to_be_checked(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    crosses = ~jobs["traffic_class"].isin(["none", "beside_road"])
    says = jobs["traffic_reasons"].str.contains("sight distance not checked", regex=False)
    assert says[crosses].all()
    assert says.tolist() == (jobs["traffic_class"] != "none").tolist()


def test_the_users_list_makes_two(demo_plan: Plan, demo_jobs: JobTables, crew_rules) -> None:
    alone = demo_jobs.jobs.loc[demo_jobs.jobs["crew_size"] == 1, "address_id"].iloc[:2]
    plan = with_settings(demo_plan, crew={"two_people": tuple(alone)})
    jobs = build_jobs(plan, crew_rules).jobs.set_index("address_id")
    assert (jobs.loc[alone, "crew_size"] == 2).all()
    words = "two people by the project's list of addresses"
    assert jobs.loc[alone, "crew_reasons"].str.contains(words, regex=False).all()
    before = demo_jobs.jobs.set_index("address_id")["crew_size"]
    assert (jobs["crew_size"].drop(alone) == before.drop(alone)).all()


def own_rules(rules: CrewRules, **values: float) -> CrewRules:
    figures = dict(rules.figures)
    for name, value in values.items():
        key = name.replace("__", ".")
        figures[key] = dataclasses.replace(figures[key], value_si=value)
    return dataclasses.replace(rules, figures=figures)


def test_the_users_list_makes_two_whatever_the_rules_say_of_hazards(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    plan = with_settings(demo_plan, crew={"two_people": ("A125",)})
    rules = own_rules(crew_rules, people__hazard=1.0)
    job = build_jobs(plan, rules).jobs.set_index("address_id").loc["A125"]
    assert job["crew_size"] == 2
    assert "two people by the project's list" in job["crew_reasons"]


def test_reasons_never_contradict_each_other(demo_plan: Plan, crew_rules: CrewRules) -> None:
    """Under rules that let one person do all, what is above a limit isn't said to be within it."""
    rules = own_rules(
        crew_rules, people__hazard=1.0, people__traffic=1.0, people__run_over_road=1.0
    )
    jobs = build_jobs(demo_plan, rules).jobs
    pull = rules.value("alone.max_pull")
    long = (demo_plan.drops["air_span_m"] > pull).to_numpy()
    one = (jobs["crew_size"] == 1).to_numpy()
    assert (one & long).sum() > 5
    words = jobs["crew_reasons"]
    assert not words[long].str.contains("ft within the", regex=False).any()
    assert words[one & ~long].str.contains("ft within the", regex=False).any()
    above = words.str.contains("vehicles a day above the|limit for one|may not cross alone")
    assert (above & one).any()
    assert not words[above].str.contains("within the limits for one", regex=False).any()


def test_large_crews_are_counted(demo_plan: Plan, crew_rules: CrewRules) -> None:
    jobs = build_jobs(demo_plan, own_rules(crew_rules, people__bucket=7.0)).jobs
    by_bucket = jobs["is_bucket_job"] | jobs["is_run_bucket"]
    assert (jobs["crew_size"] == 7).sum() == by_bucket.sum() > 0


def test_a_listed_address_that_is_not_there_is_refused(demo_plan: Plan, crew_rules) -> None:
    plan = with_settings(demo_plan, crew={"two_people": ("A01O",)})
    with pytest.raises(ProjectFileError, match=r"no address 'A01O'\. Did you mean 'A"):
        build_jobs(plan, crew_rules)


def test_no_place_for_the_ladder_makes_two(demo_plan: Plan, crew_rules: CrewRules) -> None:
    roads = demo_plan.layers.roads
    plan = with_layer(demo_plan, "roads", width_m=pd.Series(40.0, index=roads.index))
    made = build_jobs(plan, crew_rules)
    lacks = made.jobs["crew_reasons"].str.contains("no place for the ladder", regex=False)
    assert lacks.sum() == made.figures["jobs_without_place"]["ladder"] > 0
    assert (made.jobs.loc[lacks, "crew_size"] >= 2).all()
    ladders = made.work_places[made.work_places["place"] == "ladder"]["address_id"]
    assert not set(ladders) & set(made.jobs.loc[lacks, "address_id"])


def test_a_drop_from_a_clamp_over_a_road_is_never_for_one(
    demo_plan: Plan, crew_rules: CrewRules
) -> None:
    """Whatever the rules say of crossings."""
    rules = own_rules(crew_rules, people__hazard=1.0, people__traffic=1.0)
    jobs = build_jobs(demo_plan, rules).jobs
    over = jobs["job_kind"] == "street_crossing_span_clamp"
    assert over.sum() > 10
    assert (jobs.loc[over, "crew_size"] >= 2).all()


def test_one_person_crosses_quiet_alleys_from_a_pole_only(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    alone = jobs[jobs["is_over_street"] & (jobs["crew_size"] == 1)]
    assert len(alone) > 3
    assert (alone["job_kind"] == "street_crossing").all()
    assert (alone["road_id"] == "R09").all()


def test_each_post_at_the_same_time_takes_a_person(
    demo_jobs: JobTables, demo_plan: Plan, crew_rules: CrewRules
) -> None:
    """Traffic held by the crew and power watched; flaggers hold it besides the crew."""
    jobs = demo_jobs.jobs
    at_once = jobs["crew_reasons"].str.extract(r"at once ([^:;]+): one person each", expand=False)
    has = at_once.notna()
    posts = at_once[has].str.count(",") + 1
    assert has.sum() > 5
    assert (posts > 1).all()
    assert (jobs.loc[has, "crew_size"] >= posts + 1).all()
    holding = at_once.str.contains("holding traffic", regex=False).fillna(False)
    assert holding.any()
    assert jobs.loc[holding, "traffic_class"].isin(["short_stop", "flaggers"]).all()
    assert (jobs.loc[holding, "traffic_class"] == "short_stop").sum() > 3
    doubled = build_jobs(demo_plan, own_rules(crew_rules, people__post=3.0)).jobs
    assert (doubled["crew_size"] - jobs["crew_size"])[has].eq(2 * (posts - 1)).all()
    assert (doubled["crew_size"] == jobs["crew_size"])[~has].all()
