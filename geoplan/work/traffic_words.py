"""What is said of traffic control: limits kept or not, with figures and the rule behind them.

Enters: roads as crew rules see them, rows of roads and drops.
Leaves: columns of text.
Does not do: decide anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.rules.crew_reader import ROAD_CLASSES, CrewRules
from geoplan.rules.figures import Figure, Status
from geoplan.text_columns import joined, numbers, texts, worded
from geoplan.units import ReportUnits, say
from geoplan.work.clauses import chained, in_words, per_row
from geoplan.work.road_works import (
    BESIDE,
    CLOSURE,
    FLAGGERS,
    MPH,
    OWNER,
    SPEED_SLACK_M_PER_S,
    STOP,
    Roads,
    sign_spacing,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def described(road: IntArray, roads: Roads, units: ReportUnits) -> Any:
    """Name roads with class, speed limit and traffic."""
    taken = (", ", " assumed, ")
    return joined(
        roads.name.take(road),
        ", ",
        roads.class_word.take(road),
        ", ",
        in_words(roads.speed_m_per_s[road], "speed", units),
        worded(roads.speed_is_assumed[road], taken),
        numbers(roads.vehicles[road], 0),
        worded(roads.vehicles_are_assumed[road], (" vehicles a day", " vehicles a day assumed")),
    )


def _limits(way: str, rules: CrewRules, units: ReportUnits) -> list[str]:
    """Write the limits of a way over roads by class."""
    fast, many = (rules.by_class(f"crossing.{way}", name) for name in ("speed", "vehicles"))
    return [
        f"no {road_class} road may be crossed that way"
        if np.isnan(speed)
        else f"{say(speed, 'speed', units)}, {count:.0f} a day; "
        f"{rules.require(f'crossing.{way}.{road_class}.speed').status.label}"
        for road_class, speed, count in zip(ROAD_CLASSES, fast, many, strict=True)
    ]


def roads_crossed(
    road: IntArray,
    way: IntArray,
    is_for_one: BoolArray,
    by_flaggers_there: BoolArray,
    by_ladder: BoolArray,
    roads: Roads,
    rules: CrewRules,
    units: ReportUnits,
) -> Any:
    """Say by which limits roads are crossed as they are."""
    alone, stop, flaggers = (
        worded(roads.class_code[road], _limits(kind, rules, units))
        for kind in ("alone", "stop", "flaggers")
    )
    is_held = way > roads.way[road]
    case = np.select(
        [
            by_flaggers_there,
            is_held,
            (way == STOP) & by_ladder,
            way == STOP,
            way == FLAGGERS,
            way == CLOSURE,
        ],
        [7, np.where(way == FLAGGERS, 5, 6), 8, np.where(is_for_one, 0, 1), 2, 3],
        default=4,
    )
    most = rules.require("hold.clamp_vehicles")
    held = "above the limit of a stop until the sag is set"
    opening = worded(
        case,
        (
            ": quiet, within the limits (",
            ": in a gap in traffic, within the limits for two (",
            ": flaggers, above the limits of a gap in traffic (",
            ": lane closure, above the limits of flaggers (",
            ": limited access, only with the owner's permit and a crew (",
            f": flaggers, {held} (",
            f": lane closure, {held} (",
            ": held by the flaggers of this job (a short stop would do: ",
            ": held as long as the ladder is on the strand, within the limits for two (",
        ),
    )
    limit = pd.Series(alone).where(case == 0, pd.Series(stop))
    limit = limit.where(case <= 2, pd.Series(flaggers))
    limit = limit.where(case <= 3, rules.require("owner.highway.people").status.label)
    limit = limit.where(case <= 4, f"{most.value_si:.0f} a day; {most.status.label}")
    limit = limit.where(case <= 6, pd.Series(stop))  # 7 and 8
    return joined("over ", described(road, roads, units), opening, limit.array, ")")


def hung_over(crossings: pd.DataFrame, address_id: pd.Series, units: ReportUnits) -> Any:
    """Say that air spans hang over whole carriageways without crossing their centre-lines."""
    drop = pd.Index(address_id).get_indexer(pd.Index(crossings["address_id"])).astype(np.int64)
    name = crossings["feature_name"].fillna(crossings["feature_id"])
    words = joined(
        "the air span hangs over the whole width of ",
        texts(name),
        ", from ",
        in_words(crossings["start_m"].to_numpy(dtype=np.float64), "length", units),
        " to ",
        in_words(crossings["end_m"].to_numpy(dtype=np.float64), "length", units),
        " out, without crossing its centre-line: counts as over the street",
    )
    return per_row(drop, words, len(address_id))


def roads_beside_too(
    drop: IntArray,
    road: IntArray,
    place: Any,
    edge_m: FloatArray,
    roads: Roads,
    rules: CrewRules,
    count: int,
    units: ReportUnits,
) -> Any:
    """Say what stands beside other roads than the one of the job; null for others."""
    first, _, _ = sign_spacing(roads.speed_m_per_s[road], roads.class_code[road], rules)
    words = joined(
        place,
        " ",
        in_words(edge_m, "length", units),
        " from the carriageway of ",
        roads.name.take(road),
        " too: its nearest sign ",
        in_words(first, "length", units),
        " before the work",
    )
    return per_row(drop, words, count)


def roads_beside(
    place: Any,
    road: IntArray,
    edge_m: FloatArray,
    roads: Roads,
    rules: CrewRules,
    units: ReportUnits,
) -> Any:
    """Say how near to a carriageway work is done."""
    limit = say(rules.value("places.beside_road"), "length", units)
    return joined(
        place,
        " ",
        in_words(edge_m, "length", units),
        " from the carriageway of ",
        described(road, roads, units),
        f", nearer than {limit}",
    )


_HOW_KNOWN = {
    "read": "",
    "secondary": ", as quoted elsewhere",
    "memory": ", from memory",
    "practice": "common practice, no source",
    "computed": ", computed",
}


def short_source(figure: Figure) -> str:
    """Name the rule behind a figure shortly, with how sure it is.

    Parameters
    ----------
    figure : Figure
        A figure with its provenance.

    Returns
    -------
    str
        For example ``"MUTCD 6C.08, as quoted elsewhere"``.
    """
    known = _HOW_KNOWN[figure.status.value]
    if figure.status is Status.PRACTICE:
        return known
    _, _, abbreviated = figure.document.removesuffix(")").rpartition("(")
    year = f" ({figure.edition})" if figure.edition.isdigit() else ""
    return f"{abbreviated} {figure.rule}".rstrip() + year + known


BOTH_WAYS = "below the wire both ways stopped, only while wire or somebody is over the road"


def road_signs(
    code: IntArray,
    at: IntArray,
    flaggers: IntArray,
    is_whole: BoolArray,
    is_lane: BoolArray,
    roads: Roads,
    rules: CrewRules,
    units: ReportUnits,
) -> list[tuple[IntArray, Any]]:
    """Say what stands on the road, how many flaggers, and where the distances come from."""
    flagged, closed = np.flatnonzero(code == FLAGGERS), np.flatnonzero(code == CLOSURE)
    signed = np.flatnonzero((code >= BESIDE) & (code < OWNER))
    tapered = np.flatnonzero(((code == FLAGGERS) & is_lane) | (code == CLOSURE))
    whole, lane = (np.flatnonzero((code == FLAGGERS) & x) for x in (is_whole, is_lane))
    least, most, step, out = (
        say(rules.value(f"taper.{name}"), "length", units)
        for name in ("one_lane_least", "one_lane", "one_lane_device_spacing", "downstream")
    )
    each = int(rules.value("people.flaggers"))
    split = f", {each} on each road held, one on each approach that joins"
    apart = rules.value("taper.device_spacing_per_mph") * roads.speed_m_per_s[at[closed]] / MPH
    buffers = [short_source(figure) for _, figure in rules.buffers()[:1]]
    sources = [
        "; ".join(
            [
                "signs count from the start of the taper",
                f"taper by {short_source(rules.require(key))}",
                *(f"buffer by {x}" for x in buffers),
            ]
        )
        for key in ("taper.one_lane", "taper.merging")
    ]
    signs = short_source(rules.require("signs.urban_low.a"))
    return [
        (
            flagged,
            joined(
                numbers(flaggers[flagged].astype(np.float64), 0),
                " flaggers besides the crew",
                worded(flaggers[flagged] > each, ("", split)),
            ),
        ),
        (whole, worded(np.zeros(len(whole)), (BOTH_WAYS,))),
        (
            lane,
            worded(
                np.zeros(len(lane)),
                (
                    f"closed lane: traffic by in turn, one-lane two-way taper {least} "
                    f"to {most}, devices about {step} apart, downstream taper {out}",
                ),
            ),
        ),
        (
            closed,
            joined(
                "one lane closed, devices in the taper at most ",
                in_words(apart, "length", units),
                f" apart, downstream taper {out}",
            ),
        ),
        (signed, worded(np.zeros(len(signed)), (f"signs by {signs}",))),
        (tapered, worded(code[tapered] == CLOSURE, sources)),
    ]


def beyond_one(
    pairs: tuple[IntArray, IntArray],
    roads: Roads,
    rules: CrewRules,
    count: int,
    units: ReportUnits,
) -> Any:
    """Say by what each road is beyond the limits for one person."""
    keep = ~roads.is_for_one[pairs[1]]
    drop, road = pairs[0][keep], pairs[1][keep]
    fast = rules.by_class("crossing.alone", "speed")[roads.class_code[road]]
    many = rules.by_class("crossing.alone", "vehicles")[roads.class_code[road]]
    rows = np.arange(len(road))
    is_fast = np.flatnonzero(roads.speed_m_per_s[road] > fast + SPEED_SLACK_M_PER_S)
    is_busy = np.flatnonzero(roads.vehicles[road] > many)
    barred = np.flatnonzero(np.isnan(fast))
    opening = joined("crosses ", roads.name.take(road), ", ", roads.class_word.take(road))
    why = chained(
        len(road),
        [
            (rows, opening),
            (barred, worded(np.zeros(len(barred)), ("a class that one may not cross alone",))),
            (
                is_fast,
                joined(
                    in_words(roads.speed_m_per_s[road[is_fast]], "speed", units),
                    " above the ",
                    in_words(fast[is_fast], "speed", units),
                    " limit for one",
                ),
            ),
            (
                is_busy,
                joined(
                    numbers(roads.vehicles[road[is_busy]], 0),
                    " vehicles a day above the ",
                    numbers(many[is_busy], 0),
                    " for one",
                ),
            ),
        ],
        ", ",
    )
    return per_row(drop, why, count)


def not_recorded(
    pairs: tuple[IntArray, IntArray], roads: Roads, count: int, units: ReportUnits
) -> Any:
    """Say what was taken because a road has no record of it."""
    drop, road = pairs
    slow = np.flatnonzero(roads.speed_is_assumed[road])
    few = np.flatnonzero(roads.vehicles_are_assumed[road])
    vague = np.flatnonzero(roads.class_is_doubtful[road])
    words = chained(
        len(road),
        [
            (
                vague,
                joined(
                    "class of ",
                    roads.name.take(road[vague]),
                    " may not be recorded: a road without one counts as ",
                    roads.class_word.take(road[vague]),
                ),
            ),
            (
                slow,
                joined(
                    "speed limit of ",
                    roads.name.take(road[slow]),
                    " not recorded, ",
                    in_words(roads.speed_m_per_s[road[slow]], "speed", units),
                    " assumed for its class",
                ),
            ),
            (
                few,
                joined(
                    "traffic of ",
                    roads.name.take(road[few]),
                    " not recorded, ",
                    numbers(roads.vehicles[road[few]], 0),
                    " a day assumed for its class",
                ),
            ),
        ],
    )
    is_told = roads.speed_is_assumed | roads.vehicles_are_assumed | roads.class_is_doubtful
    told = np.flatnonzero(is_told[road])
    return per_row(drop[told], texts(pd.Series(words)).take(told), count)
