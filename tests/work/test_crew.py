"""People by drop: each rule told again from the plan, and the words for it."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from geoplan.errors import ProjectFileError
from geoplan.model import Plan
from geoplan.rules.crew_reader import CrewRules
from geoplan.work.jobs import JobTables, build_jobs
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
    busy = ~own["road_class"].isin(["residential", "alley"]).to_numpy()
    busy |= (own["speed_m_per_s"].fillna(99) > 11.18).to_numpy()
    busy |= (own["vehicles_per_day"].fillna(9e9) > 500).to_numpy()
    expected = {
        "in one pull": set(pull) | met(demo_plan, "roof"),
        "in the way": met(demo_plan, "tree"),
        "second person watches": met(demo_plan, "power"),
        "bucket job": set(jobs.index[jobs["is_bucket_job"]]),
        "within the approach distance": set(jobs.index[jobs["power_approach"] == "within"]),
        "power not checked": set(jobs.index[jobs["power_approach"] == "not_checked"]),
        "owner's permit": set(jobs.index[jobs["is_owner_permit_needed"]]),
        "crosses ": set(over["address_id"][busy]),
    }
    two = set(jobs.index[jobs["crew_size"] > 1])
    assert two == set.union(*expected.values())
    for words, ids in expected.items():
        assert jobs.loc[sorted(ids), "crew_reasons"].str.contains(words, regex=False).all()
        assert ids


def test_reasons_begin_with_the_number_of_people(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    word = jobs["crew_size"].map({1: "one: ", 2: "two: "})
    assert all(text.startswith(head) for text, head in zip(jobs["crew_reasons"], word, strict=True))
    alone = jobs.loc[jobs["crew_size"] == 1, "crew_reasons"]
    assert alone.str.contains("in one pull", regex=False).all()


def test_reasons_carry_the_figures_of_road_and_rule(demo_plan: Plan, crew_rules: CrewRules) -> None:
    roads = demo_plan.layers.roads
    plan = with_layer(demo_plan, "roads", speed_m_per_s=pd.Series(14.0, index=roads.index))
    metric = plan.project.model_copy(update={"units": "metric"})
    jobs = build_jobs(dataclasses.replace(plan, project=metric), crew_rules).jobs
    text = jobs.loc[jobs["road_id"] == "R02", "crew_reasons"]
    assert text.str.contains(
        "crosses Wexom Street, residential, 50 km/h above the 40 km/h limit for one", regex=False
    ).any()


def test_sight_distance_is_said_not_to_be_checked(demo_jobs: JobTables) -> None:
    jobs = demo_jobs.jobs
    crosses = ~jobs["traffic_class"].isin(["none", "beside_road"])
    says = jobs["crew_reasons"].str.contains("sight distance not checked", regex=False)
    assert says.tolist() == crosses.tolist()


def test_the_users_list_makes_two(demo_plan: Plan, demo_jobs: JobTables, crew_rules) -> None:
    alone = demo_jobs.jobs.loc[demo_jobs.jobs["crew_size"] == 1, "address_id"].iloc[:2]
    plan = with_settings(demo_plan, crew={"two_people": tuple(alone)})
    jobs = build_jobs(plan, crew_rules).jobs.set_index("address_id")
    assert (jobs.loc[alone, "crew_size"] == 2).all()
    assert jobs.loc[alone, "crew_reasons"].str.contains("crew.two_people", regex=False).all()
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
    assert job["crew_reasons"].startswith("two: ")


def test_reasons_never_contradict_each_other(demo_plan: Plan, crew_rules: CrewRules) -> None:
    """Under rules that let one person do all, what is above a limit isn't said to be within it."""
    rules = own_rules(crew_rules, people__hazard=1.0, people__traffic=1.0)
    jobs = build_jobs(demo_plan, rules).jobs
    pull = rules.value("alone.max_pull")
    long = (demo_plan.drops["air_span_m"] > pull).to_numpy()
    one = (jobs["crew_size"] == 1).to_numpy()
    assert (one & long).sum() > 5
    words = jobs["crew_reasons"]
    assert not words[long].str.contains("that one raises in one pull;", regex=False).any()
    above = words.str.contains("vehicles a day above the|limit for one|may not cross alone")
    assert (above & one).any()
    assert not words[above].str.contains("within the limits for one", regex=False).any()


@pytest.mark.parametrize(("people", "word"), [(6, "six: "), (7, "7: "), (12, "12: ")])
def test_large_crews_are_told_by_their_number(
    demo_plan: Plan, crew_rules: CrewRules, people: int, word: str
) -> None:
    jobs = build_jobs(demo_plan, own_rules(crew_rules, people__bucket=float(people))).jobs
    many = jobs["crew_size"] == people
    assert many.sum() == jobs["is_bucket_job"].sum() > 0
    assert jobs.loc[many, "crew_reasons"].str.startswith(word).all()


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
    assert (made.jobs.loc[lacks, "crew_size"] == 2).all()
    ladders = made.work_places[made.work_places["place"] == "ladder"]["address_id"]
    assert not set(ladders) & set(made.jobs.loc[lacks, "address_id"])
