"""Every table of geoplan, declared once: columns, types, units, bounds, meaning, author.

Enters: nothing.
Leaves: `LAYERS` (what a user brings), `TABLES` (what a plan holds), `schema` to validate them.
Does not do: read or write files; hold data.

Validation, the reference of columns, the headers of outputs and the tests all read these
declarations, so a column exists in one place only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoplan.declaring import (
    UNIT_SUFFIX,
    Basis,
    Column,
    CrossingKind,
    DataKind,
    GeometryKind,
    InputLayer,
    RouteKind,
    Severity,
    Table,
    count,
    flag,
    force,
    identifier,
    length,
    number,
    sag,
    temperature,
    text,
)
from geoplan.work_tables import WORK_TABLES

if TYPE_CHECKING:
    import pandera.pandas as pa

__all__ = [
    "LAYERS",
    "TABLES",
    "TERRAIN_ABSENCE",
    "UNIT_SUFFIX",
    "Basis",
    "Column",
    "CrossingKind",
    "DataKind",
    "GeometryKind",
    "InputLayer",
    "RouteKind",
    "Severity",
    "Table",
    "schema",
]

_LABEL = text("name", "Name for people; may be absent.")

LAYERS: dict[str, InputLayer] = {
    layer.name: layer
    for layer in (
        InputLayer(
            "parcels",
            "parcel_id",
            "polygon",
            (
                identifier("parcel_id", "Stable name of the lot."),
                text("owner", "Owner, for easements."),
            ),
            True,
            "Lots. Ground outside every lot counts as right-of-way.",
        ),
        InputLayer(
            "addresses",
            "address_id",
            "point",
            (
                identifier("address_id", "Stable name of the address."),
                text("label", "Street address, for people."),
                count("ports_needed", "Ports this address takes.", default=1, minimum=1),
                text("locked_terminal_id", "Only this terminal may serve the address."),
                text("forbidden_terminal_ids", "Terminals that may not serve it, split by ';'."),
            ),
            True,
            "New service addresses.",
        ),
        InputLayer(
            "poles",
            "pole_id",
            "point",
            (
                identifier("pole_id", "Stable name of the pole."),
                length("height_m", "Height of the pole's top above ground."),
                length("strand_height_m", "Height of the strand's attachment above ground."),
                length("power_height_m", "Lowest power attachment above ground on this pole."),
                number("ground_m", "Elevation of the ground at the pole.", quantity="length"),
                count("ports_total", "Ports of the terminal here; 0 or empty: no terminal."),
                count("ports_in_use", "Ports already in use.", default=0),
                count("ports_reserved", "Ports kept for growth.", default=0),
                text("condition", "'good', 'poor' or empty."),
            ),
            True,
            "Poles, with the terminals that hang on them.",
        ),
        InputLayer(
            "roads",
            "road_id",
            "line",
            (
                identifier("road_id", "Stable name of the road."),
                _LABEL,
                text("road_class", "Class, one of the keys of [costs.street_crossing]."),
                length("width_m", "Width of the carriageway."),
                Column("speed_m_per_s", "float", "Speed limit.", quantity="speed", minimum=0.0),
                count("vehicles_per_day", "Traffic, both ways."),
                text("jurisdiction", "Who grants the permit."),
            ),
            True,
            "Road centre-lines.",
        ),
        InputLayer(
            "buildings",
            "building_id",
            "polygon",
            (
                identifier("building_id", "Stable name of the building."),
                length("eave_height_m", "Height of the eaves above ground."),
                length("height_m", "Height of the ridge or roof top above ground."),
                number("ground_m", "Elevation of the ground at the building.", quantity="length"),
                Column(
                    "roof_slope_deg",
                    "float",
                    "Slope of the roof.",
                    quantity="angle",
                    minimum=0.0,
                    maximum=90.0,
                ),
            ),
            False,
            "Outlines of buildings.",
            "attachments fall back to the address point; roofs crossed are not checked",
        ),
        InputLayer(
            "strands",
            "strand_id",
            "line",
            (
                identifier("strand_id", "Stable name of the strand."),
                length("height_m", "Lowest height above ground in the span."),
                text("size", "Strand size, a key of the strand catalogue."),
                text("condition", "'good', 'poor' or empty."),
            ),
            False,
            "Strand between poles; a line over several poles is cut at each.",
            "no span clamps and no routes by way of another pole unless strands are inferred",
        ),
        InputLayer(
            "power",
            "power_id",
            "line",
            (
                identifier("power_id", "Stable name of the power line."),
                text("power_kind", "'supply_line', 'supply_drop' or 'neutral'."),
                Column(
                    "voltage_v",
                    "float",
                    "Voltage between phases.",
                    quantity="voltage",
                    minimum=0.0,
                ),
                length("height_m", "Lowest height above ground in the span."),
            ),
            False,
            "Power lines and services.",
            "crossings with and closeness to power are not checked",
        ),
        InputLayer(
            "trees",
            "tree_id",
            "point",
            (
                identifier("tree_id", "Stable name of the tree."),
                length("crown_radius_m", "Radius of the crown."),
                length("height_m", "Height of the tree."),
            ),
            False,
            "Trees: stems, or crowns as polygons.",
            "crowns in the way are not checked",
        ),
        InputLayer(
            "rail",
            "rail_id",
            "line",
            (
                identifier("rail_id", "Stable name of the track."),
                _LABEL,
                length("width_m", "Width to keep clear, both sides together."),
            ),
            False,
            "Railway tracks.",
            "rail crossings are not checked",
        ),
        InputLayer(
            "water",
            "water_id",
            "line_or_polygon",
            (
                identifier("water_id", "Stable name of the water."),
                _LABEL,
                length("width_m", "Width, where the water is a line."),
            ),
            False,
            "Rivers, canals, ponds.",
            "water crossings are not checked",
        ),
        InputLayer(
            "sidewalks",
            "sidewalk_id",
            "line_or_polygon",
            (
                identifier("sidewalk_id", "Stable name of the walk."),
                length("width_m", "Width, where the walk is a line."),
            ),
            False,
            "Sidewalks.",
            "sidewalks crossed are not checked",
        ),
        InputLayer(
            "driveways",
            "driveway_id",
            "line_or_polygon",
            (
                identifier("driveway_id", "Stable name of the driveway."),
                length("width_m", "Width, where the driveway is a line."),
            ),
            False,
            "Driveways.",
            "driveways crossed are not checked",
        ),
        InputLayer(
            "pools",
            "pool_id",
            "polygon",
            (identifier("pool_id", "Stable name of the pool."),),
            False,
            "Swimming pools.",
            "pools crossed or near are not checked",
        ),
        InputLayer(
            "existing_drops",
            "drop_id",
            "line",
            (
                identifier("drop_id", "Stable name of the drop."),
                text("terminal_id", "Terminal that feeds it."),
                length("height_m", "Lowest height above ground."),
            ),
            False,
            "Drops that hang already.",
            "crossings with existing drops are not checked",
        ),
    )
}
"""Vector layers a user may bring. The terrain raster is declared by `TERRAIN_ABSENCE`."""

TERRAIN_ABSENCE = "level ground assumed: check on site"

_PLACE = (
    number("at_m", "Distance from the pole or clamp along the air span.", quantity="length"),
    number("start_m", "Where it begins, same measure.", quantity="length"),
    number("end_m", "Where it ends, same measure.", quantity="length"),
)

_HANGING = (
    length("hook_height_m", "Height of hook or clamp above ground, settled."),
    length("attachment_height_m", "Height of the premises attachment above ground."),
    flag("hook_is_raised", "Higher than the usual place on the pole."),
    flag("attachment_is_raised", "Higher than the usual place at the house."),
    identifier("pole_power_basis", "Power on the pole: computed, not_checked, or none there."),
    identifier("height_basis", "measured, or default where any height stands in."),
    identifier("ground_basis", "measured, or default: level ground assumed."),
    sag("stringing_sag_m", "Sag to leave at the stringing temperature, ladder gone.", minimum=0.0),
    temperature("stringing_temperature_c", "Stringing temperature, degrees Celsius."),
    force("stringing_tension_n", "Greatest tension then, N."),
    length("wire_arc_m", "Length of the hanging wire then."),
    sag("sag_worst_m", "Greatest sag of all clearance cases.", minimum=0.0),
    identifier("sag_worst_case", "Its load case."),
    force(
        "tension_worst_n",
        "Tension in the tension case that comes nearest to its own limit, N. It and its limit hold "
        "for that case only: the table stringing may tell of more on a colder day.",
    ),
    force("tension_limit_n", "Limit of tension in that case, N."),
    identifier("tension_case", "That case: tension_loaded, or tension_unloaded."),
    temperature("tension_case_c", "Temperature of that case, degrees Celsius."),
    identifier("tension_case_load", "Its load in words: no load, or ice, wind and constant."),
    sag(
        "swing_worst_m",
        "Greatest sideways swing under the wind of the tension cases.",
        minimum=0.0,
    ),
    sag("margin_m", "Least of available less required clearance."),
    number("margin_required_m", "Required there.", quantity="length"),
    number("margin_available_m", "Available there.", quantity="length"),
    number("margin_at_m", "Where along the air span.", quantity="length"),
    identifier("margin_case", "Load case that governs."),
    identifier("margin_over", "What lies there: a crossing's kind and id, or the yard."),
    text("margin_rule", "Rule that governs."),
    sag(
        "ladder_sag_m",
        "Span clamp: sag to set with the ladder on the strand; more than the sag after where the "
        "ladder stands away from the house (street crossings), else less.",
        minimum=0.0,
    ),
    force("ladder_tension_n", "Span clamp: greatest tension of the drop with the ladder on, N."),
    sag(
        "ladder_shift_m",
        "Span clamp: its shift with the ladder from its place on the strand without drops, "
        "positive toward the house.",
    ),
    sag(
        "clamp_shift_m",
        "Span clamp: the same with the ladder gone. Where it is less than the shift with the "
        "ladder, the clamp goes away from the house when the ladder goes (street crossings).",
    ),
    sag("clamp_sink_m", "Span clamp: how far it sinks then."),
    force("strand_tension_n", "Span clamp: strand tension with the ladder, N."),
    text("strand_ladder", "Span clamp: allowed, or why no ladder may lean on the strand."),
)

_ROUTE_COLUMNS = (
    identifier("address_id", "Address."),
    identifier("terminal_id", "Terminal: the id of its pole."),
    identifier("route_kind", "direct, span_clamp, other_pole or other_pole_span_clamp."),
    flag("is_street_crossing", "Whether the air span crosses a road's centre-line."),
    identifier(
        "access_pole_id", "Pole the air span leaves from, or by which its clamp is reached."
    ),
    text("strand_span_id", "Strand span the clamp sits on."),
    number("clamp_at_m", "Distance of the clamp from the access pole.", quantity="length"),
    length("air_span_m", "Horizontal length of the air span."),
    length("strand_run_m", "Length along the strand from terminal to access point."),
    length("route_m", "Air span and strand run together."),
    count("spans_passed", "Strand spans the drop runs along before its own."),
    identifier("attachment_basis", "wall_face, wall_corner or address_point."),
    text("building_id", "Building attached to."),
    number("wall_angle_deg", "Angle between air span and wall; 90 is square.", quantity="angle"),
    number("cost", "Price of the route by [costs]."),
)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            "drops",
            ("address_id",),
            (
                *_ROUTE_COLUMNS,
                text("label", "Street address, for people."),
                count("ports_needed", "Ports taken."),
                count("reserve_ports_used", "Of these, ports from the reserve."),
                flag("is_locked", "Whether the user locked the terminal."),
                text("strand_basis", "measured or inferred strand; empty: none used."),
                text("parcel_id", "Lot of the address."),
                *_HANGING,
                text("clearance_note", "A cheaper route that only clearance rules out."),
                text("flags", "Codes of its hazards, split by ';'."),
                text("runner_up", "Next best route, in words."),
                number("runner_up_extra_cost", "What the next best route would cost more."),
            ),
            "line",
            "plan",
            "One planned drop per served address; geometry is the whole route.",
        ),
        Table(
            "air_spans",
            ("address_id",),
            (
                identifier("address_id", "Address."),
                identifier("terminal_id", "Terminal."),
                identifier("route_kind", "As in drops."),
                length("air_span_m", "Horizontal length."),
                number("start_z_m", "Elevation of the start, where known.", quantity="length"),
                number("end_z_m", "Elevation of the end, where known.", quantity="length"),
                identifier("height_basis", "measured, default or not_checked."),
            ),
            "line",
            "plan",
            "The part of each drop that hangs free, in 3D where heights are known.",
        ),
        Table(
            "crossings",
            ("address_id", "crossing_kind", "feature_id", "start_m"),
            (
                identifier("address_id", "Address."),
                identifier("terminal_id", "Terminal."),
                identifier("crossing_kind", "What is crossed or nearly met."),
                identifier("feature_id", "Its id in its layer."),
                text("feature_name", "Its name, where it has one."),
                text("feature_class", "Road class, kind of power."),
                flag("is_near_miss", "Near, but not crossed."),
                *_PLACE,
                length("distance_m", "Distance in plan; 0 where crossed."),
                number("angle_deg", "Angle of the crossing; 90 is square.", quantity="angle"),
                length("width_m", "Carriageway width of a road."),
                text("jurisdiction", "Who grants the permit, where known."),
                number("required_m", "Clearance or separation required.", quantity="length"),
                number("available_m", "Clearance or separation there is.", quantity="length"),
                sag("margin_m", "Available less required."),
                text("margin_case", "Load case that governs."),
                text("rule", "Rule behind it, with its document and how it was read."),
                identifier("clearance_basis", "computed, not_checked, or none: nothing to clear."),
                text("clearance_note", "Why it was not checked, or what was assumed."),
            ),
            "point",
            "plan",
            "All that planned air spans cross or come near.",
        ),
        Table(
            "hazards",
            ("address_id", "code", "feature_id", "at_m"),
            (
                identifier("address_id", "Address."),
                identifier("terminal_id", "Terminal."),
                identifier("code", "Stable word for the kind of flag."),
                identifier("severity", "note, warning or error."),
                text("feature_id", "What causes it."),
                number("at_m", "Where along the air span.", quantity="length"),
                number("amount", "How much, in SI or degrees or as a count."),
                text("setting", "Setting or rule behind it."),
                text("what", "What is the matter, with figures."),
                text("remedy", "What to do about it."),
            ),
            "point",
            "plan",
            "Flags of the planned drops, each with place, amount, rule and remedy.",
        ),
        Table(
            "unserved",
            ("address_id",),
            (
                identifier("address_id", "Address."),
                text("label", "Street address, for people."),
                identifier("code", "Stable word for the main reason."),
                text("reasons", "All reasons, with figures."),
                text("remedy", "Nearest remedy, with figures."),
                text("nearest_terminal_id", "Nearest terminal."),
                length("nearest_terminal_m", "Distance to it."),
                length("excess_m", "Metres over the limit of the least over-long route."),
                sag(
                    "clearance_miss_m",
                    "How far its nearest route falls short of clearance.",
                    minimum=0.0,
                ),
                text("new_terminal_pole_id", "Pole where a new terminal would serve it."),
                number("cost_if_port_added", "Price of its route if one more port were there."),
            ),
            "point",
            "choice",
            "Addresses without an aerial route, with reasons and nearest remedy.",
        ),
        Table(
            "terminals",
            ("terminal_id",),
            (
                identifier("terminal_id", "Terminal: the id of its pole."),
                count("ports_total", "Ports."),
                count("ports_in_use", "In use before the plan."),
                count("ports_reserved", "Kept for growth."),
                count("ports_planned", "Taken by planned drops."),
                count("ports_free", "Left, reserve not counted."),
                count("reserve_ports_used", "Reserve taken by planned drops."),
                number("fill", "Share of ports in use after the plan, 0 to 1."),
                count("port_value_addresses", "Addresses one more port would bring in."),
                number("port_value_cost", "What one more port would save; negative: spend."),
                text("port_value_basis", "Where the value of a port comes from."),
            ),
            "point",
            "choice",
            "Terminals with their fill and the value of one more port.",
        ),
        Table(
            "alternatives",
            ("address_id", "rank"),
            (
                identifier("address_id", "Address."),
                count("rank", "1 is the cheapest route not taken."),
                *_ROUTE_COLUMNS[1:],
                number("extra_cost", "Price less that of the route taken."),
                text("why_not", "Why it lost."),
            ),
            "line",
            "choice",
            "Runner-up routes of each address.",
        ),
        Table(
            "stringing",
            ("address_id", "temperature_c"),
            (
                identifier("address_id", "Address."),
                temperature("temperature_c", "Temperature, degrees Celsius."),
                sag(
                    "sag_m",
                    "Sag to leave at it, ladder gone, all drops up; empty where the wire would "
                    "pass its greatest limit of tension: not to be strung then.",
                    minimum=0.0,
                ),
                force("tension_n", "Greatest tension then, N; no ice, no wind."),
                sag(
                    "ladder_sag_m",
                    "Span clamp: sag to set at it with the ladder on the strand.",
                    minimum=0.0,
                ),
                force("ladder_tension_n", "Span clamp: greatest tension then, N."),
                number(
                    "height_there_m",
                    "Height of the wire above what lies below at the place of the least margin "
                    "(margin_at_m in drops), at it, ladder gone; empty: no margin worked out.",
                    quantity="length",
                ),
            ),
            "none",
            "plan",
            "Sag and tension of each drop against temperature.",
        ),
        Table(
            "set_aside",
            ("layer", "row_id", "code"),
            (
                identifier("layer", "Layer."),
                identifier("row_id", "Id of the row, or its number in the file."),
                identifier("code", "Stable word for the reason."),
                text("reason", "What is wrong."),
                text("remedy", "How to mend it."),
                text("geometry_wkt", "Its geometry as it came, as WKT, where it had one."),
            ),
            "none",
            "layers",
            "Rows that could not be used.",
        ),
        Table(
            "findings",
            ("layer", "row_id", "code"),
            (
                identifier("layer", "Layer."),
                identifier("row_id", "Id of the row; empty: the layer as a whole."),
                identifier("code", "Stable word for the finding."),
                identifier("severity", "note, warning or error."),
                text("reason", "What was found."),
                text("remedy", "What to do about it."),
            ),
            "none",
            "layers",
            "What the checks found.",
        ),
        *WORK_TABLES,
    )
}
"""Tables of a plan; those of `WORK_TABLES` only where the work was worked out too."""


def schema(table: Table, *, strict: bool = True) -> pa.DataFrameSchema:
    """Build the pandera schema of a declared table.

    Parameters
    ----------
    table : Table
        An entry of `TABLES`.
    strict : bool
        Whether other columns (but geometry) are an error.

    Returns
    -------
    pandera.pandas.DataFrameSchema
        Checks names, dtypes, nulls, bounds and the uniqueness of the key.
    """
    import pandera.pandas as pa  # slow to load; only tests and the checks need it

    dtypes = {"text": "str", "float": "float64", "int": "int64", "bool": "bool"}
    columns = {}
    for column in table.columns:
        checks = []
        if column.minimum is not None:
            checks.append(pa.Check.ge(column.minimum))
        if column.maximum is not None:
            checks.append(pa.Check.le(column.maximum))
        columns[column.name] = pa.Column(
            dtypes[column.kind], checks, nullable=column.nullable and column.kind != "bool"
        )
    if table.geometry != "none":
        columns["geometry"] = pa.Column(None, nullable=False)
    return pa.DataFrameSchema(
        columns, strict=strict, unique=list(table.key), name=table.name, coerce=False
    )
