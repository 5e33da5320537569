"""The tables that tell how planned drops are built: jobs, crossings, materials, reels, days.

Enters: nothing.
Leaves: `WORK_TABLES`.
Does not do: hold data.
"""

from __future__ import annotations

from geoplan.declaring import (
    Column,
    Table,
    count,
    duration,
    flag,
    identifier,
    length,
    number,
    sag,
    text,
    travel,
)

_SIGNS: tuple[Column, ...] = (
    length(
        "sign_1_m", "Nearest sign, from the start of the taper; without one, from the work space."
    ),
    length("sign_2_m", "From the nearest sign to the second one."),
    length("sign_3_m", "From the second sign to the farthest one."),
    length("taper_m", "Length of the taper, where a lane is closed."),
    length("buffer_m", "Free space between taper and work space; empty: beyond the rules' table."),
)

_ROAD_WORKS: tuple[Column, ...] = (
    identifier("traffic_class", "none, beside_road, short_stop, flaggers, lane_closure or owner."),
    text("traffic_reasons", "Why, with figures and the rule of the crew rules that says so."),
    *_SIGNS,
)

WORK_TABLES: tuple[Table, ...] = (
    Table(
        "jobs",
        ("address_id",),
        (
            identifier("address_id", "Address."),
            identifier("terminal_id", "Terminal."),
            text("label", "Street address, for people."),
            identifier(
                "job_kind", "same_side, span_clamp, street_crossing or street_crossing_span_clamp."
            ),
            text("road_id", "Road that the work is done from or over, where one is near."),
            count("first_port", "Port to use, if ports in use are numbered from 1: check."),
            count("last_port", "Last port, where the address needs several."),
            length("building_run_m", "Wire down and along the wall to the network interface."),
            length("air_arc_m", "Wire that hangs free, at stringing."),
            length("strand_wire_m", "Wire along the strand."),
            length("pole_run_m", "Wire from hook or strand to the terminal."),
            length("loops_m", "Drip loops and connections at both ends."),
            length("wire_m", "Wire in all."),
            identifier("supply", "bulk or pre_connectorised."),
            length("cut_length_m", "Length to cut, or stocked length to take."),
            length(
                "drawn_m",
                "Wire off the reel when it is cut, at least: the cut, or what is out before "
                "raising; null for a stocked length.",
            ),
            length("coil_m", "Surplus that is coiled up."),
            text("coil_at", "Where the surplus is coiled."),
            text(
                "cut_note",
                "Where no stocked length or reel is long enough: by how much, and what then.",
            ),
            length("ground_path_m", "Wire out before it is raised over a road, at least."),
            length("hand_line_m", "Hand line, at least: up to the hook and down."),
            length("hand_line_house_m", "Of it, the side to the house, over a street."),
            count("crew_size", "People: 1, 2 or more."),
            text("crew_reasons", "Why, with figures and the rule that says so."),
            *_ROAD_WORKS,
            identifier(
                "power_approach",
                "within, not_checked, close (kept while head and hands stay below hook and "
                "strand), clear, or none: no power is near enough to be asked about.",
            ),
            length("power_approach_m", "Approach distance that the rule asks for."),
            text("power_approach_note", "Rule, voltage it was taken for, or why not checked."),
            text(
                "power_lines",
                "All power near the place of work, the pole or the wire, 'id, kind, N V: keep X "
                "away', the greatest distance first, split by ';'.",
            ),
            text(
                "run_poles",
                "Poles along the strand run from the access pole to the terminal, both among "
                "them, split by ';'; empty: no wire along a strand.",
            ),
            text(
                "run_roads",
                "Roads whose carriageway the strand run crosses or hangs over, split by ';'.",
            ),
            text(
                "run_lanes",
                "Roads in whose lane the bucket truck for the strand run stands, split by ';'.",
            ),
            text(
                "run_truck",
                "Run by bucket: sides of the strand on which the truck stands and by which road, "
                "split by ';'.",
            ),
            text(
                "run_power",
                "Power that the strand run crosses or passes within the approach distance, or "
                "may: 'id, kind, volts', split by ';'.",
            ),
            text(
                "other_roads",
                "Roads besides that of the job within the distance that counts as beside a road, "
                "of a place of work, pole or strand run, split by ';'.",
            ),
            text(
                "poor_poles",
                "Access pole, poles passed, terminal and far pole recorded in poor condition, "
                "split by ';'.",
            ),
            text("unrated_poles", "Those without a recorded condition, split by ';'."),
            text(
                "far_pole_id",
                "Span clamp: the pole on which the clamp's strand span ends, not the access pole; "
                "a ladder on the strand loads both.",
            ),
            text(
                "span_drops",
                "Other planned drops with a clamp on the same strand span: addresses, split by "
                "';'.",
            ),
            text(
                "span_drops_over",
                "Those of them that hang over a road: a ladder on the span brings them down; split "
                "by ';'.",
            ),
            text(
                "span_drops_busy",
                "Those of them over a road too busy for a short stop; split by ';'.",
            ),
            text(
                "span_drops_first",
                "Drop that hangs over a road from a strand span: others whose ladder goes on that "
                "span, at their clamp or along their run, to be hung before; split by ';'. At a "
                "clamp on the same span only where the road is too busy for a short stop and not "
                "held by the other's own flaggers.",
            ),
            text("span_drops_later", "The same from the other side: to be hung after this drop."),
            text(
                "run_drops_over",
                "Other planned drops over roads from strand spans that the ladder of the run "
                "passes: 'poles: addresses over road', split by ';'.",
            ),
            text(
                "span_drops_turned",
                "Of span_drops_later those that the crew days hang before this drop all the same, "
                "of span_drops_first those they hang after it; split by ';'. Flaggers are counted "
                "for whichever comes later.",
            ),
            flag(
                "is_run_bucket",
                "Whether some of the strand run can't be worked from a ladder.",
            ),
            text("run_reach_note", "Why: span by span, split by ';'."),
            text(
                "run_traffic_class",
                "Traffic control for the strand run over a carriageway, or with its truck in a "
                "lane, as in traffic_class; empty: neither.",
            ),
            *(length(f"run_{column.name}", f"For the run: {column.meaning}") for column in _SIGNS),
            count(
                "flaggers",
                "Flaggers besides the crew, for air span or strand run, whichever takes more: "
                "those of each road that is held, and one for each approach of side roads within "
                "stopping distance and taper, and for a drop hung after one in "
                "span_drops_later those below that one.",
            ),
            count(
                "flaggers_below",
                "Flaggers that hold the roads below the air span while the ladder of another drop "
                "brings it down.",
            ),
            text(
                "last_ladder",
                "Where the ladder stands at the terminal of a strand run: side of the pole, how "
                "far the nearest carriageway is where it is near, lines to the left and right, "
                "split by ';'; or that no ground was found.",
            ),
            text("run_trees", "Trees whose crown the strand run passes through, split by ';'."),
            text(
                "run_lots",
                "Lots that the strand run passes over, or on which its ladder or truck stands, but "
                "for the address's own: id and street address, split by ';'.",
            ),
            text(
                "run_lots_sides",
                "Lots along parts of the run where a ladder may stand on either side, but for "
                "those of run_lots: side of the strand, id and street address, split by ';'; "
                "leave on one side is enough.",
            ),
            text(
                "run_walks",
                "Walks and driveways along the strand run, over which it is worked: 'walk id' or "
                "'driveway id', split by ';'.",
            ),
            text(
                "drives_beside",
                "Driveways along whose edge the air span runs, judged as yard: how far aside, "
                "where, and the height asked over them, split by ';'.",
            ),
            text(
                "strands_met",
                "Strands of other spans that the air span crosses: poles and how far out, split by "
                "';'; heights are not compared.",
            ),
            text(
                "crossed_later",
                "Planned drops that the air span crosses and that hang after it by the crew days: "
                "addresses, split by ';'.",
            ),
            number(
                "strand_angle_deg",
                "Span clamp: angle between wire and strand in plan, 90 is square.",
                quantity="angle",
            ),
            text(
                "near_rail",
                "Tracks near which somebody stands or the wire runs along the strand, with how "
                "near, split by ';'.",
            ),
            text(
                "power_tight",
                "Power to be measured before the work, with what was worked out and asked for, "
                "split by ';'.",
            ),
            text(
                "power_beside",
                "Power that the wire passes by little more than asked for, by id, split by ';'.",
            ),
            text(
                "power_in_reach",
                "Power that is kept clear of only while nobody reaches out, by id, split by ';'.",
            ),
            text(
                "power_around",
                "Power lines drawn near, beyond the measured reach: 'id, distance from what', the "
                "nearest first, with the distance to keep after a colon where it is near, split by "
                "';'.",
            ),
            text(
                "power_places",
                "Power over or close to a place of work: 'place: id', place ladder, reel, bucket, "
                "hook, hook_over, wire, run, passed, terminal, terminal_over, terminal_ladder, "
                "house_ladder, wall, house or house_run, with distance or place where it is told; "
                "'short: id' where a distance is not kept or not known; split by ';'.",
            ),
            flag(
                "is_over_street",
                "Whether the air span crosses a street, or hangs over the whole width of a "
                "carriageway without crossing its centre-line.",
            ),
            flag("is_bucket_job", "Whether the clamp has to be reached from a bucket."),
            flag("is_owner_permit_needed", "Whether a railway, highway or water owner must agree."),
            duration(
                "work_s",
                "Time on site by the settings, for the whole crew; set-up of traffic control for "
                "the strand run is in it.",
            ),
            text("crew_day_id", "Crew day it is on; empty: not scheduled."),
        ),
        "point",
        "work",
        "What the installer of each drop needs; geometry is the premises attachment.",
    ),
    Table(
        "work_places",
        ("address_id", "place"),
        (
            identifier("address_id", "Address."),
            identifier("place", "ladder, reel, bucket or house_ladder."),
            text("note", "How to stand there."),
        ),
        "point",
        "work",
        "Where ladder, reel and bucket go for each drop.",
    ),
    Table(
        "crossing_audit",
        ("address_id", "crossing_kind", "feature_id", "at_m"),
        (
            identifier("address_id", "Address."),
            identifier("crossing_kind", "road, rail or water."),
            identifier("feature_id", "Road, track or water crossed."),
            number(
                "at_m", "Distance from the pole or clamp along the air span.", quantity="length"
            ),
            identifier("terminal_id", "Terminal."),
            text("feature_name", "Its name, where it has one."),
            text("feature_class", "Road class."),
            text("jurisdiction", "Who grants the permit, where known."),
            text("permit_owner", "Who has to agree, by jurisdiction or kind."),
            travel("along_m", "Place along the road or track from the start of its line."),
            number("angle_deg", "Angle of the crossing; 90 is square.", quantity="angle"),
            length("width_m", "Carriageway width of a road."),
            number("required_m", "Clearance required.", quantity="length"),
            number("available_m", "Clearance there is.", quantity="length"),
            sag("margin_m", "Available less required."),
            identifier("clearance_basis", "computed, not_checked, or none: nothing to clear."),
            *_ROAD_WORKS,
            text("other_terminal_id", "Best route over no road, rail or water: its terminal."),
            text("other_route_kind", "Its kind."),
            length("other_air_span_m", "Its air span."),
            number("other_extra_cost", "What it costs more."),
            text("other_note", "What it needs, or why there is none."),
        ),
        "point",
        "work",
        "Crossings of roads, rail and water, with what avoiding them would cost.",
    ),
    Table(
        "drop_materials",
        ("address_id", "item"),
        (
            identifier("address_id", "Address."),
            identifier("item", "Item of the catalogue."),
            text("title", "Its name."),
            number("quantity", "How many, or how long in the item's unit.", minimum=0.0),
            identifier("unit", "each, m, or the catalogue's own."),
        ),
        "none",
        "work",
        "Materials by drop.",
    ),
    Table(
        "day_materials",
        ("crew_day_id", "item"),
        (
            identifier("crew_day_id", "Crew day."),
            identifier("item", "Item of the catalogue."),
            text("title", "Its name."),
            number("quantity", "How many, or how long in the item's unit.", minimum=0.0),
            identifier("unit", "each, m, or the catalogue's own."),
        ),
        "none",
        "work",
        "Materials by crew day.",
    ),
    Table(
        "materials",
        ("item",),
        (
            identifier("item", "Item of the catalogue."),
            text("title", "Its name."),
            number("quantity", "Needed by the plan.", minimum=0.0),
            identifier("unit", "each, m, or the catalogue's own."),
            number("order_quantity", "To order: with spares, rounded up to packs.", minimum=0.0),
            number("unit_cost", "Price of one, where the catalogue has it.", minimum=0.0),
            number("total_cost", "Price of what is ordered."),
        ),
        "none",
        "work",
        "Bill of materials of the whole plan.",
    ),
    Table(
        "reels",
        ("reel_id",),
        (
            identifier("reel_id", "Reel, numbered in the order of work."),
            text("wire", "Wire on it."),
            length("length_m", "Wire on the full reel."),
            count("cuts", "Drops cut from it."),
            length("used_m", "Wire cut from it."),
            length("left_m", "Wire left on it at the end."),
        ),
        "none",
        "work",
        "Reels of bulk wire and what is left on each.",
    ),
    Table(
        "reel_cuts",
        ("reel_id", "cut"),
        (
            identifier("reel_id", "Reel it is cut from."),
            count("cut", "Order of the cuts from this reel.", minimum=1),
            identifier("address_id", "Address."),
            length("from_m", "Wire used before this cut."),
            length("to_m", "Wire used after it."),
            text("crew_day_id", "Crew day of the drop."),
        ),
        "none",
        "work",
        "Which drop is cut from which reel, in the order of work.",
    ),
    Table(
        "crew_days",
        ("crew_day_id",),
        (
            identifier("crew_day_id", "Crew day, numbered."),
            count("crew_size", "People in the crew.", minimum=1),
            count("flaggers", "Flaggers besides the crew: the most that a drop of the day takes."),
            count("drops", "Drops built."),
            duration("work_s", "Work at the drops."),
            duration("setup_s", "Setting up traffic control."),
            duration("drive_s", "Driving."),
            duration("total_s", "All together."),
            travel("drive_m", "Way driven, straight lines lengthened by the detour."),
            duration("return_s", "Of the driving: from the last stop to the depot."),
            flag("is_over_length", "Whether a single drop takes longer than a day has."),
            text("setup_roads", "Roads with traffic control that day, split by ';'."),
        ),
        "none",
        "work",
        "Days of work, each for one crew.",
    ),
    Table(
        "crew_stops",
        ("crew_day_id", "stop"),
        (
            identifier("crew_day_id", "Crew day."),
            count("stop", "Order of the stops.", minimum=1),
            identifier("address_id", "Address."),
            duration("arrive_s", "Arrival, from the start of the day."),
            duration("setup_s", "Setting up traffic control here."),
            duration("work_s", "Work at the drop."),
            duration("drive_s", "Driving to it."),
            travel("drive_m", "Way driven to it."),
            text("setup_road_id", "Road whose traffic control is set up here."),
        ),
        "point",
        "work",
        "Stops of each crew day in their order.",
    ),
)
"""Tables of the work; a plan holds them once `geoplan.office` has worked them out."""
