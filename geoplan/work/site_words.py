"""Words on places, poles, power and traffic that steps, holds and checks of a drop share.

Enters: a `DropCase`.
Leaves: parts of sentences.
Does not do: compute; decide what is said.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from geoplan.work.drop_case import LADDER_ALLOWED, DropCase, Row, feature_name, is_known
from geoplan.work.hand_pull import clears_by_hand
from geoplan.work.side_roads import BOTH_WAYS, BY_CREW, BY_FLAGGER, SIDE_ROAD

AT_END_M = 0.5
"""A place nearer than this to an end of the air span is told as that end."""
ITS_END_M = 0.15
"""So near an end the least clearance is the height of the end itself."""
FLAT_DEG = 30.0
"""A wire that leaves its strand at less may pull the clamp along it; our own default, no source."""

NEUTRAL = "neutral"
TOWARD = "toward pole "
"""How a note of a place names the pole on which the clamp's span ends."""
ASK_FIRST = re.compile(r"on (lots? .+): ask there first")
"""How a note of a place names other people's ground."""
NO_PLACE = "NO PLACE FOUND clear of roads, buildings, tracks and water: look for one first"


def parts_of(value: Any) -> list[str]:
    """Return the parts of a text that is split by ';'; none for a null.

    Examples
    --------
    >>> parts_of("PG01; PG02")
    ['PG01', 'PG02']
    """
    if not is_known(value):
        return []
    return [part.strip() for part in str(value).split(";") if part.strip()]


def in_a_row(names: list[str]) -> str:
    """Join names by commas and 'and', each told once.

    Examples
    --------
    >>> in_a_row(["a", "b", "a", "c"])
    'a, b and c'
    """
    once = list(dict.fromkeys(names))
    return " and ".join([", ".join(once[:-1]), once[-1]]) if len(once) > 1 else "".join(once)


def pole_of(case: DropCase) -> str:
    """Name the pole that the drop leaves from, or by which its clamp is reached."""
    return f"pole {case.drop['access_pole_id']}"


def out_of(case: DropCase, at_m: float) -> str:
    """Say where along the air span a place is, and counted from where."""
    start = "clamp" if case.is_from_clamp else "pole"
    if at_m >= float(case.drop["air_span_m"]) - AT_END_M:
        return "at the house"
    if at_m <= AT_END_M:
        return f"at the {start}"
    return f"{case.length(at_m)} from the {start}"


def at_an_end(case: DropCase) -> str:
    """Name the end of the air span that is the yard's place of least clearance; empty: neither."""
    at_m = case.drop["margin_at_m"]
    if not is_known(at_m) or str(case.drop["margin_over"]) != "yard":
        return ""
    if float(at_m) >= float(case.drop["air_span_m"]) - ITS_END_M:
        return "the house attachment"
    if float(at_m) <= ITS_END_M:
        return "the clamp" if case.is_from_clamp else "the hook"
    return ""


def least_at(case: DropCase) -> float:
    """Return where the least clearance is along the air span, m; an end's own place at an end.

    It is told within what is crossed there. The ladder or the wire moves a clamp a little, and the
    plan counts from where it is then.
    """
    if at_an_end(case) == "the house attachment":
        return float(case.drop["air_span_m"])
    at_m, over = float(case.drop["margin_at_m"]), str(case.drop["margin_over"])
    for row in case.crossings:  # these count from where the clamp was put
        if over == f"{row['crossing_kind']} {row['feature_id']}":
            return min(max(at_m, float(row["start_m"])), float(row["end_m"]))
    return at_m


def is_flat(case: DropCase) -> bool:
    """Whether the wire leaves its strand nearly along it."""
    angle = case.job.get("strand_angle_deg")
    return is_known(angle) and float(angle) < FLAT_DEG  # type: ignore[arg-type]


def over_road(case: DropCase) -> bool:
    """Whether the wire comes to lie on a carriageway: a street crossed, or one it hangs over."""
    return case.is_over_street or bool(case.crossed("road"))


def roads_over(case: DropCase) -> str:
    """Name the roads that the air span is over, in a row."""
    return in_a_row(names_over(case))


