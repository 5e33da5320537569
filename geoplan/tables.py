"""Every table of geoplan, declared once: columns, types, units, bounds, meaning, author.

Enters: nothing.
Leaves: `LAYERS` (what a user brings), `TABLES` (what a plan holds), `schema` to validate them.
Does not do: read or write files; hold data.

Validation, the reference of columns, the headers of outputs and the tests all read these
declarations, so a column exists in one place only.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import pandera.pandas as pa

DataKind = Literal["text", "float", "int", "bool"]
GeometryKind = Literal["point", "line", "polygon", "line_or_polygon", "raster"]

UNIT_SUFFIX = {
    "length": "_m",
    "sag": "_m",
    "force": "_n",
    "temperature": "_c",
    "speed": "_m_per_s",
    "voltage": "_v",
    "angle": "_deg",
}
"""How the names of columns in SI end, by quantity. A sag is a length that reports show finely."""


class RouteKind(StrEnum):
    """How a drop gets from its terminal to the premises."""

    DIRECT = "direct"
    SPAN_CLAMP = "span_clamp"
    OTHER_POLE = "other_pole"
    OTHER_POLE_SPAN_CLAMP = "other_pole_span_clamp"


class CrossingKind(StrEnum):
    """What an air span meets on its way."""

    ROAD = "road"
    RAIL = "rail"
    WATER = "water"
    POWER = "power"
    TREE = "tree"
    ROOF = "roof"
    DRIVEWAY = "driveway"
    SIDEWALK = "sidewalk"
    POOL = "pool"
    LOT = "lot"
    EXISTING_DROP = "existing_drop"
    PLANNED_DROP = "planned_drop"


class Severity(StrEnum):
    """How grave a finding or hazard is."""

    NOTE = "note"
    WARNING = "warning"
    ERROR = "error"


class Basis(StrEnum):
    """Where a figure comes from."""

    MEASURED = "measured"
    DEFAULT = "default"
    INFERRED = "inferred"
    NOT_CHECKED = "not_checked"


@dataclass(frozen=True)
class Column:
    """One column: its name carries the unit."""

    name: str
    kind: DataKind
    meaning: str
    quantity: str | None = None
    required: bool = False
    default: float | int | str | None = None
    minimum: float | None = None
    maximum: float | None = None
    nullable: bool = True

    @property
    def key(self) -> str:
        """Name without the unit, as used in the project file's mapping."""
        suffix = UNIT_SUFFIX.get(self.quantity or "", "")
        return self.name.removesuffix(suffix) if suffix else self.name


@dataclass(frozen=True)
class InputLayer:
    """One layer that a user may bring."""

    name: str
    id_column: str
    geometry: GeometryKind
    columns: tuple[Column, ...]
    required: bool
    meaning: str
    absence: str = ""

    def column(self, name: str) -> Column:
        """Return the declaration of one column by its full name or its key."""
        for column in self.columns:
            if name in (column.name, column.key):
                return column
        raise KeyError(name)


@dataclass(frozen=True)
class Table:
    """One table that geoplan writes."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    geometry: Literal["point", "line", "polygon", "none"]
    author: str
    meaning: str

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names in their order of output, geometry not among them."""
        return tuple(column.name for column in self.columns)


def _text(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "text", meaning, **more)


def _length(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "float", meaning, quantity="length", **{"minimum": 0.0, **more})


def _sag(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "float", meaning, quantity="sag", **more)


def _force(name: str, meaning: str) -> Column:
    return Column(name, "float", meaning, quantity="force", minimum=0.0)


def _temperature(name: str, meaning: str) -> Column:
    return Column(name, "float", meaning, quantity="temperature")


def _number(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "float", meaning, **more)


def _count(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "int", meaning, **{"minimum": 0, **more})


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "bool", meaning, nullable=False)


def _id(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning, nullable=False)


_LABEL = _text("name", "Name for people; may be absent.")

