"""The work shared out by tiles, and done here, some tiles at once.

Enters: rows of addresses, offers.
Leaves: `Tiled`, which asks for the work tile by tile; `InTurn`, which does it here.
Does not do: choose; the joint choice stays in one place.

The first tiles are kept ready, the others cut when their turn comes and given up at once, so that
the shapes of a region never are in memory as a whole. Where a few addresses of a tile are asked
about, only what lies around them is cut. Several tiles, or parts of those that are ready, are
worked on at once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import replace
from typing import Any

import numpy as np

from geoplan.finishing import Finished, by_strand_span
from geoplan.layers.split_points import Nearby, rows_by_area, split_points
from geoplan.memory import give_back
from geoplan.model import Layers
from geoplan.offers import Offers
from geoplan.plant import build_plant
from geoplan.project import Project
from geoplan.routes.segments import IntArray
from geoplan.search import Aim
from geoplan.side_by_side import processors, side_by_side
from geoplan.standards import Standards
from geoplan.tile_tasks import TASKS, Site
from geoplan.tiles import cut_tile, layer_bounds, near_m, reach_m
from geoplan.working import (
    CHUNK,
    FEWEST,
    Bounds,
    Tell,
    joined_bounds,
    joined_offers,
    sorted_by_address,
)

TILE_ADDRESSES = 40_000
"""Addresses of a tile worked on here; no say in the result."""
KEPT_ADDRESSES = 200_000
"""Tiles that hold about so many addresses are kept ready, which bounds the memory."""

AROUND = -1
"""In place of a tile: what lies around the addresses of the question."""
WHOLE_SHARE = 0.5
"""Where what lies around those asked about holds more of a tile, it is cut as a whole."""

Question = tuple[str, int, tuple[Any, ...]]
"""Key of `geoplan.tile_tasks.TASKS`, number of the tile, what is asked."""


class Tiled(ABC):
    """Asks for work tile by tile; who works is for others to say."""

    tile_of: IntArray
    """Number of each address's tile."""

    @abstractmethod
    def _ask(self, questions: list[Question], tell: Tell | None = None) -> list[Any]:
        """Have the questions answered, in their order."""

    def _make_room(self) -> None:
        """Give up what can be made again, before memory is needed."""
        give_back()

    def search(self, addresses: IntArray, aim: Aim, tell: Tell) -> tuple[Offers, IntArray]:
        """Search addresses; return offers, and the price that each was searched up to."""
        groups = self._shared_out(addresses)
        questions = [("search", tile, (addresses[at], aim.take(at))) for tile, at in groups]
        answers = self._ask(questions, tell)
        reached = np.zeros(len(addresses), dtype=np.int64)
        for (_, at), (_, price) in zip(groups, answers, strict=True):
            reached[at] = price
        return joined_offers([offers for offers, _ in answers]), reached

    def bounds(self, addresses: IntArray) -> Bounds:
        """Return a lower bound for every pair of these addresses that may have a route."""
        groups = self._shared_out(addresses)
        return joined_bounds(self._ask([("bounds", tile, (addresses[at],)) for tile, at in groups]))

    def shift(self, offers: Offers) -> Offers:
        """Shift clamps to cheaper places; same order."""
        groups = self._by_tile(self.tile_of[offers.address], np.full(len(offers), -1))
        parts = self._ask([("shift", tile, (offers.take(at),)) for tile, at in groups])
        place = np.zeros(len(offers), dtype=np.int64)
        place[np.concatenate([place[:0], *(at for _, at in groups)])] = np.arange(len(offers))
        return joined_offers(parts).take(place)

    def finish(self, offers: Offers, tell: Tell) -> Finished:
        """Work drops out in full; sorted by address.

        All drops of a strand span go to the tile of the first of them; its layers reach that far.
        """
        tile = self.tile_of[offers.address].copy()
        clamp = np.flatnonzero(offers.span >= 0)
        _, first, group = np.unique(offers.span[clamp], return_index=True, return_inverse=True)
        tile[clamp] = tile[clamp[first]][group]
        groups = self._by_tile(tile, offers.span)
        if not groups:
            groups = [(0, np.zeros(0, dtype=np.int64))]
        questions = [("finish", one, (offers.take(at),)) for one, at in groups]
        parts = self._ask(questions, tell)
        self._make_room()
        return sorted_by_address(parts)

    def explain(self, addresses: IntArray) -> Offers:
        """Search addresses to the end, and keep what tells why they have no route."""
        groups = self._shared_out(addresses)
        offers = joined_offers(
            self._ask([("explain", tile, (addresses[at],)) for tile, at in groups])
        )
        return offers.take(np.argsort(offers.address, kind="stable"))

    def _shared_out(self, addresses: IntArray) -> list[tuple[int, IntArray]]:
        """Share addresses to be searched out over tiles: number of the tile, and which."""
        return self._by_tile(self.tile_of[addresses])

    def _by_tile(self, tile: IntArray, span: IntArray | None = None) -> list[tuple[int, IntArray]]:
        """Share rows out; where their strand spans are told, in parts that keep each together."""
        groups = [(int(tile[rows[0]]), rows) for rows in rows_by_area(tile)]
        if span is None:
            return groups
        return [part for at, rows in groups for part in self._in_parts(at, rows, span[rows])]

    def _in_parts(self, tile: int, rows: IntArray, span: IntArray) -> list[tuple[int, IntArray]]:
        """Return rows of a tile in the parts in which they may be worked on."""
        del span
        return [(tile, rows)]


