"""Crew rules: the published distances, what is our own, and files that are refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoplan.errors import RuleDataError
from geoplan.project import project_from_dict
from geoplan.rules.crew_reader import (
    CrewRules,
    available_crew_rules,
    load_crew_rules,
    read_crew_rules,
)

FOOT_M = 0.3048
MPH = 1609.344 / 3600
LAYERS = {name: f"{name}.gpkg" for name in ("parcels", "addresses", "poles", "roads")}


@pytest.fixture(scope="module")
def rules() -> CrewRules:
    return read_crew_rules("us")


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("key", "feet", "status"),
    [
        ("signs.urban_low.a", 100, "read"),
        ("signs.urban_low.b", 100, "read"),
        ("signs.urban_low.c", 100, "read"),
        ("signs.urban_middle.a", 250, "read"),
        ("signs.urban_high.c", 350, "read"),
        ("signs.rural.a", 500, "read"),
        ("signs.expressway.a", 1000, "read"),
        ("signs.expressway.b", 1500, "read"),
        ("signs.expressway.c", 2640, "read"),
        ("taper.one_lane_least", 50, "secondary"),
        ("taper.one_lane", 100, "secondary"),
        ("taper.downstream", 100, "secondary"),
        ("taper.one_lane_device_spacing", 20, "secondary"),
    ],
)
def test_distances_are_those_of_the_published_tables(
    rules: CrewRules, key: str, feet: float, status: str
) -> None:
    figure = rules.require(key)
    assert figure.value_si == pytest.approx(feet * FOOT_M, rel=1e-12)
    assert figure.status == status


@pytest.mark.parametrize(
    ("mph", "feet"),
    [
        (20, 115),
        (25, 155),
        (30, 200),
        (35, 250),
        (40, 305),
        (45, 360),
        (50, 425),
        (55, 495),
        (60, 570),
        (65, 645),
        (70, 730),
    ],
)
def test_buffers_are_those_of_the_table_and_from_memory(
    rules: CrewRules, mph: float, feet: float
) -> None:
    speed, figure = next(
        (speed, figure) for speed, figure in rules.buffers() if abs(speed - mph * MPH) < 1e-9
    )
    assert figure.value_si == pytest.approx(feet * FOOT_M, rel=1e-12)
    assert figure.status == "memory"
    assert speed == pytest.approx(mph * MPH)


def test_multiples_of_a_taper_are_from_memory_and_the_formula_is_read(rules: CrewRules) -> None:
    assert [rules.value(f"taper.{name}") for name in ("merging", "shifting", "shoulder")] == [
        1.0,
        0.5,
        0.33,
    ]
    assert rules.require("taper.merging").status == "memory"
    assert rules.require("taper.low_divisor").status == "read"


def test_limits_of_our_own_are_never_called_verified(rules: CrewRules) -> None:
    ours = ("crossing.", "assumed.", "owner.", "people.", "alone.", "places.", "taper.lane")
    figures = [figure for key, figure in rules.figures.items() if key.startswith(ours)]
    assert len(figures) > 40
    assert {figure.status.value for figure in figures} == {"practice"}


def test_each_way_allows_at_least_what_the_way_before_allows(rules: CrewRules) -> None:
    for name in ("speed", "vehicles"):
        alone, stop, flaggers = (
            rules.by_class(f"crossing.{way}", name) for way in ("alone", "stop", "flaggers")
        )
        assert not (alone > np.nan_to_num(stop)).any()
        assert not (stop > np.nan_to_num(flaggers)).any()


def test_what_is_taken_for_an_unknown_road_is_beyond_the_limits_for_one(rules: CrewRules) -> None:
    fast = rules.by_class("assumed", "speed") > rules.by_class("crossing.alone", "speed")
    busy = rules.by_class("assumed", "vehicles") > rules.by_class("crossing.alone", "vehicles")
    allowed = ~np.isnan(rules.by_class("crossing.alone", "speed"))
    assert allowed.sum() == 1
    assert (fast | busy)[allowed].all()


def test_an_own_file_changes_only_what_it_names(tmp_path: Path, rules: CrewRules) -> None:
    text = (
        'name = "own"\nbase = "us"\n[crossing.alone.residential]\nspeed = "30 km/h"\n'
        'vehicles = "200"\ndocument = "Works order 7"\nstatus = "read"\n'
    )
    changed = read_crew_rules(own(tmp_path, text))
    key = "crossing.alone.residential.speed"
    assert changed.value(key) == pytest.approx(30 / 3.6)
    assert changed.require(key).citation() == "Works order 7; read"
    others = {name for name in rules.figures if not name.startswith("crossing.alone.resid")}
    assert all(changed.figures[name] == rules.figures[name] for name in others)


def test_the_project_names_its_rules_beside_its_own_file(tmp_path: Path) -> None:
    own(tmp_path, 'name = "mine"\nbase = "us"\n')
    raw = {"layers": LAYERS, "crew": {"rules": "own.toml"}}
    project = project_from_dict(raw, base=tmp_path)
    assert load_crew_rules(project).name == "mine"
    assert load_crew_rules(project_from_dict({"layers": LAYERS}, base=tmp_path)).name == "us"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ('name = "x"\nbase = "us"\n[sings.urban_low]\na = "1 ft"\n', "mean 'signs'"),
        ('name = "x"\nbase = "us"\n[signs.town]\na = "1 ft"\n', "signs.town"),
        ('name = "x"\nbase = "us"\n[buffer.to_25]\nvalue = "1 ft"\n', "to_25_mph"),
        ('name = "x"\nbase = "us"\n[people.bucket]\nvalue = "1.5"\ndocument = "d"\n', "status"),
        (
            'name = "x"\nbase = "us"\n[people.bucket]\nvalue = "1.5"\ndocument = "d"\n'
            'status = "read"\n',
            "no number of people",
        ),
        (
            'name = "x"\nbase = "us"\n[crossing.stop.alley]\nspeed = "10 ft"\nvehicles = "1"\n'
            'document = "d"\nstatus = "read"\n',
            "25 mph",
        ),
        (
            'name = "x"\nbase = "us"\n[crossing.stop.alley]\nspeed = "10 mph"\n'
            'document = "d"\nstatus = "read"\n',
            "Add vehicles",
        ),
        (
            'name = "x"\nbase = "us"\n[alone.max_pull]\nvalue = "-3 ft"\ndocument = "d"\n'
            'status = "read"\n',
            "too small",
        ),
        ('name = "x"\ntitle = "t"\ncaution = "c"\n', "has no figure.*Give"),
        ('name = "x"\nbase = "uss"\n', "Did you mean 'us'"),
        ('name = "x"\nbase = \n', "is not TOML"),
    ],
)
def test_a_wrong_file_is_refused_with_a_remedy(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(RuleDataError, match=match):
        read_crew_rules(own(tmp_path, text))


def test_unknown_rules_are_refused_by_name() -> None:
    assert available_crew_rules() == ("us",)
    with pytest.raises(RuleDataError, match=r"Or give the path of a \.toml file"):
        read_crew_rules("uk")
