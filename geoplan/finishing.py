"""Planned drops worked out in full, from their offers.

Enters: the offers chosen, plant, settings.
Leaves: `Finished`: air spans, crossings, heights, ends and the final figures, by drop.
Does not do: choose; a drop that fails goes back to the choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from geoplan.air_sources import AirSources
from geoplan.candidates import BoolArray
from geoplan.clearance.clamps import Clamps
from geoplan.clearance.final import Final, finish_tuned, fixed_sag
from geoplan.clearance.hung import Hung
from geoplan.clearance.near_buildings import is_below_top
from geoplan.clearance.stringing import with_stringing
from geoplan.clearance.supports import Ends, find_ends
from geoplan.judging import hang, meet
from geoplan.offers import Offers, air_of
from geoplan.plant import Plant
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings, find_near_buildings
from geoplan.routes.segments import IntArray

NOT_BY_CLAMP = ("row", "strand", "shared")


@dataclass(frozen=True)
class Finished:
    """Planned drops, one row each; ``air`` of the crossings counts the drops."""

    offers: Offers
    air: AirSpans
    crossings: Crossings
    hung: Hung
    ends: Ends
    final: Final

    def __len__(self) -> int:
        """Count the drops."""
        return len(self.offers)

    def fails(self, project: Project) -> BoolArray:
        """Tell which drops miss their margin or a limit of tension."""
        return self.final.fails(project.heights.clearance_margin)

    def take(self, rows: IntArray) -> Finished:
        """Return some drops, in the order asked for."""
        return Finished.gathered([self], rows)

    @staticmethod
    def gathered(parts: list[Finished], rows: IntArray) -> Finished:
        """Return some drops of several parts, in the order asked for; the list is emptied.

        A million drops are a gigabyte: columns are joined group by group, and those of the parts
        are let go before the next group, unless somebody else holds the parts.
        """
        drops = np.cumsum([0, *(len(part) for part in parts)]).tolist()
        met = np.cumsum([0, *(len(part.crossings) for part in parts)]).tolist()
        left = {field.name: [getattr(part, field.name) for part in parts]
                for field in fields(Finished)}  # fmt: skip
        parts.clear()

        def one(
            name: str, join: Callable[[list[Any]], Any], offsets: list[int] | None = None
        ) -> Any:
            columns = left.pop(name)
            if len(columns) == 1:
                return columns[0]
            if offsets is not None:
                columns = [part.moved(by) for part, by in zip(columns, offsets, strict=False)]
            return join(columns)

        crossings = one("crossings", Crossings.joined, drops)
        at, own = _crossings_of(crossings, rows, drops[-1])
        place = np.full(met[-1] + 1, -1, dtype=np.int64)
        place[at] = np.arange(len(at))
        hung = one("hung", Hung.joined, met).take(rows)
        return Finished(
            one("offers", Offers.joined).take(rows),
            one("air", AirSpans.joined).take(rows),
            replace(crossings.take(at), air=own),
            replace(hung, miss_crossing=place[hung.miss_crossing]),
            one("ends", _joined_ends).take(rows),
            _take_final(
                one("final", lambda finals: _joined_finals(finals, drops, met)), rows, at, place
            ),
        )


def _crossings_of(crossings: Crossings, rows: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Return the crossings of some drops, in the order of these, and the drop of each."""
    number = np.full(count, -1, dtype=np.int64)
    number[rows] = np.arange(len(rows))
    own = number[crossings.air]
    at = np.flatnonzero(own >= 0)
    at = at[np.argsort(own[at], kind="stable")]
    return at, own[at]


def _joined_ends(parts: list[Ends]) -> Ends:
    return Ends(
        *(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Ends))
    )


def finish_offers(offers: Offers, plant: Plant, project: Project) -> Finished:
    """Work out the drops of offers in full.

    Parameters
    ----------
    offers : Offers
        Chosen routes sorted by address; of a strand span, all drops that hang from it.
    plant : Plant
        Where.
    project : Project
        Settings.

    Returns
    -------
    Finished
        A row for each offer, in their order.
    """
    air = air_of(offers, AirSources(plant, project))
    crossings, _ = meet(air, plant, project)
    hung = hang(air, crossings, plant, project)
    ends = find_ends(air, plant.index, plant.supports, project.heights.clamp_settlement)
    work = (
        air,
        crossings,
        hung,
        ends,
        plant.index,
        plant.supports,
        plant.demands,
        plant.standards,
        project,
    )
    final, _ = finish_tuned(*work, fixed_sag(air, hung, plant.standards))
    part = final.margin_part[final.clamps.row]
    final = replace(final, clamps=with_stringing(final.clamps, part, project, plant.standards))
    near = find_near_buildings(air, crossings, plant.index, project.limits.near_building)
    near = near.take(is_below_top(near, air, ends, plant.supports, plant.demands, final))
    return _with_near(Finished(offers, air, crossings, hung, ends, final), near)


