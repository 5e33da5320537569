"""Layers: what a user brings, checked and ready to plan with.

Enters: files named in a project.
Leaves: `Layers`, by way of `read_layers`.
Does not do: find routes.
"""

from __future__ import annotations

from geoplan.layers.load import read_layers

__all__ = ["read_layers"]
