"""A plan that is settled, its tables not built yet.

Enters: what the choice came to.
Leaves: `Decision`, which builds the tables some addresses at a time, and puts a `Plan` together.
Does not do: decide anything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd

from geoplan.gathering import Gathered
from geoplan.model import Layers, Plan
from geoplan.plan_tables import build_drop_tables, build_region_tables
from geoplan.project import Project

PART = 10_000
"""Addresses whose tables are built at once; no say in the result."""

Progress = Callable[[str, int, int], None]
"""Called with the stage's name, steps done and steps in all."""


@dataclass(frozen=True)
class Decision:
    """A plan that is settled, its tables not built yet.

    A part of the addresses at a time, they need never be in memory as a whole.
    """

    layers: Layers
    project: Project
    gathered: Gathered
    optimality: dict[str, Any]
    standards: dict[str, Any]
    unchecked: tuple[str, ...]

    def parts(self, size: int | None = None) -> list[range]:
        """Share the addresses out in parts, whose tables are built by `tables_of_drops`.

        Parameters
        ----------
        size : int, optional
            Addresses of a part; no say in the result.

        Returns
        -------
        list of range
            One after the other, rows of all addresses.
        """
        count, size = len(self.layers.addresses), size or PART
        return [range(first, min(first + size, count)) for first in range(0, count, size)]

    def tables_of_drops(self, part: range) -> dict[str, Any]:
        """Build the tables of drops of some addresses.

        Parameters
        ----------
        part : range
            One of `parts`.

        Returns
        -------
        dict of str to DataFrame
            `geoplan.plan_tables.DROP_TABLES` of the part. One after the other they are the
            tables of the plan, in order of their keys.
        """
        chosen = self.gathered.between(part.start, part.stop)
        return build_drop_tables(chosen, self.layers, self.project)

    def region_tables(self) -> dict[str, Any]:
        """Build ``unserved`` and ``terminals``."""
        return build_region_tables(self.gathered.of_unserved(), self.layers, self.project)

    def as_plan(self, tables: dict[str, Any]) -> Plan:
        """Put tables and figures together.

        Parameters
        ----------
        tables : dict of str to DataFrame
            Those of `parts` and of `region_tables`.

        Returns
        -------
        Plan
            Without timings.
        """
        return Plan(
            project=self.project,
            layers=self.layers,
            **tables,
            set_aside=self.layers.set_aside,
            findings=self.layers.findings,
            optimality=self.optimality,
            standards=self.standards,
            unchecked=self.unchecked,
            timings_s={},
        )


def stacked(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Put the rows of frames one after the other.

    Parameters
    ----------
    frames : list of pandas.DataFrame or geopandas.GeoDataFrame
        At least one; all of the same columns.

    Returns
    -------
    pandas.DataFrame or geopandas.GeoDataFrame
        With a range index.
    """
    if len(frames) == 1:
        return frames[0]
    whole = pd.concat(frames, ignore_index=True)
    return gpd.GeoDataFrame(whole, copy=False) if "geometry" in whole.columns else whole
