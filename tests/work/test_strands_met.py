"""Other strands below or above an air span, and wires that leave nearly along their own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.work.strands_met import find_meetings, strand_angles, strand_names, strands_met


def test_a_strand_across_the_wire_is_named_with_its_place(demo_work: Plan) -> None:
    told = pd.Series(strands_met(demo_work), index=demo_work.drops["address_id"]).dropna()
    spans, air = demo_work.layers.spans, demo_work.air_spans.set_index("address_id").geometry
    assert len(told) > 0
    for address_id, words in told.items():
        name, _, place = words.split(";")[0].partition(", ")
        first, last = name.removeprefix("strand ").split("-")
        row = spans[(spans["from_pole_id"] == first) & (spans["to_pole_id"] == last)].iloc[0]
        wire = shapely.force_2d(air[address_id])
        at = shapely.intersection(wire, shapely.force_2d(row.geometry))
        out_m = shapely.distance(shapely.get_point(wire, 0), at)
        assert place == f"{out_m / 0.3048:.1f} ft out"
        assert out_m > 1.0


def test_no_drop_meets_its_own_span(demo_work: Plan) -> None:
    drops = demo_work.drops
    told = pd.Series(strands_met(demo_work))
    own = demo_work.layers.spans.reindex(drops["strand_span_id"])
    names = ("strand " + own["from_pole_id"] + "-" + own["to_pole_id"]).to_numpy()
    for words, name in zip(told, names, strict=True):
        assert pd.isna(words) or pd.isna(name) or name not in words


def test_angles_are_between_wire_and_strand(demo_work: Plan) -> None:
    angle = strand_angles(demo_work)
    has_clamp = demo_work.drops["strand_span_id"].notna().to_numpy()
    assert (np.isnan(angle) == ~has_clamp).all()
    assert ((angle[has_clamp] >= 0) & (angle[has_clamp] <= 90)).all()
    row = int(np.flatnonzero(has_clamp)[0])
    wire = shapely.get_coordinates(demo_work.air_spans.geometry[row])
    span = demo_work.layers.spans.loc[demo_work.drops["strand_span_id"][row]].geometry
    strand = shapely.get_coordinates(span)
    turn = [np.degrees(np.arctan2(*(line[-1] - line[0])[::-1])) for line in (wire, strand)]
    off = abs(turn[0] - turn[1]) % 180
    assert np.isclose(angle[row], min(off, 180 - off))


def test_meetings_and_names_are_those_told(demo_work: Plan) -> None:
    met = find_meetings(demo_work)
    told = pd.Series(strands_met(demo_work))
    assert sorted(set(met.drop)) == np.flatnonzero(told.notna()).tolist()
    for drop, at_m, name in zip(met.drop, met.at_m, strand_names(demo_work, met.span), strict=True):
        assert f"strand {name}, {at_m / 0.3048:.1f} ft out" in told[drop].split(";")
