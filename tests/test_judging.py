"""The verdict on air spans, by air span and whoever else is judged."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan.air_sources import AirSources
from geoplan.judging import crossings_of, hang, meet, raised, streets_crossed
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import KIND_CODE
from geoplan.tables import CrossingKind
from tests.plants import lot_town, plant_of, strand_town

STRICT = Project(layers={}, heights={"strand_height": "5.4 m", "usual_attachment": "3.3 m"})
seeds = st.integers(0, 100_000)


def laid(town, seed: int) -> tuple[Plant, AirSpans]:
    plant = plant_of(town(np.random.default_rng(seed)), STRICT)
    sources = AirSources(plant, STRICT)
    return plant, sources.from_poles(*sources.poles_near(np.arange(plant.index.address_count)))


@pytest.mark.parametrize("town", [lot_town, strand_town])
@given(seeds)
@settings(max_examples=4, deadline=None)
def test_a_verdict_does_not_depend_on_who_else_is_judged(town, seed: int) -> None:
    plant, air = laid(town, seed)
    crossings, price = meet(air, plant, STRICT)
    hung = hang(air, crossings, plant, STRICT)
    rng = np.random.default_rng(seed)
    rows = np.sort(rng.permutation(len(air))[: len(air) // 3])
    alone, alone_price = meet(air.take(rows), plant, STRICT)
    taken = crossings_of(crossings, rows, len(air))
    for field in dataclasses.fields(taken):
        np.testing.assert_array_equal(getattr(alone, field.name), getattr(taken, field.name))
    np.testing.assert_array_equal(alone_price.cents, price.cents[rows])
    np.testing.assert_array_equal(alone_price.forbidden, price.forbidden[rows])
    alone_hung = hang(air.take(rows), alone, plant, STRICT)
    for field in dataclasses.fields(hung):
        if field.name != "miss_crossing":
            np.testing.assert_array_equal(
                getattr(alone_hung, field.name), getattr(hung, field.name)[rows]
            )
    np.testing.assert_array_equal(
        streets_crossed(alone, len(rows)), streets_crossed(crossings, len(air))[rows]
    )


def test_crossings_keep_their_air_spans_when_renumbered() -> None:
    plant, air = laid(lot_town, 2)
    crossings, _ = meet(air, plant, STRICT)
    order = np.arange(len(air))[::-1]
    turned = crossings_of(crossings, order, len(air))
    assert len(turned) == len(crossings) > 20
    np.testing.assert_array_equal(order[turned.air], crossings.air)
    assert len(crossings_of(crossings, order[:0], len(air))) == 0


def test_a_street_is_crossed_where_its_centre_line_is() -> None:
    plant, air = laid(lot_town, 2)
    crossings, _ = meet(air, plant, STRICT)
    over = streets_crossed(crossings, len(air))
    assert 0 < over.sum() < len(air)
    road = crossings.kind == KIND_CODE[CrossingKind.ROAD]
    for row in range(len(air)):
        mine = road & (crossings.air == row)
        assert over[row] == (mine & ~crossings.is_overhang).any()


def test_raising_is_paid_once_for_each_hook_and_attachment() -> None:
    plant, air = laid(lot_town, 2)
    crossings, _ = meet(air, plant, STRICT)
    hung = hang(air, crossings, plant, STRICT)
    by_hand = 1_200 * hung.hook_is_raised + 1_800 * hung.attachment_is_raised
    assert by_hand.any()
    np.testing.assert_array_equal(raised(hung, STRICT), by_hand)
