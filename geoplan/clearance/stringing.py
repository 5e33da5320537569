"""The stringing table of drops from span clamps, with the ladder and without.

Enters: solved clamps.
Leaves: the same with sag and tension at each temperature of the table.
Does not do: drops from poles, whose ends hold still; `geoplan.hanging` looks them up.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geoplan.clearance.clamps import Clamps, leaned_ladder
from geoplan.clearance.settling import lean_in_cases, settle_in_cases
from geoplan.mechanics import LoadCase, height_at, length_at_temperature, solve_catenary
from geoplan.project import Project
from geoplan.routes.segments import FloatArray
from geoplan.standards import ClearanceCase, Standards
from geoplan.units import to_si

TEMPERATURES = {
    "us": ("degF", np.arange(0.0, 121.0, 10.0)),
    "metric": ("degC", np.arange(-20.0, 51.0, 5.0)),
}
"""Steps of the stringing table in the units of the reports."""


def table_temperatures(project: Project) -> FloatArray:
    """Return the temperatures of the stringing table.

    Parameters
    ----------
    project : Project
        Units decide the steps: 10 F or 5 C.

    Returns
    -------
    ndarray of float64, shape (k,)
        In degrees Celsius, rising.
    """
    unit, steps = TEMPERATURES[project.units]
    return np.asarray(np.round(to_si(steps, unit, "temperature"), 6), dtype=np.float64)


def with_stringing(
    clamps: Clamps, part: FloatArray, project: Project, standards: Standards
) -> Clamps:
    """Work out sag and tension of drops from span clamps at each temperature of the table.

    Parameters
    ----------
    clamps : Clamps
        Solved clamps, n of them; of a strand span all.
    part : ndarray of float64, shape (n,)
        Place of the least margin along each air span, 0 to 1; NaN: none.
    project : Project
        Units, ladder and person.
    standards : Standards
        The wire.

    Returns
    -------
    Clamps
        The same with ``table_`` columns of shape (n, k).

    Notes
    -----
    No ice, no wind. Clamps are where strand and drops of that temperature leave them, as in the
    load cases, so that the table and the worst sag tell of the same wire. With the ladder on,
    each drop is by itself on its strand span.
    """
    temperatures = table_temperatures(project)
    cases = [
        ClearanceCase("stringing", degrees, LoadCase(temperature_c=degrees), 1.0, "")
        for degrees in temperatures.tolist()
    ]
    settled = settle_in_cases(clamps, cases, standards)
    wire = standards.wire
    sags, tensions, heights = [], [], []
    for case, moved in zip(cases, settled, strict=True):
        warmer = case.temperature_c - standards.stringing_c
        grown = length_at_temperature(clamps.length_m, wire.expansion_per_c, warmer)
        rise = clamps.house_z_m - moved.start_z_m
        state = solve_catenary(moved.air_span_m, rise, grown, wire.weight_n_per_m, wire.stiffness_n)
        sags.append(np.asarray(state.sag_m))
        tensions.append(np.asarray(state.tension_max_n))
        place_m = np.nan_to_num(part) * moved.air_span_m
        up = height_at(state, place_m[:, None])[:, 0]
        heights.append(np.where(np.isfinite(part), moved.start_z_m + up, np.nan))
    ladder = leaned_ladder(clamps.is_over_street, project)
    leaned = lean_in_cases(clamps, cases, ladder, standards)
    return replace(
        clamps,
        table_sag_m=np.stack(sags, axis=1),
        table_tension_n=np.stack(tensions, axis=1),
        table_ladder_sag_m=np.stack([state.sag_m for state in leaned], axis=1),
        table_ladder_tension_n=np.stack([state.tension_n for state in leaned], axis=1),
        table_place_z_m=np.stack(heights, axis=1),
    )