def names_over(case: DropCase) -> list[str]:
    """Name the roads that the air span is over."""
    names = [feature_name(row) for row in case.crossed("road")]
    return list(dict.fromkeys(names)) or [case.road_name or "the road"]


def has_traffic(case: DropCase) -> bool:
    """Whether there is a road for which traffic control is planned."""
    if case.job["traffic_class"] == "none":
        return False
    return over_road(case) or bool(case.road_name) or bool(parts_of(case.job.get("other_roads")))


def has_signs(case: DropCase) -> bool:
    """Whether the plan puts up any sign."""
    return is_positive(case.job["sign_1_m"]) or is_positive(case.job.get("run_sign_1_m"))


def while_held(case: DropCase) -> str:
    """Say how traffic is kept off the wire while it lies on a carriageway."""
    kind = case.job["traffic_class"]
    if is_closed(case):
        return f"the road {CLOSED} on both sides"
    if kind == "flaggers":
        return "while the flaggers hold traffic"
    if kind == "lane_closure":
        return "with the lane closed and the rest of the traffic held"
    if kind == "owner":
        return "with traffic held as the owner's permit says"
    who = "the second person"
    if case.job["is_bucket_job"]:
        who = "somebody besides the two at the bucket"
    side = at_side_roads(case)
    if case.is_from_clamp and not case.job["is_bucket_job"]:  # since the ladder is on the strand
        return f"{who} still holding traffic{side}"
    return f"in a gap in traffic, {who} holding traffic{side}"


def side_roads_held(case: DropCase, does: tuple[str, str] = BY_CREW) -> list[str]:
    """Name the side roads of a short stop, from which a person more lets nobody turn in.

    With `BY_FLAGGER` those at which flaggers stand for the wire.
    """
    told = [part for part in parts_of(case.job["traffic_reasons"]) if part.startswith(SIDE_ROAD)]
    held = [words.partition(": ") for words in told if words.endswith(does)]
    return [names.partition(SIDE_ROAD)[2].lstrip("s").strip() for names, _, _ in held]


def at_side_roads(case: DropCase) -> str:
    """Tell that those at the side roads of the wire hold traffic too; empty without any."""
    held = [*side_roads_held(case), *side_roads_held(case, BY_FLAGGER)]
    names = in_a_row([name.replace(BOTH_WAYS, "") for name in held])
    return f", those at {names} too" if names else ""


def is_closed(case: DropCase) -> bool:
    """Whether the road is closed with signs and cones: one person alone can't hold traffic."""
    alone = int(case.job["crew_size"]) == 1 and case.job["traffic_class"] == "short_stop"
    return alone and over_road(case)


CLOSED = "closed by signs and cones"
"""How one person keeps traffic off a wire on the road."""


def kept_off(case: DropCase) -> str:
    """Say that traffic is kept off the wire on the road from one step to the next."""
    return "the road still closed" if is_closed(case) else "traffic still held"


def height_to_open(case: DropCase) -> float:
    """Return the height over the road at which it is opened before the sag is set.

    Parameters
    ----------
    case : DropCase
        The drop.

    Returns
    -------
    float
        The greatest height asked over the roads crossed, m. NaN where the road stays shut until
        the wire has its sag: at a span clamp, where cones, flaggers or a closure keep traffic off
        anyway, where a clearance over a road was not worked out, or where the pull is more than a
        hand holds.
    """
    drop, roads = case.drop, case.crossed("road")
    margins = [float(row["margin_m"]) for row in roads if row["clearance_basis"] == "computed"]
    is_short = case.job["traffic_class"] == "short_stop"
    if case.is_from_clamp or not is_short or not roads or len(margins) < len(roads):
        return math.nan
    pull = np.array([drop["stringing_tension_n"]], dtype=np.float64)
    if is_closed(case) or not clears_by_hand(pull, np.array([min(margins)]))[0]:
        return math.nan
    return max(float(row["required_m"]) for row in roads)


