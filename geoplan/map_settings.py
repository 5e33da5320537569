"""The settings of the map page.

Enters: values of a project file.
Leaves: `Map`, the section of the project.
Does not do: ask any host for anything.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from geoplan.settings import Section

_TILE_URL = re.compile(r"https://[A-Za-z0-9.-]+(?::\d{1,5})?/[A-Za-z0-9._~/?=&%{}@+-]+")


def tile_url(text: str) -> str:
    """Refuse an address of map tiles that is not plain: https, one host, three places to fill."""
    if not text:
        return text
    has_all = all(text.count(name) == 1 for name in ("{z}", "{x}", "{y}"))
    bare = re.sub(r"\{[zxy]\}", "", text)
    if not _TILE_URL.fullmatch(text) or not has_all or "{" in bare or "}" in bare:
        message = "has to look like https://tiles.example.org/{z}/{x}/{y}.png"
        raise ValueError(message)
    return text


class Map(Section):
    """[map]: the map page."""

    max_drops_per_page: int = Field(
        20_000, ge=100, le=50_000, description="More addresses than this are shown by areas."
    )
    base_map_url: Annotated[str, AfterValidator(tile_url)] = Field(
        "",
        max_length=300,
        description="Tiles below the plan, https://…{z}…{x}…{y}…; their host is asked for them"
        " when the page is open. Empty: none, and the page asks nobody for anything.",
    )
    base_map_credit: str = Field(
        "", max_length=200, description="Credit that the owner of the tiles asks for, as text."
    )
