"""Mechanics of hung wires and strands: numpy arrays in, numpy arrays out.

*Enters*: spans, wires, loads, ladders, as numbers or arrays in SI units.
*Leaves*: frozen dataclasses of arrays: tensions, sags, lengths, displacements.
*Does not do*: geometry of maps, rule figures, project settings, files.
"""

from __future__ import annotations

from geoplan.mechanics.catenary import (
    CatenaryState,
    height_at,
    point_at_slope,
    sag_at,
    solve_catenary,
    unstressed_length_to,
)
from geoplan.mechanics.change_of_state import (
    WeatherState,
    Wire,
    length_at_temperature,
    solve_weather,
    weather_height_at,
)
from geoplan.mechanics.clamp import (
    ClampState,
    ClampStates,
    Drop,
    solve_clamp,
    solve_clamp_at_sag,
    solve_clamp_for_final_sag,
    solve_clamp_with_length,
)
from geoplan.mechanics.ladder import (
    LadderDecision,
    LadderLoad,
    LadderReason,
    decide_ladder,
    ladder_load,
)
from geoplan.mechanics.loading import (
    STANDARD_GRAVITY_M_PER_S2,
    LoadCase,
    LoadedWire,
    ice_weight,
    load_wire,
    swing_out,
    wind_load,
)
from geoplan.mechanics.parabola import (
    parabola_height,
    parabola_length,
    parabola_sag,
    parabola_tension,
    parabola_tension_after_change,
    parabola_vertex,
)
from geoplan.mechanics.strand import Strand, StrandDisplacement, displace_strand
from geoplan.mechanics.stringing import StringingTable, build_stringing_table
from geoplan.mechanics.unstressed_length import (
    length_from_horizontal_tension,
    length_from_max_tension,
    length_from_midspan_sag,
    length_from_sag,
)

__all__ = [
    "STANDARD_GRAVITY_M_PER_S2",
    "CatenaryState",
    "ClampState",
    "ClampStates",
    "Drop",
    "LadderDecision",
    "LadderLoad",
    "LadderReason",
    "LoadCase",
    "LoadedWire",
    "Strand",
    "StrandDisplacement",
    "StringingTable",
    "WeatherState",
    "Wire",
    "build_stringing_table",
    "decide_ladder",
    "displace_strand",
    "height_at",
    "ice_weight",
    "ladder_load",
    "length_at_temperature",
    "length_from_horizontal_tension",
    "length_from_max_tension",
    "length_from_midspan_sag",
    "length_from_sag",
    "load_wire",
    "parabola_height",
    "parabola_length",
    "parabola_sag",
    "parabola_tension",
    "parabola_tension_after_change",
    "parabola_vertex",
    "point_at_slope",
    "sag_at",
    "solve_catenary",
    "solve_clamp",
    "solve_clamp_at_sag",
    "solve_clamp_for_final_sag",
    "solve_clamp_with_length",
    "solve_weather",
    "swing_out",
    "unstressed_length_to",
    "weather_height_at",
    "wind_load",
]