def powers_of(case: DropCase, told: list[str] | None = None) -> list[str]:
    """Name each power line near the work, with where the wire meets it; lines as told, or all.

    A neutral is told as live, whatever its voltage was taken for. Lines of the same kind, voltage
    and distance are told together.
    """
    met = case.near("power")
    told = parts_of(case.job.get("power_lines")) if told is None else told
    names = {words.partition(", ")[0] for words in told}
    left = [power_of(case, row) for row in met if str(row["feature_id"]) not in names]
    parts = (words.partition(", ") for words in power_at(case, "wall"))
    landing = {name: rest for name, _, rest in parts}
    places = {
        name: ", ".join(
            [
                *filter(None, [in_a_row([_where(case, row) for row in met if _is(row, name)])]),
                *filter(None, [landing.get(name, "")]),
            ]
        )
        for name in names
    }
    return left + _grouped(told, places)


def _is(row: Row, name: str) -> bool:
    return str(row["feature_id"]) == name


def lines_around(case: DropCase) -> tuple[list[str], list[str]]:
    """Return lines beyond the measured reach that nothing else tells: those near, those far."""
    met = {str(row["feature_id"]) for row in case.near("power")}
    around = parts_of(case.job.get("power_around"))
    left = [words for words in around if words.partition(", ")[0] not in met]
    near = [words for words in left if KEEP in words]
    return near, [words for words in left if words not in near]


KEEP = ": "
"""Before the distance to keep from a line that is near."""


def power_at(case: DropCase, place: str) -> list[str]:
    """Name the power over or close to a place of work."""
    opening = f"{place}: "
    parts = parts_of(case.job.get("power_places"))
    return [part.removeprefix(opening) for part in parts if part.startswith(opening)]


def names_at(case: DropCase, place: str) -> str:
    """Name that power in a row, by its ids alone; empty: none."""
    return in_a_row(grouped_poles([words.partition(", ")[0] for words in power_at(case, place)]))


ON_POLE = "power on pole "
"""How power that is recorded on a pole is named."""


def grouped_poles(names: list[str]) -> list[str]:
    """Name several poles with power on them as one.

    Examples
    --------
    >>> grouped_poles(["power on pole P1", "E1", "power on pole P2"])
    ['E1', 'power on poles P1 and P2']
    """
    poles = [name.removeprefix(ON_POLE) for name in names if name.startswith(ON_POLE)]
    if len(poles) < 2:
        return names
    lines = [name for name in names if not name.startswith(ON_POLE)]
    return [*lines, f"power on poles {in_a_row(poles)}"]


def capital(words: str) -> str:
    """Begin words with a capital letter."""
    return f"{words[:1].upper()}{words[1:]}"


def live_along(case: DropCase) -> list[str]:
    """Name the power lines along the strand run, those of the same kind together."""
    return _grouped(parts_of(case.job.get("run_power")), {})


def _grouped(lines: list[str], places: Mapping[str, str]) -> list[str]:
    groups: dict[str, list[str]] = {}
    for words in lines:
        name, _, rest = words.partition(", ")
        place = places.get(name, "")
        groups.setdefault(_live(rest), []).append(f"{name} ({place})" if place else name)
    return [
        f"{in_a_row(names)}, {rest}" if rest else in_a_row(names) for rest, names in groups.items()
    ]


def power_of(case: DropCase, row: Row) -> str:
    """Name power that the wire meets, and where."""
    name = str(row["feature_id"])
    for words in [*parts_of(case.job.get("power_lines")), *_around_plain(case)]:
        if words.startswith(f"{name}, "):
            return f"{name} ({_where(case, row)}), {_live(words.partition(', ')[2])}"
    kind = str(row["feature_class"]).replace("_", " ") if is_known(row["feature_class"]) else ""
    return f"{name} ({_where(case, row)}), {kind or 'power'}, voltage not told: treat as live"


def _around_plain(case: DropCase) -> list[str]:
    """Return lines around without their distance: where the wire meets them is told instead."""
    return [AROUND.sub("", words) for words in parts_of(case.job.get("power_around"))]


AROUND = re.compile(r", (?:[\d.]+ \S+ from|at) [^:]*")
"""How a line around tells its distance."""


