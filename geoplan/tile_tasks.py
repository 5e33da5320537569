"""Work on one tile, told in rows of the whole region.

Enters: a tile, a question in rows of the region.
Leaves: the answer in rows of the region.
Does not do: know who asks, or where it runs.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock
from types import MappingProxyType
from typing import Any

import numpy as np
from pydantic import BaseModel

from geoplan.finishing import Finished
from geoplan.offers import Offers
from geoplan.plant import Plant, build_plant
from geoplan.project import Project
from geoplan.routes.crossings import KIND_CODE, KIND_LAYER, Crossings
from geoplan.routes.segments import IntArray
from geoplan.search import Aim
from geoplan.standards import Standards
from geoplan.tiles import Tile
from geoplan.working import Bounds, Here

KEPT_OPEN = 2
"""Tiles that a process keeps ready."""


@dataclass(frozen=True)
class Site:
    """A tile made ready."""

    tile: Tile
    plant: Plant
    project: Project
    at_once: int | None = 1
    """Groups worked on at once; none: as many as there are processors."""

    @property
    def here(self) -> Here:
        """Work in rows of the tile."""
        return Here(self.plant, self.project, at_once=self.at_once)

    def offers_in(self, offers: Offers) -> Offers:
        """Tell offers of the region in rows of the tile."""
        return self._renumbered(offers, self.tile.to_tile)

    def offers_out(self, offers: Offers) -> Offers:
        """Tell offers of the tile in rows of the region."""
        return self._renumbered(offers, self.tile.to_region)

    def _renumbered(self, offers: Offers, number: Callable[[str, IntArray], IntArray]) -> Offers:
        return replace(
            offers,
            address=number("addresses", offers.address),
            terminal=number("poles", offers.terminal),
            pole=number("poles", offers.pole),
            span=number("spans", offers.span),
            building=number("buildings", offers.building),
            miss_feature=_features(offers.miss_kind, offers.miss_feature, number),
        )

    def finished_out(self, finished: Finished) -> Finished:
        """Tell finished drops of the tile in rows of the region."""
        to_region, air = self.tile.to_region, finished.air
        met: Crossings = finished.crossings
        return replace(
            finished,
            offers=self.offers_out(finished.offers),
            air=replace(
                air,
                address=to_region("addresses", air.address),
                pole=to_region("poles", air.pole),
                span=to_region("spans", air.span),
                building=to_region("buildings", air.building),
            ),
            crossings=replace(met, feature=_features(met.kind, met.feature, to_region)),
        )


def _features(
    kind: IntArray, feature: IntArray, number: Callable[[str, IntArray], IntArray]
) -> IntArray:
    result = feature.copy()
    for name, layer in KIND_LAYER.items():
        rows = np.flatnonzero(kind == KIND_CODE[name])
        if len(rows):
            result[rows] = number(layer, feature[rows])
    return result


_open: dict[str, Site] = {}
_opening = Lock()
"""A process of another's scheduler may run several tasks at once."""


def open_site(path: str) -> Site:
    """Read a tile and make it ready; those used last are kept.

    Parameters
    ----------
    path : str
        File that holds what `tile_bytes` gave; another tile has another name.

    Returns
    -------
    Site
        Ready for work.
    """
    with _opening:
        site = _open.pop(path, None)
        if site is None:
            tile, project, standards = pickle.loads(Path(path).read_bytes())  # noqa: S301
            site = Site(tile, build_plant(tile.layers, project, standards), project)
        _open[path] = site
        while len(_open) > KEPT_OPEN:
            del _open[next(iter(_open))]
    return site


def tile_bytes(tile: Tile, project: Project, standards: Standards) -> bytes:
    """Put a tile into bytes for `open_site`.

    Parameters
    ----------
    tile : Tile
        The tile.
    project : Project
        Settings.
    standards : Standards
        Rules, wire and strands.

    Returns
    -------
    bytes
        The same for the same content, in whichever process.
    """
    file = io.BytesIO()
    _Pickler(file, protocol=5).dump((tile, project, standards))
    return file.getvalue()


def _read_only(values: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(values)


def _model(kind: type[BaseModel], state: dict[str, Any], given: list[str]) -> BaseModel:
    model = kind.__new__(kind)
    model.__setstate__({**state, "__pydantic_fields_set__": set(given)})
    return model


class _Pickler(pickle.Pickler):
    """Also takes read-only views of dicts; the names of settings given keep one order."""

    def reducer_override(self, value: Any) -> Any:
        if isinstance(value, MappingProxyType):
            return _read_only, (dict(value),)
        if isinstance(value, BaseModel):
            state = dict(value.__getstate__())
            return _model, (type(value), state, sorted(state.pop("__pydantic_fields_set__")))
        return NotImplemented


def _unheard(done: int, total: int) -> None:
    del done, total


def search_tile(site: Site, addresses: IntArray, aim: Aim) -> tuple[Offers, IntArray]:
    """Search addresses of a tile; see `geoplan.working.Worker.search`.

    Parameters
    ----------
    site : Site
        The tile.
    addresses : ndarray of int64, shape (n,)
        Rows of the region.
    aim : Aim
        How far.

    Returns
    -------
    Offers, ndarray of int64
        In rows of the region.
    """
    mine = site.tile.to_tile("addresses", addresses)
    offers, reached = site.here.search(mine, aim, _unheard)
    return site.offers_out(offers), reached


def bound_tile(site: Site, addresses: IntArray) -> Bounds:
    """Bound the pairs of addresses of a tile; see `geoplan.working.Worker.bounds`.

    Parameters
    ----------
    site : Site
        The tile.
    addresses : ndarray of int64, shape (n,)
        Rows of the region.

    Returns
    -------
    Bounds
        In rows of the region.
    """
    address, terminal, cents = site.here.bounds(site.tile.to_tile("addresses", addresses))
    to_region = site.tile.to_region
    return to_region("addresses", address), to_region("poles", terminal), cents


def shift_tile(site: Site, offers: Offers) -> Offers:
    """Shift clamps of a tile; see `geoplan.working.Worker.shift`.

    Parameters
    ----------
    site : Site
        The tile.
    offers : Offers
        In rows of the region.

    Returns
    -------
    Offers
        In rows of the region.
    """
    return site.offers_out(site.here.shift(site.offers_in(offers)))


def finish_tile(site: Site, offers: Offers) -> Finished:
    """Work out drops of a tile; see `geoplan.working.Worker.finish`.

    Parameters
    ----------
    site : Site
        The tile.
    offers : Offers
        In rows of the region, sorted by address.

    Returns
    -------
    Finished
        In rows of the region.
    """
    return site.finished_out(site.here.finish(site.offers_in(offers), _unheard))


def explain_tile(site: Site, addresses: IntArray) -> Offers:
    """Search addresses of a tile to the end; see `geoplan.working.Worker.explain`.

    Parameters
    ----------
    site : Site
        The tile.
    addresses : ndarray of int64, shape (n,)
        Rows of the region.

    Returns
    -------
    Offers
        In rows of the region.
    """
    return site.offers_out(site.here.explain(site.tile.to_tile("addresses", addresses)))


TASKS: Mapping[str, Callable[..., Any]] = {
    "search": search_tile,
    "bounds": bound_tile,
    "shift": shift_tile,
    "finish": finish_tile,
    "explain": explain_tile,
}
