"""Words for what lost and what is lacking: each carries the figures it rests on."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from geoplan.choice.explain import Lack, explain_unserved, why_not
from geoplan.project import Project
from geoplan.verdicts import REASON_WORDS, Forbidden

US = Project(layers={}, units="us")
METRIC = Project(layers={}, units="metric")


def _why(
    extra: int, *, same: bool = False, full: bool = False, worth: int = 0, more: int = 0
) -> str:
    return why_not(
        np.array([extra]),
        np.array([same]),
        np.array([full]),
        np.array([worth]),
        np.array([more]),
        pd.Series(["T-9"], dtype="str"),
    ).iloc[0]


def test_a_dearer_route_says_by_how_much() -> None:
    assert _why(1_250) == "costs 12.50 more"
    assert _why(1_250, same=True, full=True) == "costs 12.50 more"


def test_a_dearer_route_to_a_full_terminal_names_the_terminal() -> None:
    assert _why(1_250, full=True) == "costs 12.50 more; terminal T-9 has no port left"


def test_a_cheaper_route_to_a_full_terminal_says_what_a_port_there_is_worth() -> None:
    text = _why(-705, full=True, worth=4_210)
    assert "costs 7.05 less" in text
    assert "T-9 is full" in text
    assert "worth 42.10" in text


def test_a_cheaper_route_to_a_terminal_whose_port_would_serve_one_more_says_so() -> None:
    text = _why(-705, full=True, worth=-9_000, more=1)
    assert text.startswith("costs 7.05 less, but terminal T-9 is full")
    assert "would serve one more address" in text
    assert "90.00" not in text


def test_a_route_of_the_same_price_says_how_ties_are_broken() -> None:
    assert _why(0).startswith("costs the same")
    assert _why(0, full=True) == "costs 0.00 more; terminal T-9 has no port left"


def test_a_cheaper_route_with_a_port_left_lost_to_a_crossing_of_drops() -> None:
    assert _why(-300) == "costs 3.00 less, but crosses another planned drop"
    assert _why(-300, same=True, full=True) == "costs 3.00 less, but crosses another planned drop"


def test_rows_are_told_apart_and_keep_their_index() -> None:
    ids = pd.Series(["A", "B", "C"], index=[7, 3, 5], dtype="str")
    text = why_not(
        np.array([100, -200, 300]),
        np.array([False, False, True]),
        np.array([True, True, True]),
        np.array([0, 5_000, 0]),
        np.array([0, 0, 0]),
        ids,
    )
    assert text.index.tolist() == [7, 3, 5]
    assert text[7] == "costs 1.00 more; terminal A has no port left"
    assert "terminal B is full" in text[3]
    assert text[5] == "costs 3.00 more"


def test_no_runner_ups_need_no_words() -> None:
    none, flag = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    text = why_not(none, flag, flag, none, none, pd.Series([], dtype="str"))
    assert text.tolist() == []
    assert text.dtype == "str"


def _lack(**changes: object) -> Lack:
    plain = Lack(
        nearest_terminal_id=pd.Series(["T-1"], dtype="str"),
        nearest_terminal_m=np.array([75.0]),
        shortest_excess_m=np.array([np.nan]),
        miss_m=np.array([np.nan]),
        miss_text=pd.Series([None], dtype="str"),
        mend_text=pd.Series([None], dtype="str"),
        forbidden=np.array([0]),
        has_route=np.array([False]),
        full_terminal_ids=pd.Series([None], dtype="str"),
        cheapest_cents=np.array([-1]),
        is_locked=np.array([False]),
        lock_is_unknown=np.array([False]),
        ports_needed=np.array([1]),
        new_terminal_pole_id=pd.Series(["P-4"], dtype="str"),
        new_terminal_m=np.array([30.48]),
    )
    return dataclasses.replace(plain, **changes)


def _told(lack: Lack, project: Project = US) -> pd.Series:
    return explain_unserved(lack, project).iloc[0]


def test_a_lock_on_an_unknown_terminal_comes_before_all_other_reasons() -> None:
    row = _told(
        _lack(
            lock_is_unknown=np.array([True]),
            has_route=np.array([True]),
            full_terminal_ids=pd.Series(["T-1"], dtype="str"),
            forbidden=np.array([1]),
        )
    )
    assert row["code"] == "locked_terminal_unknown"
    assert "locked_terminal_id" in row["remedy"]


def _crowded(**changes: object) -> Lack:
    return _lack(
        has_route=np.array([True]),
        full_terminal_ids=pd.Series(["T-7, T-2"], dtype="str"),
        cheapest_cents=np.array([12_345]),
        **changes,
    )


def test_lack_of_a_port_names_the_terminals_and_the_price_of_the_route() -> None:
    row = _told(_crowded())
    assert row["code"] == "no_free_port"
    assert "no free port at T-7, T-2" in row["reasons"]
    assert "Add 1 port at T-7: the route would cost 123.45." in row["remedy"]
    assert "pole P-4, 100.0 ft away" in row["remedy"]
    assert row["cost_if_port_added"] == 123.45
    assert np.isnan(row["excess_m"])


def test_lack_of_several_ports_says_how_many_at_once() -> None:
    row = _told(_crowded(ports_needed=np.array([3])))
    assert "no free 3 ports together at T-7" in row["reasons"]
    assert "Add 3 ports at T-7" in row["remedy"]


def test_a_route_without_a_port_outranks_forbidden_ones() -> None:
    assert _told(_crowded(forbidden=np.array([int(Forbidden.RAIL)])))["code"] == "no_free_port"


@pytest.mark.parametrize("bit", [bit for bit in Forbidden if bit])
def test_every_ban_is_named_when_all_routes_are_forbidden(bit: Forbidden) -> None:
    row = _told(_lack(forbidden=np.array([int(bit)])))
    expected = "overstressed" if bit is Forbidden.TENSION else "every_route_forbidden"
    assert row["code"] == expected
    assert REASON_WORDS[bit] in row["reasons"]
    assert [words for words in REASON_WORDS.values() if words in row["reasons"]] == [
        REASON_WORDS[bit]
    ]


def test_an_overstressed_wire_is_not_blamed_on_clearance() -> None:
    row = _told(_lack(forbidden=np.array([int(Forbidden.TENSION)])))
    assert "stronger wire" in row["remedy"]
    assert np.isnan(row["clearance_miss_m"])


def test_several_bans_are_all_named() -> None:
    row = _told(_lack(forbidden=np.array([int(Forbidden.RAIL | Forbidden.POOL)])))
    assert "crosses a railway" in row["reasons"]
    assert "passes over a pool" in row["reasons"]
    assert np.isnan(row["cost_if_port_added"])


def test_too_far_tells_distance_limit_and_excess_in_the_units_of_the_reports() -> None:
    lack = _lack(shortest_excess_m=np.array([15.0]))
    us, metric = _told(lack), _told(lack, METRIC)
    assert us["code"] == metric["code"] == "too_far"
    for figure in ("T-1", "246.1 ft", "196.9 ft", "49.2 ft"):
        assert figure in us["reasons"]
    for figure in ("T-1", "75.00 m", "60.00 m", "15.00 m"):
        assert figure in metric["reasons"]
    assert "49.2 ft nearer" in us["remedy"]
    assert us["excess_m"] == metric["excess_m"] == 15.0


def test_near_poles_without_a_joined_terminal_have_their_own_code() -> None:
    for excess in (np.nan, -4.0):
        row = _told(_lack(shortest_excess_m=np.array([excess])))
        assert row["code"] == "no_terminal_in_reach"
        assert "246.1 ft away" in row["reasons"]
        assert np.isnan(row["excess_m"])


@pytest.mark.parametrize(
    "lack",
    [
        _crowded(is_locked=np.array([True])),
        _lack(is_locked=np.array([True]), forbidden=np.array([int(Forbidden.WATER)])),
        _lack(is_locked=np.array([True]), shortest_excess_m=np.array([3.0])),
        _lack(is_locked=np.array([True])),
    ],
)
def test_a_lock_is_mentioned_whatever_the_reason(lack: Lack) -> None:
    assert "locked to one terminal" in _told(lack)["reasons"]
    free = dataclasses.replace(lack, is_locked=np.array([False]))
    assert "locked" not in _told(free)["reasons"]


def test_where_no_pole_could_take_a_terminal_the_remedy_says_so() -> None:
    none = pd.Series([None], dtype="str")
    row = _told(_crowded(new_terminal_pole_id=none, new_terminal_m=np.array([np.nan])))
    assert "No pole stands near enough" in row["remedy"]
    assert "nan" not in row["remedy"]


def test_a_missed_clearance_is_told_with_what_misses_and_what_mends_it() -> None:
    short = {
        "miss_m": np.array([0.4]),
        "miss_text": pd.Series(["1.3 ft short over Marl Lane"], dtype="str"),
        "mend_text": pd.Series(["Raise the attachment by 1.3 ft"], dtype="str"),
    }
    row = _told(_lack(forbidden=np.array([int(Forbidden.CLEARANCE)]), **short))
    assert row["code"] == "no_clearance"
    assert REASON_WORDS[Forbidden.CLEARANCE] in row["reasons"]
    assert "1.3 ft short over Marl Lane" in row["reasons"]
    assert row["remedy"].startswith("Raise the attachment by 1.3 ft. Or set a terminal")
    assert row["clearance_miss_m"] == 0.4
    crowded = _told(_crowded(**short))
    assert crowded["code"] == "no_free_port"
    assert np.isnan(crowded["clearance_miss_m"])


def test_an_address_with_a_route_is_not_said_to_be_too_far() -> None:
    assert np.isnan(_told(_crowded(shortest_excess_m=np.array([3.0])))["excess_m"])


def test_no_unserved_addresses_give_an_empty_table_with_all_columns() -> None:
    whole, flag = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    real, text = np.zeros(0), pd.Series([], dtype="str")
    lack = _lack(
        **{
            field.name: {"i": whole, "b": flag, "f": real}.get(
                getattr(_lack(), field.name).dtype.kind, text
            )
            for field in dataclasses.fields(Lack)
        }
    )
    table = explain_unserved(lack, US)
    assert len(table) == 0
    assert table.columns.tolist() == explain_unserved(_lack(), US).columns.tolist()
    assert table[["code", "reasons", "remedy"]].dtypes.eq("str").all()
