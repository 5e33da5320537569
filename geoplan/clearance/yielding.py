"""How far a strand gives way under a drop at its span clamp, load case by load case.

Enters: air spans from span clamps, strands, load cases.
Leaves: `Yielding`: sink and give of each clamp in each case.
Does not do: the full equilibrium; `clamps` does, for planned drops.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geoplan.clearance.clamps import strand_figures
from geoplan.clearance.shared_spans import MOST_GIVE_SHARE
from geoplan.clearance.supports import Supports
from geoplan.mechanics import LoadCase, parabola_tension_after_change
from geoplan.mechanics.loading import ice_weight
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, IntArray
from geoplan.standards import Standards


@dataclass(frozen=True)
class Yielding:
    """Give of clamps by air span (rows) and load case (columns); 0 for poles."""

    clearance_sink_m: FloatArray
    """How much lower the strand hangs there than at stringing."""
    clearance_give_m_per_n: FloatArray
    """How much nearer to the house the clamp comes for each newton of the drop's pull."""
    tension_give_m_per_n: FloatArray
    stringing_give_m_per_n: FloatArray

    def take(self, rows: npt.NDArray[np.int64]) -> Yielding:
        """Return some rows."""
        return Yielding(*(getattr(self, field.name)[rows] for field in fields(self)))


def find_yielding(
    air: AirSpans, index: PlantIndex, supports: Supports, project: Project, standards: Standards
) -> Yielding:
    """Find how clamps give way in each load case.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    index : PlantIndex
        Rows of the layers.
    supports : Supports
        Strand tensions, weights and sizes.
    project : Project
        The strand assumed where none is recorded.
    standards : Standards
        Load cases.

    Returns
    -------
    Yielding
        Arrays with n rows.

    Notes
    -----
    Strand as a parabola: its tension H in a case by the cubic of the change of state; at a place
    x of a span L a small sideways pull T moves it T x (L - x) / (L H). The part of the pull along
    the strand moves it far less and is left out.
    """
    count = len(air)
    clamp = np.flatnonzero(air.span >= 0)
    rows, place = air.span[clamp], air.clamp_from_m[clamp]
    spans, back = np.unique(rows, return_inverse=True)
    bend = np.zeros((count, 1))
    ends = index.span_ends[rows] if len(rows) else np.zeros((0, 2), dtype=np.int64)
    length = index.span_length_m[rows]
    ux = (index.pole_x[ends[:, 1]] - index.pole_x[ends[:, 0]]) / length
    uy = (index.pole_y[ends[:, 1]] - index.pole_y[ends[:, 0]]) / length
    reach = np.maximum(air.length_m[clamp], 1e-9)
    across = ((air.ex - air.sx)[clamp] * uy - (air.ey - air.sy)[clamp] * ux) / reach
    bend[clamp, 0] = place * (length - place) / length * across**2
    share = np.zeros(count)
    share[clamp] = 4 * place / length * (1 - place / length)
    stringing = LoadCase(temperature_c=standards.stringing_c)
    clearance = [case.case for case in standards.clearance]
    tension = [case.case for case in standards.tension]

    def pulls(cases: list[LoadCase]) -> tuple[FloatArray, FloatArray]:
        """Return tension and sag of strands by air span and case."""
        on = [_strand_state(spans, case, index, supports, project, standards) for case in cases]
        tensions, sags = np.full((count, len(cases)), np.inf), np.zeros((count, len(cases)))
        for column, (pull, sag) in enumerate(on):
            tensions[clamp, column], sags[clamp, column] = pull[back], sag[back]
        return tensions, sags

    start_pull, start_sag = pulls([stringing])
    clear_pull, clear_sag = pulls(clearance)
    tight_pull, _ = pulls(tension)
    return Yielding(
        np.maximum(clear_sag - start_sag, 0.0) * share[:, None],
        bend / clear_pull,
        bend / tight_pull,
        (bend / start_pull)[:, 0],
    )


def _strand_state(
    spans: IntArray,
    case: LoadCase,
    index: PlantIndex,
    supports: Supports,
    project: Project,
    standards: Standards,
) -> tuple[FloatArray, FloatArray]:
    """Return horizontal tension and sag of strand spans in a load case, wind left out."""
    if len(spans) == 0:
        return np.zeros(0), np.zeros(0)
    stiffness, expansion, _, diameter = strand_figures(supports, spans, project, standards)
    length = index.span_length_m[spans]
    weight = supports.span_weight_n_per_m[spans]
    loaded = weight + ice_weight(diameter, case.ice_thickness_m, case.ice_density_kg_per_m3)
    warmer = np.asarray(case.temperature_c, dtype=np.float64) - standards.stringing_c
    pull = parabola_tension_after_change(
        length, supports.span_tension_n[spans], weight, loaded, warmer, stiffness, expansion
    )
    return pull, loaded * length**2 / (8 * pull)


def shortened(span_m: FloatArray, pull_n: FloatArray, give_m_per_n: FloatArray) -> FloatArray:
    """Return air spans after the clamp has given way to the drop's pull.

    Parameters
    ----------
    span_m : ndarray of float64, shape (n,)
        Air span with the clamp where the strand hangs without the drop, in metres.
    pull_n : ndarray of float64, shape (n,)
        Horizontal tension of the drop, N.
    give_m_per_n : ndarray of float64, shape (n,)
        Give of the clamp.

    Returns
    -------
    ndarray of float64, shape (n,)
        In metres, never less than 1 - `MOST_GIVE_SHARE` of the span.
    """
    return span_m - np.minimum(pull_n * give_m_per_n, MOST_GIVE_SHARE * span_m)
