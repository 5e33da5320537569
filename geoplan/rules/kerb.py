"""Clearance over the strip between kerb and travelled way.

Enters: the two figures of the rule; distances from the kerb.
Leaves: the required clearance at each distance.
Does not do: find the kerb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoplan.rules.figures import Figure

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class KerbGrading:
    """Lower clearance that is allowed from the kerb to the travelled way.

    Parameters
    ----------
    edge : Figure
        Clearance at the kerb, m.
    strip_width : Figure
        Width of the strip from the kerb in which the clearance may be graded, m.
    """

    edge: Figure
    strip_width: Figure

    def required_m(self, from_kerb_m: FloatArray, full_m: FloatArray | float) -> FloatArray:
        """Grade the required clearance from the kerb inward.

        Parameters
        ----------
        from_kerb_m : ndarray of float64, shape (n,)
            Distance from the nearest kerb into the road, m, >= 0. Without a kerb: from the
            edge of possible vehicle movement.
        full_m : ndarray of float64, shape (n,), or float
            Clearance over the travelled way, m.

        Returns
        -------
        ndarray of float64, shape (n,)
            Required clearance, m. NaN stays NaN.

        Notes
        -----
        Linear between the two ends is our reading of "may grade". Where the full clearance is
        already lower than that at the kerb, it holds throughout.
        """
        share = np.clip(np.asarray(from_kerb_m, dtype=np.float64) / self.strip_width.value_si, 0, 1)
        full = np.asarray(full_m, dtype=np.float64)
        edge = np.minimum(self.edge.value_si, full)
        graded: FloatArray = edge + share * (full - edge)
        return graded
