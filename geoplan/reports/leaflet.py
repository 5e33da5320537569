"""The map script and its style sheet, taken from an installed package so that no page needs a net.

Enters: nothing.
Leaves: the text of Leaflet's script, style sheet and licence.
Does not do: draw a map.

folium points its pages at files on the net. The package ``django-js-lib-leaflet`` is nothing but
those same files with their licence; it needs no Django, and nothing of it is run by us.
"""

from __future__ import annotations

import base64
import importlib.metadata
import re
from functools import lru_cache
from importlib.resources import files

PACKAGE = "js_lib_leaflet"
DISTRIBUTION = "django-js-lib-leaflet"


@lru_cache(maxsize=1)
def leaflet_script() -> str:
    """Return Leaflet's script, its licence in a comment before it."""
    return f"/*\n{_licence()}\n*/\n{_read('leaflet.js')}"


@lru_cache(maxsize=1)
def leaflet_style() -> str:
    """Return Leaflet's style sheet, with its pictures inside it as data."""
    return re.sub(r"url\(images/([\w.-]+)\)", _inline_picture, _read("leaflet.css"))


def _read(name: str) -> str:
    """Return a text with plain line ends: a page's policy tells hashes of what a browser reads."""
    text = _bytes(name).decode("utf-8").replace("</script", r"<\/script")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _bytes(name: str) -> bytes:
    return files(PACKAGE).joinpath("static", PACKAGE, name).read_bytes()


def _inline_picture(match: re.Match[str]) -> str:
    data = base64.b64encode(_bytes(f"images/{match[1]}")).decode("ascii")
    return f"url(data:image/png;base64,{data})"


def _licence() -> str:
    text = importlib.metadata.distribution(DISTRIBUTION).read_text("LICENSE")
    if not text:
        message = f"the package {DISTRIBUTION} has no LICENSE"
        raise RuntimeError(message)
    return text.replace("*/", "* /").strip()