LAYERS: dict[str, InputLayer] = {
    layer.name: layer
    for layer in (
        InputLayer(
            "parcels",
            "parcel_id",
            "polygon",
            (_id("parcel_id", "Stable name of the lot."), _text("owner", "Owner, for easements.")),
            True,
            "Lots. Ground outside every lot counts as right-of-way.",
        ),
        InputLayer(
            "addresses",
            "address_id",
            "point",
            (
                _id("address_id", "Stable name of the address."),
                _text("label", "Street address, for people."),
                _count("ports_needed", "Ports this address takes.", default=1, minimum=1),
                _text("locked_terminal_id", "Only this terminal may serve the address."),
                _text("forbidden_terminal_ids", "Terminals that may not serve it, split by ';'."),
            ),
            True,
            "New service addresses.",
        ),
        InputLayer(
            "poles",
            "pole_id",
            "point",
            (
                _id("pole_id", "Stable name of the pole."),
                _length("height_m", "Height of the pole's top above ground."),
                _length("strand_height_m", "Height of the strand's attachment above ground."),
                _length("power_height_m", "Lowest power attachment above ground on this pole."),
                _number("ground_m", "Elevation of the ground at the pole.", quantity="length"),
                _count("ports_total", "Ports of the terminal here; 0 or empty: no terminal."),
                _count("ports_in_use", "Ports already in use.", default=0),
                _count("ports_reserved", "Ports kept for growth.", default=0),
                _text("condition", "'good', 'poor' or empty."),
            ),
            True,
            "Poles, with the terminals that hang on them.",
        ),
        InputLayer(
            "roads",
            "road_id",
            "line",
            (
                _id("road_id", "Stable name of the road."),
                _LABEL,
                _text("road_class", "Class, one of the keys of [costs.street_crossing]."),
                _length("width_m", "Width of the carriageway."),
                Column("speed_m_per_s", "float", "Speed limit.", quantity="speed", minimum=0.0),
                _count("vehicles_per_day", "Traffic, both ways."),
                _text("jurisdiction", "Who grants the permit."),
            ),
            True,
            "Road centre-lines.",
        ),
        InputLayer(
            "buildings",
            "building_id",
            "polygon",
            (
                _id("building_id", "Stable name of the building."),
                _length("eave_height_m", "Height of the eaves above ground."),
                _length("height_m", "Height of the ridge or roof top above ground."),
                _number("ground_m", "Elevation of the ground at the building.", quantity="length"),
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
                _id("strand_id", "Stable name of the strand."),
                _length("height_m", "Lowest height above ground in the span."),
                _text("size", "Strand size, a key of the strand catalogue."),
                _text("condition", "'good', 'poor' or empty."),
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
                _id("power_id", "Stable name of the power line."),
                _text("power_kind", "'supply_line', 'supply_drop' or 'neutral'."),
                Column(
                    "voltage_v",
                    "float",
                    "Voltage between phases.",
                    quantity="voltage",
                    minimum=0.0,
                ),
                _length("height_m", "Lowest height above ground in the span."),
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
                _id("tree_id", "Stable name of the tree."),
                _length("crown_radius_m", "Radius of the crown."),
                _length("height_m", "Height of the tree."),
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
                _id("rail_id", "Stable name of the track."),
                _LABEL,
                _length("width_m", "Width to keep clear, both sides together."),
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
                _id("water_id", "Stable name of the water."),
                _LABEL,
                _length("width_m", "Width, where the water is a line."),
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
                _id("sidewalk_id", "Stable name of the walk."),
                _length("width_m", "Width, where the walk is a line."),
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
                _id("driveway_id", "Stable name of the driveway."),
                _length("width_m", "Width, where the driveway is a line."),
            ),
            False,
            "Driveways.",
            "driveways crossed are not checked",
        ),
        InputLayer(
            "pools",
            "pool_id",
            "polygon",
            (_id("pool_id", "Stable name of the pool."),),
            False,
            "Swimming pools.",
            "pools crossed or near are not checked",
        ),
        InputLayer(
            "existing_drops",
            "drop_id",
            "line",
            (
                _id("drop_id", "Stable name of the drop."),
                _text("terminal_id", "Terminal that feeds it."),
                _length("height_m", "Lowest height above ground."),
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
    _number("at_m", "Distance from the pole or clamp along the air span.", quantity="length"),
    _number("start_m", "Where it begins, same measure.", quantity="length"),
    _number("end_m", "Where it ends, same measure.", quantity="length"),
)

_HANGING = (
    _length("hook_height_m", "Height of hook or clamp above ground, settled."),
    _length("attachment_height_m", "Height of the premises attachment above ground."),
    _flag("hook_is_raised", "Higher than the usual place on the pole."),
    _flag("attachment_is_raised", "Higher than the usual place at the house."),
    _id("pole_power_basis", "Power on the pole: computed, not_checked, or none there."),
    _id("height_basis", "measured, or default where any height stands in."),
    _id("ground_basis", "measured, or default: level ground assumed."),
    _sag("stringing_sag_m", "Sag to leave at the stringing temperature, ladder gone.", minimum=0.0),
    _temperature("stringing_temperature_c", "Stringing temperature, degrees Celsius."),
    _force("stringing_tension_n", "Greatest tension then, N."),
    _length("wire_arc_m", "Length of the hanging wire then."),
    _sag("sag_worst_m", "Greatest sag of all clearance cases.", minimum=0.0),
    _id("sag_worst_case", "Its load case."),
    _force("tension_worst_n", "Greatest tension of all tension cases, N."),
    _force("tension_limit_n", "Its limit, N."),
    _id("tension_case", "Its load case."),
    _sag(
        "swing_worst_m",
        "Greatest sideways swing under the wind of the tension cases.",
        minimum=0.0,
    ),
    _sag("margin_m", "Least of available less required clearance."),
    _number("margin_required_m", "Required there.", quantity="length"),
    _number("margin_available_m", "Available there.", quantity="length"),
    _number("margin_at_m", "Where along the air span.", quantity="length"),
    _id("margin_case", "Load case that governs."),
    _id("margin_over", "What lies there: a crossing's kind and id, or the yard."),
    _text("margin_rule", "Rule that governs."),
    _sag("ladder_sag_m", "Span clamp: sag to set with the ladder on the strand.", minimum=0.0),
    _sag("ladder_shift_m", "Span clamp: its shift with the ladder, positive toward the house."),
    _sag("clamp_shift_m", "Span clamp: its shift with the ladder gone."),
    _sag("clamp_sink_m", "Span clamp: how far it sinks then."),
    _force("strand_tension_n", "Span clamp: strand tension with the ladder, N."),
    _text("strand_ladder", "Span clamp: allowed, or why no ladder may lean on the strand."),
)

_ROUTE_COLUMNS = (
    _id("address_id", "Address."),
    _id("terminal_id", "Terminal: the id of its pole."),
    _id("route_kind", "direct, span_clamp, other_pole or other_pole_span_clamp."),
    _flag("is_street_crossing", "Whether the air span crosses a road's centre-line."),
    _id("access_pole_id", "Pole the air span leaves from, or by which its clamp is reached."),
    _text("strand_span_id", "Strand span the clamp sits on."),
    _number("clamp_at_m", "Distance of the clamp from the access pole.", quantity="length"),
    _length("air_span_m", "Horizontal length of the air span."),
    _length("strand_run_m", "Length along the strand from terminal to access point."),
    _length("route_m", "Air span and strand run together."),
    _count("spans_passed", "Strand spans the drop runs along before its own."),
    _id("attachment_basis", "wall_face, wall_corner or address_point."),
    _text("building_id", "Building attached to."),
    _number("wall_angle_deg", "Angle between air span and wall; 90 is square.", quantity="angle"),
    _number("cost", "Price of the route by [costs]."),
)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            "drops",
            ("address_id",),
            (
                *_ROUTE_COLUMNS,
                _text("label", "Street address, for people."),
                _count("ports_needed", "Ports taken."),
                _count("reserve_ports_used", "Of these, ports from the reserve."),
                _flag("is_locked", "Whether the user locked the terminal."),
                _text("strand_basis", "measured or inferred strand; empty: none used."),
                _text("parcel_id", "Lot of the address."),
                *_HANGING,
                _text("clearance_note", "A cheaper route that only clearance rules out."),
                _text("flags", "Codes of its hazards, split by ';'."),
                _text("runner_up", "Next best route, in words."),
                _number("runner_up_extra_cost", "What the next best route would cost more."),
            ),
            "line",
            "plan",
            "One planned drop per served address; geometry is the whole route.",
        ),
        Table(
            "air_spans",
            ("address_id",),
            (
                _id("address_id", "Address."),
                _id("terminal_id", "Terminal."),
                _id("route_kind", "As in drops."),
                _length("air_span_m", "Horizontal length."),
                _number("start_z_m", "Elevation of the start, where known.", quantity="length"),
                _number("end_z_m", "Elevation of the end, where known.", quantity="length"),
                _id("height_basis", "measured, default or not_checked."),
            ),
            "line",
            "plan",
            "The part of each drop that hangs free, in 3D where heights are known.",
        ),
        Table(
            "crossings",
            ("address_id", "crossing_kind", "feature_id", "start_m"),
            (
                _id("address_id", "Address."),
                _id("terminal_id", "Terminal."),
                _id("crossing_kind", "What is crossed or nearly met."),
                _id("feature_id", "Its id in its layer."),
                _text("feature_name", "Its name, where it has one."),
                _text("feature_class", "Road class, kind of power."),
                _flag("is_near_miss", "Near, but not crossed."),
                *_PLACE,
                _length("distance_m", "Distance in plan; 0 where crossed."),
                _number("angle_deg", "Angle of the crossing; 90 is square.", quantity="angle"),
                _length("width_m", "Carriageway width of a road."),
                _text("jurisdiction", "Who grants the permit, where known."),
                _number("required_m", "Clearance or separation required.", quantity="length"),
                _number("available_m", "Clearance or separation there is.", quantity="length"),
                _sag("margin_m", "Available less required."),
                _text("margin_case", "Load case that governs."),
                _text("rule", "Rule behind it, with its document and how it was read."),
                _id("clearance_basis", "computed, not_checked, or none: nothing to clear."),
                _text("clearance_note", "Why it was not checked, or what was assumed."),
            ),
            "point",
            "plan",
            "All that planned air spans cross or come near.",
        ),
        Table(
            "hazards",
            ("address_id", "code", "feature_id", "at_m"),
            (
                _id("address_id", "Address."),
                _id("terminal_id", "Terminal."),
                _id("code", "Stable word for the kind of flag."),
                _id("severity", "note, warning or error."),
                _text("feature_id", "What causes it."),
                _number("at_m", "Where along the air span.", quantity="length"),
                _number("amount", "How much, in SI or degrees or as a count."),
                _text("setting", "Setting or rule behind it."),
                _text("what", "What is the matter, with figures."),
                _text("remedy", "What to do about it."),
            ),
            "point",
            "plan",
            "Flags of the planned drops, each with place, amount, rule and remedy.",
        ),
        Table(
            "unserved",
            ("address_id",),
            (
                _id("address_id", "Address."),
                _text("label", "Street address, for people."),
                _id("code", "Stable word for the main reason."),
                _text("reasons", "All reasons, with figures."),
                _text("remedy", "Nearest remedy, with figures."),
                _text("nearest_terminal_id", "Nearest terminal."),
                _length("nearest_terminal_m", "Distance to it."),
                _length("excess_m", "Metres over the limit of the least over-long route."),
                _sag(
                    "clearance_miss_m",
                    "How far its nearest route falls short of clearance.",
                    minimum=0.0,
                ),
                _text("new_terminal_pole_id", "Pole where a new terminal would serve it."),
                _number("cost_if_port_added", "Price of its route if one more port were there."),
            ),
            "point",
            "choice",
            "Addresses without an aerial route, with reasons and nearest remedy.",
        ),
        Table(
            "terminals",
            ("terminal_id",),
            (
                _id("terminal_id", "Terminal: the id of its pole."),
                _count("ports_total", "Ports."),
                _count("ports_in_use", "In use before the plan."),
                _count("ports_reserved", "Kept for growth."),
                _count("ports_planned", "Taken by planned drops."),
                _count("ports_free", "Left, reserve not counted."),
                _count("reserve_ports_used", "Reserve taken by planned drops."),
                _number("fill", "Share of ports in use after the plan, 0 to 1."),
                _count("port_value_addresses", "Addresses one more port would bring in."),
                _number("port_value_cost", "What one more port would save; negative: spend."),
                _text("port_value_basis", "Where the value of a port comes from."),
            ),
            "point",
            "choice",
            "Terminals with their fill and the value of one more port.",
        ),
        Table(
            "alternatives",
            ("address_id", "rank"),
            (
                _id("address_id", "Address."),
                _count("rank", "1 is the cheapest route not taken."),
                *_ROUTE_COLUMNS[1:],
                _number("extra_cost", "Price less that of the route taken."),
                _text("why_not", "Why it lost."),
            ),
            "line",
            "choice",
            "Runner-up routes of each address.",
        ),
        Table(
            "stringing",
            ("address_id", "temperature_c"),
            (
                _id("address_id", "Address."),
                _temperature("temperature_c", "Temperature, degrees Celsius."),
                _sag("sag_m", "Sag to leave at it, ladder gone.", minimum=0.0),
                _force("tension_n", "Greatest tension, N."),
            ),
            "none",
            "plan",
            "Sag and tension of each drop against temperature.",
        ),
        Table(
            "set_aside",
            ("layer", "row_id", "code"),
            (
                _id("layer", "Layer."),
                _id("row_id", "Id of the row, or its number in the file."),
                _id("code", "Stable word for the reason."),
                _text("reason", "What is wrong."),
                _text("remedy", "How to mend it."),
                _text("geometry_wkt", "Its geometry as it came, as WKT, where it had one."),
            ),
            "none",
            "layers",
            "Rows that could not be used.",
        ),
        Table(
            "findings",
            ("layer", "row_id", "code"),
            (
                _id("layer", "Layer."),
                _id("row_id", "Id of the row; empty: the layer as a whole."),
                _id("code", "Stable word for the finding."),
                _id("severity", "note, warning or error."),
                _text("reason", "What was found."),
                _text("remedy", "What to do about it."),
            ),
            "none",
            "layers",
            "What the checks found.",
        ),
    )
}
"""Tables of a plan."""


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