def _where(case: DropCase, row: Row) -> str:
    place = out_of(case, float(row["at_m"]))
    if row["is_near_miss"] and is_known(row["distance_m"]):
        return f"{place}, {case.length(row['distance_m'])} aside in plan"
    return f"meets the wire {place}"


def _live(words: str) -> str:
    if "treat as live" in words.lower() or (NEUTRAL not in words and ", 0 V" not in words):
        return words
    return f"{words} (a neutral is no dead wire: treat as live)"


def poles_of(case: DropCase) -> list[str]:
    """Name the poles of the drop: access, far pole of the clamp's span, passed, terminal."""
    drop = case.drop
    far = parts_of(case.job.get("far_pole_id"))
    names = [str(drop["access_pole_id"]), *far, *parts_of(case.job.get("run_poles"))]
    return list(dict.fromkeys([*names, str(drop["terminal_id"])]))


def place_words(case: DropCase, place: str) -> str:
    """Tell how to stand as the table of places has it; where it has none, that none was found."""
    told = [
        ASK_FIRST.sub(r"on \1, with leave", part)
        for part in _clauses(case, place)
        if not part.startswith(TOWARD)
    ]
    return "; ".join(told) or NO_PLACE


def by_road(case: DropCase, place: str) -> bool:
    """Whether a place of work is so near to a carriageway that its note tells how near."""
    return any(BY_ROAD in part for part in _clauses(case, place))


BY_ROAD = " from the carriageway of "
"""How a note of a place tells of a carriageway near it."""


def others_ground(case: DropCase) -> dict[str, list[str]]:
    """Return whose ground is stood on, and by what: lots in words with names of places."""
    found: dict[str, list[str]] = {}
    for place in case.places:
        for part in _clauses(case, place):
            on = ASK_FIRST.fullmatch(part)
            if on:
                found.setdefault(on.group(1), []).append(place.replace("_", " "))
    return found


def toward_pole(case: DropCase) -> str:
    """Name the pole on which the clamp's span ends, and the way left to it; empty: not known."""
    parts = [*_clauses(case, "ladder"), *_clauses(case, "bucket")]
    return next((part for part in parts if part.startswith(TOWARD)), "")


def _clauses(case: DropCase, place: str) -> list[str]:
    told = case.places.get(place, "").rstrip(".")
    return told.split("; ") if told else []


def reel_is_beyond(case: DropCase) -> bool:
    """Whether the reel stands on the other side of a street than the house."""
    if case.is_from_clamp:
        return bool(case.drop["is_street_crossing"])
    return case.is_over_street


def near_road(case: DropCase) -> bool:
    """Whether any road is by the work."""
    job = case.job
    others = parts_of(job.get("other_roads")) or parts_of(job.get("run_roads"))
    return over_road(case) or bool(case.road_name) or bool(others)


def run_by_bucket(case: DropCase) -> bool:
    """Whether the strand run is worked from a bucket."""
    job = case.job
    return bool(job["is_bucket_job"]) or bool(job.get("is_run_bucket", False))


def swing_at(case: DropCase, at_m: float) -> float:
    """Return how far the wire swings sideways at a place.

    Parameters
    ----------
    case : DropCase
        The drop.
    at_m : float
        Place along the air span, m.

    Returns
    -------
    float
        By the parabola whose height is the greatest swing of the tension cases, m; NaN where that
        is not known.
    """
    most, span_m = case.drop["swing_worst_m"], float(case.drop["air_span_m"])
    if not is_known(most) or span_m <= 0.0:
        return math.nan
    part = min(max(at_m / span_m, 0.0), 1.0)
    return 4.0 * float(most) * part * (1.0 - part)


def strand_known(case: DropCase) -> str:
    """Say of which spans it was worked out what a ladder does to the strand."""
    is_allowed = case.is_from_clamp and case.drop["strand_ladder"] == LADDER_ALLOWED
    return "only the clamp's own span was" if is_allowed else "no span was"


def is_positive(value: object) -> bool:
    """Whether a figure is there and above zero."""
    return is_known(value) and float(value) > 0.0  # type: ignore[arg-type]