class InTurn(Tiled):
    """Works here, on as many tiles at once as there are processors."""

    def __init__(
        self,
        layers: Layers,
        project: Project,
        standards: Standards,
        *,
        tile_addresses: int = TILE_ADDRESSES,
        kept_addresses: int = KEPT_ADDRESSES,
    ) -> None:
        self._layers, self._project, self._standards = layers, project, standards
        self._bounds = layer_bounds(layers)
        self._far = reach_m(layers, project, standards)
        self._near = near_m(layers, project, standards)
        x = layers.addresses.geometry.x.to_numpy()
        y = layers.addresses.geometry.y.to_numpy()
        self.tile_of = split_points(x, y, tile_addresses)
        self._most = tile_addresses
        self._size = np.bincount(self.tile_of)
        self._kept = max(kept_addresses // tile_addresses, 1)
        self._open: dict[int, Site] = {}

    def _ask(self, questions: list[Question], tell: Tell | None = None) -> list[Any]:
        """Answer several at once: first those for which a tile has to be cut, they take longest."""
        answers: list[Any] = [None] * len(questions)
        sizes = [_count(question) for question in questions]
        order = sorted(
            range(len(questions)), key=lambda at: (questions[at][1] in self._open, -sizes[at])
        )
        at_once = processors() if sum(sizes) > FEWEST else 1
        alone = at_once == 1 or len(questions) == 1

        def work(at: int) -> Any:
            task, tile, arguments = questions[at]
            site = self._around(arguments[0]) if tile == AROUND else self._site(tile)
            return TASKS[task](site if alone else replace(site, at_once=1), *arguments)

        done = 0
        for at, answer in zip(order, side_by_side(work, order, at_once), strict=True):
            answers[at] = answer
            done += sizes[at]
            if tell is not None:
                tell(done, sum(sizes))
        return answers

    def _shared_out(self, addresses: IntArray) -> list[tuple[int, IntArray]]:
        """Join those of tiles that hold few of them and are not ready."""
        groups: list[tuple[int, IntArray]] = []
        few: list[IntArray] = []
        around = 0
        for tile, at in self._by_tile(self.tile_of[addresses]):
            near = 0 if tile in self._open else self._count_around(addresses[at])
            if tile in self._open or near > WHOLE_SHARE * self._size[tile]:
                if len(self._open) < self._kept:
                    self._open[tile] = self._site(tile)
                groups += self._in_parts(tile, at, np.full(len(at), -1))
                continue
            if around + near > self._most and few:
                groups.append((AROUND, np.concatenate(few)))
                few, around = [], 0
            few.append(at)
            around += near
        return [*groups, *([(AROUND, np.concatenate(few))] if few else [])]

    def _in_parts(self, tile: int, rows: IntArray, span: IntArray) -> list[tuple[int, IntArray]]:
        """Share work on a tile that is ready out further; drops of a strand span stay together."""
        if tile not in self._open:
            return [(tile, rows)]
        most = min(CHUNK, max(-(-len(rows) // processors()), FEWEST))
        return [(tile, rows[part]) for part in by_strand_span(span, most)]

    def _count_around(self, addresses: IntArray) -> int:
        boxes = self._bounds["addresses"]
        return len(Nearby(boxes[addresses], self._near).rows(boxes))

    def _around(self, addresses: IntArray) -> Site:
        """Make ready what lies around some addresses."""
        return self._cut(np.sort(addresses), self._near)

    def _cut(self, owned: IntArray, near: float | None = None) -> Site:
        tile = cut_tile(self._layers, self._bounds, owned, self._far, near)
        plant = build_plant(tile.layers, self._project, self._standards)
        return Site(tile, plant, self._project, None)

    def _make_room(self) -> None:
        self._open.clear()
        super()._make_room()

    def _site(self, tile: int) -> Site:
        kept = self._open.get(tile)
        return kept or self._cut(np.flatnonzero(self.tile_of == tile).astype(np.int64))


def _count(question: Question) -> int:
    """Count the addresses or offers that a question is about."""
    return len(question[2][0])
