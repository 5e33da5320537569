"""Settings of supply, materials and days: defaults, what is laid over them, what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from geoplan.errors import ProjectFileError
from geoplan.project import Project, project_from_dict
from geoplan.store_settings import SETUP_S, WORK_S, Days, Materials, Supply

LAYERS = {name: f"{name}.gpkg" for name in ("parcels", "addresses", "poles", "roads")}


def _project(**sections: Any) -> Project:
    return project_from_dict({"layers": LAYERS, **sections}, base=Path("/x"))


@pytest.mark.parametrize("section", [Supply, Materials, Days])
def test_every_key_has_a_sentence(section: type[BaseModel]) -> None:
    for field in section.model_fields.values():
        assert field.description
        assert field.description.endswith(".")


def test_defaults_are_in_si() -> None:
    days = _project().days
    assert days.length == 25_200.0
    assert days.speed == pytest.approx(30 / 3.6)
    assert days.work == WORK_S
    assert days.setup == SETUP_S


def test_times_given_are_laid_over_the_usual_ones() -> None:
    days = _project(days={"work": {"span_clamp": "2 h"}, "length": "8 h"}).days
    assert days.work == {**WORK_S, "span_clamp": 7200.0}
    assert days.length == 28_800.0


def test_stocked_lengths_are_sorted_and_there_once() -> None:
    given = ["100 ft", "15 m", "30.48 m"]
    assert _project(supply={"stocked_lengths": given}).supply.stocked_lengths == (15.0, 30.48)


WRONG = [
    (
        {"days": {"work": {"span_clmp": "2 h"}}},
        "has no kind 'span_clmp'. Did you mean 'span_clamp'",
    ),
    ({"days": {"setup": {"flagger": "2 h"}}}, "Did you mean 'flaggers'"),
    ({"days": {"length": "0 h"}}, "key days.length"),
    ({"days": {"length": "25 h"}}, "key days.length"),
    ({"days": {"length": 7}}, "7 has no unit; write for example"),
    ({"days": {"detour": 0.9}}, "key days.detour"),
    ({"days": {"speed": "0 km/h"}}, "key days.speed"),
    ({"days": {"depot": [1.0]}}, r"key days.depot: has too few entries .* It is: \[x, y\]"),
    ({"days": {"depot": [1.0, 2.0, 3.0]}}, "key days.depot: has too many entries"),
    ({"days": {"depot": ["a", 2.0]}}, "key days.depot.0: has to be a number"),
    (
        {"days": {"depot": "town hall"}},
        r"key days.depot: has to be a list in square brackets \(given: 'town hall'\)\. "
        r"It is: \[x, y\] in the project CRS",
    ),
    (
        {"crew": {"two_people": "A001"}},
        r"key crew.two_people: has to be a list in square brackets \(given: 'A001'\)\. "
        "It is: Addresses whose drop",
    ),
    ({"days": {"work": "2 h"}}, "key days.work: has to be a table of keys and values"),
    ({"days": {"work": {"run_metre": "-1 s"}}}, "key days.work.run_metre"),
    ({"days": {"work": {"span_clamp": "-1 h"}}}, "key days.work.span_clamp"),
    ({"supply": {"kind": "loose"}}, "key supply.kind"),
    ({"supply": {"stocked_lengths": []}}, "needs at least one length"),
    ({"supply": {"stocked_lengths": ["0 m"]}}, "key supply.stocked_lengths"),
    ({"supply": {"reel_length": "0 m"}}, "key supply.reel_length"),
    ({"supply": {"coil_at": "a\nb"}}, "key supply.coil_at"),
]


@pytest.mark.parametrize(("sections", "match"), WRONG)
def test_wrong_values_are_told_by_their_key(sections: dict[str, Any], match: str) -> None:
    with pytest.raises(ProjectFileError, match=match):
        _project(**sections)
