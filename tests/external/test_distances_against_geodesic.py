"""Lengths of the plan against geodesics on the ellipsoid.

Reference: pyproj's Geod (Karney's algorithms in PROJ), WGS 84.
"""

from __future__ import annotations

import numpy as np
from pyproj import Geod, Transformer

from geoplan.model import Plan


def test_air_spans_over_the_scale_factor_equal_geodesics(demo_plan: Plan) -> None:
    crs = demo_plan.layers.crs
    ends = demo_plan.air_spans.geometry.force_2d().get_coordinates().to_numpy().reshape(-1, 4)
    to_degrees = Transformer.from_crs(crs.working_crs, 4326, always_xy=True)
    lon0, lat0 = to_degrees.transform(ends[:, 0], ends[:, 1])
    lon1, lat1 = to_degrees.transform(ends[:, 2], ends[:, 3])
    _, _, ground_m = Geod(ellps="WGS84").inv(lon0, lat0, lon1, lat1)
    planned_m = demo_plan.air_spans["air_span_m"].to_numpy() / crs.scale_factor
    np.testing.assert_allclose(planned_m, ground_m, rtol=5e-6)
