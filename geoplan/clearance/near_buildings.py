"""Which buildings beside planned air spans reach up to the wire.

Enters: near misses of buildings, air spans worked out in full.
Leaves: which of them the wire passes below the top of.
Does not do: compare the room beside a building with any rule.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoplan.clearance.demands import Demands
from geoplan.clearance.final import Final
from geoplan.clearance.required import ground_at
from geoplan.clearance.supports import Ends, Supports
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.crossings import Crossings


def is_below_top(
    near: Crossings, air: AirSpans, ends: Ends, supports: Supports, demands: Demands, final: Final
) -> npt.NDArray[np.bool_]:
    """Tell which near buildings have their top above the wire at its worst sag.

    Parameters
    ----------
    near : Crossings
        Near misses of buildings, m rows.
    air : AirSpans
        Planned air spans.
    ends : Ends
        Their ends.
    supports : Supports
        Holds the terrain.
    demands : Demands
        Tops of buildings; unknown ones at the written default.
    final : Final
        The air spans worked out in full.

    Returns
    -------
    ndarray of bool, shape (m,)
        True where the wire, sagging most, is lower than the top anywhere along the near part.

    Notes
    -----
    The wire as a parabola of the worst sag between its ends as strung. The building stands on the
    ground of the place where it is nearest.
    """
    row = near.air
    length = np.maximum(air.length_m[row], 1e-9)
    at = np.clip(near.at_m / length, 0.0, 1.0)
    top = ground_at(air, ends, supports, row, at) + demands.roof_top_m[near.feature]
    low, high = final.start_z_m[row], final.end_z_m[row]
    below = np.zeros(len(row), dtype=bool)
    for share in np.linspace(0.0, 1.0, 9):
        part = np.clip((near.start_m + share * (near.end_m - near.start_m)) / length, 0.0, 1.0)
        wire = low + part * (high - low) - 4 * part * (1 - part) * final.sag_worst_m[row]
        below |= wire < top
    return below
