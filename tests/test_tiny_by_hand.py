"""The tiny place, whose best plan was worked out by hand.

Twelve addresses, four poles at y = 8 with 11 usable ports, one residential road 8 m wide along
y = 0. North addresses stand at y = 32 and south ones at y = -16, all 24 m from the line of poles,
so with 7, 18 or 32 m along the road a drop is 25, 30 or 40 m long (7-24-25, 18-24-30, 32-24-40).
Longer is over the limit of 45 m. Prices are the defaults of [costs]:

    north  60 + 1.5 x length                    25: 97.5   30: 105   40: 120
    south  80 more for the residential street; 40 more where flatter than 60 degrees:
           atan(24/7) = 73.7, atan(24/18) = 53.1, atan(24/32) = 36.9 degrees
                                                25: 177.5  30: 225   40: 240

        T1 (2 ports)  T2 (3)   T3 (3)   T4 (3)
    N1  105
    N2  105           120
    N3  120           105
    N4                97.5     120
    N5                120      97.5
    N6                         105      120
    N7                         120      105
    S1  225
    S2  240           225
    S3                177.5    240
    S4                240      177.5
    S5                         240      225

12 addresses, 11 ports: one is left out and every port is taken. Only N6, N7, S5 reach T4, so its
3 ports go to them: 120 + 105 + 225 = 450. T3 then takes three of N4, N5, S3, S4, cheapest with S3
left at T2: 120 + 97.5 + 177.5 + 177.5 = 572.5. T1 and T2 have four ports left for N1, N2, N3, S1,
S2; leaving out S1 is cheapest: 105 + 105 + 105 + 225 = 540. Sum 1562.5. One more port would bring
in S1: at T1 for 225; at T2 for 240 (N2 moves over, 15 more); at T3 for 302.5 (S3 moves too, 62.5
more); at T4 it would bring in nobody.
"""

from __future__ import annotations

import pytest

from geoplan.model import Plan

BY_HAND = {
    "N1": ("T1", 30.0, 105.0),
    "N2": ("T1", 30.0, 105.0),
    "N3": ("T2", 30.0, 105.0),
    "N4": ("T3", 40.0, 120.0),
    "N5": ("T3", 25.0, 97.5),
    "N6": ("T4", 40.0, 120.0),
    "N7": ("T4", 30.0, 105.0),
    "S2": ("T2", 30.0, 225.0),
    "S3": ("T2", 25.0, 177.5),
    "S4": ("T3", 25.0, 177.5),
    "S5": ("T4", 30.0, 225.0),
}


def test_every_address_gets_the_terminal_length_and_price_worked_out_by_hand(
    tiny_plan: Plan,
) -> None:
    drops = tiny_plan.drops.set_index("address_id")
    found = {
        address: (row.terminal_id, row.air_span_m, row.cost)
        for address, row in drops[["terminal_id", "air_span_m", "cost"]].iterrows()
    }
    assert set(found) == set(BY_HAND)
    for address, (terminal, length, cost) in BY_HAND.items():
        assert found[address] == (terminal, pytest.approx(length), pytest.approx(cost)), address


def test_the_optimum_is_that_of_the_hand_calculation(tiny_plan: Plan) -> None:
    assert tiny_plan.optimality["assignment_cost"] == 1562.5
    assert tiny_plan.optimality["lower_bound_cost"] == 1562.5
    assert tiny_plan.optimality["served"] == 11


def test_the_address_left_out_is_told_why_and_what_a_port_would_cost(tiny_plan: Plan) -> None:
    row = tiny_plan.unserved.set_index("address_id").loc["S1"]
    assert row["code"] == "no_free_port"
    assert "T1" in row["reasons"]
    assert row["cost_if_port_added"] == 225.0


def test_the_value_of_one_more_port_is_that_of_the_hand_calculation(tiny_plan: Plan) -> None:
    terminals = tiny_plan.terminals.set_index("terminal_id")
    assert terminals["port_value_addresses"].to_dict() == {"T1": 1, "T2": 1, "T3": 1, "T4": 0}
    assert terminals["port_value_cost"].to_dict() == {
        "T1": -225.0,
        "T2": -240.0,
        "T3": -302.5,
        "T4": 0.0,
    }


def test_south_drops_cross_the_road_at_the_angles_worked_out_by_hand(tiny_plan: Plan) -> None:
    crossings = tiny_plan.crossings.set_index("address_id")
    assert set(crossings.index) == {"S2", "S3", "S4", "S5"}
    assert crossings.loc["S3", "angle_deg"] == pytest.approx(73.74, abs=0.005)
    assert crossings.loc["S2", "angle_deg"] == pytest.approx(53.13, abs=0.005)
    assert crossings.loc["S3", "at_m"] == pytest.approx(25.0 * 8 / 24)
    assert (crossings["width_m"] == 8.0).all()