def _with_near(done: Finished, near: Crossings) -> Finished:
    """Add what is passed close by to what is crossed; nothing was computed for it."""
    if len(near) == 0:
        return done
    both = Crossings.joined([done.crossings, near])
    order = np.argsort(both.air, kind="stable").astype(np.int64)
    place = np.full(len(both) + 1, -1, dtype=np.int64)
    place[order] = np.arange(len(order))
    final, more = done.final, len(near)
    values: dict[str, Any] = {}
    for field in fields(Final):
        if field.name.startswith("crossing_"):
            old = getattr(final, field.name)
            unknown = -1 if old.dtype.kind == "i" else np.nan
            values[field.name] = np.append(old, np.full(more, unknown, dtype=old.dtype))[order]
    governs = np.where(final.margin_crossing >= 0, final.margin_crossing, len(both))
    missed = np.where(done.hung.miss_crossing >= 0, done.hung.miss_crossing, len(both))
    return replace(
        done,
        crossings=both.take(order),
        hung=replace(done.hung, miss_crossing=place[missed]),
        final=replace(final, margin_crossing=place[governs], **values),
    )


def by_strand_span(span: IntArray, most: int) -> list[IntArray]:
    """Split drops into groups of like work that keep all drops of a strand span together.

    Parameters
    ----------
    span : ndarray of int64, shape (n,)
        Strand span of each drop's clamp; -1 without.
    most : int
        Drops of a group; one may have more where a strand span asks for it. Each has its share of
        the drops with a clamp, which are most of the work.

    Returns
    -------
    list of ndarray of int64
        Rows, ascending within each group.
    """
    count = -(-len(span) // max(most, 1))
    alone, held = np.flatnonzero(span < 0), np.flatnonzero(span >= 0)
    held = held[np.argsort(span[held], kind="stable")]
    first = np.ones(len(held), dtype=bool)
    first[1:] = span[held][1:] != span[held][:-1]
    start = np.maximum.accumulate(np.where(first, np.arange(len(held)), 0))
    row = np.concatenate([alone, held])
    group = np.concatenate([_dealt(np.arange(len(alone)), count), _dealt(start, count)])
    return [np.sort(part) for part in (row[group == at] for at in range(count)) if len(part)]


def _dealt(place: IntArray, count: int) -> IntArray:
    """Deal places in a row out to groups evenly, neighbours together."""
    return place * count // max(len(place), 1)


def _take_final(final: Final, rows: IntArray, at: IntArray, place: IntArray) -> Final:
    values: dict[str, Any] = {}
    for field in fields(Final):
        old = getattr(final, field.name)
        if field.name == "clamps":
            values["clamps"] = _take_clamps(old, rows)
        else:
            values[field.name] = old[at if field.name.startswith("crossing_") else rows]
    values["margin_crossing"] = place[values["margin_crossing"]]
    return Final(**values)


def _take_clamps(clamps: Clamps, rows: IntArray) -> Clamps:
    position = np.full(int(max(rows.max(initial=-1), clamps.row.max(initial=-1))) + 1, -1)
    position[rows] = np.arange(len(rows))
    kept = np.flatnonzero(position[clamps.row] >= 0)
    kept = kept[np.argsort(position[clamps.row[kept]], kind="stable")]
    return _with_arrays(
        clamps,
        lambda name: getattr(clamps, name)[kept],
        position[clamps.row[kept]].astype(np.int64),
    )


def _with_arrays(clamps: Clamps, column: Any, row: IntArray) -> Clamps:
    """Replace the columns; strand and shared spans are no longer those of the rows."""
    values = {
        field.name: column(field.name) for field in fields(Clamps) if field.name not in NOT_BY_CLAMP
    }
    return replace(clamps, row=row, **values)


def _joined_finals(parts: list[Final], drops: list[int], met: list[int]) -> Final:
    values: dict[str, Any] = {}
    for field in fields(Final):
        columns = [getattr(part, field.name) for part in parts]
        if field.name == "margin_crossing":
            columns = [
                np.where(column >= 0, column + by, -1)
                for column, by in zip(columns, met, strict=False)
            ]
        if field.name != "clamps":
            values[field.name] = np.concatenate(columns)
    clamps = [part.clamps for part in parts]
    row = np.concatenate([part.row + by for part, by in zip(clamps, drops, strict=False)])
    values["clamps"] = _with_arrays(
        clamps[0], lambda name: np.concatenate([getattr(part, name) for part in clamps]), row
    )
    return Final(**values)
