"""The two report tables: keys are unique, no row is lost."""

from __future__ import annotations

import numpy as np

from geoplan.layers.findings import (
    build_findings,
    build_set_aside,
    join_findings,
    join_set_aside,
)
from geoplan.tables import TABLES, Severity, schema

NOTHING = np.array([None, None, None])


def test_rows_that_share_a_key_are_told_apart() -> None:
    one = build_set_aside("poles", ["A", "A", "B"], "duplicate_id", "why", "how", NOTHING)
    table = join_set_aside([one])
    schema(TABLES["set_aside"]).validate(table)
    assert table["row_id"].tolist() == ["A", "A (2)", "B"]


def test_findings_that_share_a_key_become_one() -> None:
    parts = [
        build_findings("poles", ["A"], "odd", Severity.NOTE, reason, "look")
        for reason in ("second", "first", "first")
    ]
    table = join_findings(parts)
    schema(TABLES["findings"]).validate(table)
    assert table["reason"].tolist() == ["first; second"]


def test_the_gravest_of_merged_findings_counts() -> None:
    parts = [
        build_findings("poles", "", "odd", severity, severity.value, "look")
        for severity in (Severity.NOTE, Severity.ERROR, Severity.WARNING)
    ]
    assert join_findings(parts)["severity"].tolist() == ["error"]


def test_empty_tables_keep_their_types() -> None:
    schema(TABLES["findings"]).validate(join_findings([]))
    schema(TABLES["set_aside"]).validate(join_set_aside([]))
