"""Names of lots: the first address of several, ids alone without one."""

from __future__ import annotations

import dataclasses

import numpy as np

from geoplan.model import Plan
from geoplan.work.lot_names import lots_with_names


def test_lots_are_named_by_their_first_address_and_how_many_more(demo_plan: Plan) -> None:
    layers = demo_plan.layers
    lots = layers.parcels.index[:3].tolist()
    addresses = layers.addresses.iloc[:4].assign(
        parcel_id=[lots[0], lots[0], lots[1], lots[2]], label=["1 A; 2 B", "3 C", None, "4 D"]
    )
    few = dataclasses.replace(layers, addresses=addresses)
    told = lots_with_names(few, np.array([2, 0, 1, 0]))
    both = f"{lots[0]} (1 A, 2 B and 1 more)"
    assert list(told) == [f"{lots[2]} (4 D)", both, lots[1], both]
