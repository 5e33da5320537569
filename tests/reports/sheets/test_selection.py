"""Which drops are chosen, and in which order."""

from __future__ import annotations

import pytest

from geoplan.errors import UsageError
from geoplan.reports.sheets.selection import Selection, select_drops


def _ids(plan, selection):
    return plan.drops["address_id"].iloc[select_drops(plan, selection)].tolist()


def test_no_word_chooses_all_each_once(demo_work):
    assert sorted(_ids(demo_work, Selection())) == demo_work.drops["address_id"].tolist()


def test_days_choose_their_stops_in_order(demo_work):
    day = demo_work.crew_days["crew_day_id"].iloc[0]
    stops = demo_work.crew_stops[demo_work.crew_stops["crew_day_id"].eq(day)].sort_values("stop")
    assert _ids(demo_work, Selection(days=(day,))) == stops["address_id"].tolist()


def test_terminal_chooses_its_drops(demo_work):
    drops = demo_work.drops
    ids = _ids(demo_work, Selection(terminals=("PW05",)))
    assert sorted(ids) == drops.loc[drops["terminal_id"].eq("PW05"), "address_id"].tolist()


def test_road_is_chosen_by_id_or_name_alike(demo_work):
    by_id = _ids(demo_work, Selection(roads=("R02",)))
    assert by_id == _ids(demo_work, Selection(roads=("Wexom Street",)))
    crossings = demo_work.crossings
    over = crossings[crossings["feature_id"].eq("R02") & crossings["crossing_kind"].eq("road")]
    assert set(over.loc[~over["is_near_miss"], "address_id"]) <= set(by_id)


def test_words_of_several_kinds_must_all_hold(demo_work):
    some = Selection(roads=("R02",), terminals=("PW05",))
    both = set(_ids(demo_work, Selection(roads=("R02",)))) & set(
        _ids(demo_work, Selection(terminals=("PW05",)))
    )
    assert set(_ids(demo_work, some)) == both != set()


@pytest.mark.parametrize(
    ("selection", "words"),
    [
        (Selection(addresses=("A01",)), r"--address: no drop has 'A01'\. Did you mean 'A"),
        (Selection(roads=("Wexom Stret",)), "Did you mean 'Wexom Street'"),
        (Selection(terminals=("PW5",)), r"--terminal: no drop has 'PW5'\. Did you mean 'PW"),
        (Selection(days=("yesterday",)), r"--day: no drop has 'yesterday'\. There are"),
        (Selection(addresses=("A001",), terminals=("PE07",)), "no drop is all that was asked for"),
    ],
)
def test_what_names_nothing_is_refused_with_a_hint(demo_work, selection, words):
    with pytest.raises(UsageError, match=words):
        select_drops(demo_work, selection)


def test_plan_without_jobs_is_refused(demo_plan):
    with pytest.raises(ValueError, match="plan has no jobs"):
        select_drops(demo_plan, Selection())
