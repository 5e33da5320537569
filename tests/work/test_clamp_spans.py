"""Far poles and other drops of a clamp's strand span."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoplan.model import Plan
from geoplan.work.clamp_spans import far_poles, span_drops
from geoplan.work.jobs import JobTables


def frame(name: str, **columns: list[str]) -> gpd.GeoDataFrame:
    ids = columns.pop("ids")
    made = gpd.GeoDataFrame(
        {key: pd.Series(values, dtype="str") for key, values in columns.items()},
        geometry=[shapely.Point(k, 0) for k in range(len(ids))],
    )
    made.index = pd.Index(ids, dtype="str", name=name)
    return made


POLES = frame("pole_id", ids=["P1", "P2", "P3"])
SPANS = frame(
    "strand_span_id", ids=["Z1", "Z2"], from_pole_id=["P1", "P2"], to_pole_id=["P2", "P3"]
)


def drops(*rows: tuple[str, str, str | None]) -> pd.DataFrame:
    names = ("address_id", "access_pole_id", "strand_span_id")
    columns = zip(*rows, strict=True)
    return pd.DataFrame(
        {name: pd.Series(values, dtype="str") for name, values in zip(names, columns, strict=True)}
    )


def test_the_far_pole_is_the_one_that_the_clamp_is_not_reached_by() -> None:
    rows = drops(("A", "P1", "Z1"), ("B", "P2", "Z1"), ("C", "P3", "Z2"), ("D", "P3", None))
    names, row = far_poles(rows, SPANS, POLES)
    assert pd.Series(names).fillna("").tolist() == ["P2", "P1", "P2", ""]
    assert row.tolist() == [1, 0, 1, -1]


def test_other_drops_of_a_span_are_listed_in_order_and_never_the_drop_itself() -> None:
    rows = drops(("A", "P1", "Z1"), ("B", "P2", "Z2"), ("C", "P2", "Z1"), ("D", "P1", "Z1"),
                 ("E", "P1", None))  # fmt: skip
    told = pd.Series(span_drops(rows)).fillna("").tolist()
    assert told == ["C;D", "", "A;D", "A;C", ""]
    some = pd.Series(span_drops(rows, np.array([True, True, False, False, True]))).fillna("")
    assert some.tolist() == ["", "", "A", "A", ""]


def test_both_poles_of_the_demos_clamps_are_told(demo_plan: Plan, demo_jobs: JobTables) -> None:
    jobs, drops, layers = demo_jobs.jobs, demo_plan.drops, demo_plan.layers
    has = drops["strand_span_id"].notna()
    assert jobs["far_pole_id"].notna().tolist() == has.tolist()
    for far, near, span in zip(
        jobs.loc[has, "far_pole_id"],
        drops.loc[has, "access_pole_id"],
        drops.loc[has, "strand_span_id"],
        strict=True,
    ):
        row = layers.spans.loc[span]
        assert {far, near} == {row["from_pole_id"], row["to_pole_id"]}
    poor = jobs["far_pole_id"].map(layers.poles["condition"].eq("poor")).fillna(value=False)
    assert poor.sum() > 10
    for far, told in zip(jobs.loc[poor, "far_pole_id"], jobs.loc[poor, "poor_poles"], strict=True):
        assert far in told.split(";")
    for name, others in zip(jobs["address_id"], jobs["span_drops"], strict=True):
        if isinstance(others, str):
            assert name not in others.split(";")
