"""The steps of one job in the order proper to its kind, told with the drop's own data.

Enters: a `DropCase`.
Leaves: sentences in order.
Does not do: compute; say anything that the tables don't hold, but for the order and the way of
working, which are common practice without a source.
"""

from __future__ import annotations

import math

from geoplan.work.crossed_later import not_up_yet
from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.holds import beside_unjudged, build_holds
from geoplan.work.power_measured import AT_HOUSE, to_measure
from geoplan.work.power_steps import landing
from geoplan.work.site_words import (
    at_an_end,
    by_road,
    has_signs,
    has_traffic,
    in_a_row,
    is_positive,
    least_at,
    live_along,
    names_at,
    out_of,
    over_road,
    parts_of,
    place_words,
    pole_of,
    power_at,
    powers_of,
    reel_is_beyond,
)
from geoplan.work.steps_along_strand import connection, strand_run
from geoplan.work.steps_at_support import hand_line, open_road, sagging, stand, support
from geoplan.work.steps_of_traffic import traffic
from geoplan.work.steps_of_wire import (
    cut_off,
    lay,
    lay_over,
    raise_wire,
    wire_at_house,
    wire_at_support,
)
from geoplan.work.unmeasured import left_to_measure

ATTACHED_TO = {
    "wall_face": "on the wall",
    "wall_corner": "at the corner of the wall",
    "address_point": "at the place the address was given for (no building is known)",
}


def build_steps(case: DropCase) -> list[str]:
    """Write the steps of a job.

    Parameters
    ----------
    case : DropCase
        One planned drop.

    Returns
    -------
    list of str
        Sentences in the order of work.

    Raises
    ------
    ValueError
        If the job is of no known kind.

    Notes
    -----
    What the job may not start without comes first, then the checks on site (poles and power among
    them) and what is in the way, then the house, then signs before anybody sets up reel or ladder
    at pole or strand; before the house too where its ladder stands by a road. Reel on the house's
    side: the wire is cut and clamped at the house, and its other end taken to the support when the
    hand line hangs. Across a street: the house's ladder stays and a second one goes to the
    support; the reel stands beyond the street, the house's clamp is put on there, and the end goes
    over the road when the hand line hangs and traffic is held; one pull, made fast until the clamp
    holds; cut then. By a span clamp: sag with and without the ladder.
    Then the strand run, with its own traffic control before it, the terminal, the building.

    References
    ----------
    Order of work: common practice, no source.
    """
    kind = str(case.job["job_kind"])
    if kind not in {"same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp"}:
        message = f"job_kind must be a declared kind; it is {kind!r}"
        raise ValueError(message)
    steps = [_holds(case), _site(case), *_in_the_way(case)]
    signs = traffic(case)
    steps += [signs, _house(case)] if by_road(case, "house_ladder") else [_house(case), signs]
    if reel_is_beyond(case):
        steps += [stand(case), support(case), hand_line(case)]
        steps += [wire_at_support(case), lay_over(case), raise_wire(case)]
    else:
        steps += [wire_at_house(case), stand(case), support(case), hand_line(case)]
        steps += [lay(case), raise_wire(case)]
    steps += sagging(case)
    if over_road(case):
        then = cut_off(case) if reel_is_beyond(case) else ""
        steps += [f"{open_road(case)} {then}".strip()]
    steps += [*strand_run(case), connection(case), _building(case), _last(case)]
    return [step for step in steps if step]


def _holds(case: DropCase) -> str:
    holds = build_holds(case)
    return f"Do not start until {'; '.join(hold.until for hold in holds)}." if holds else ""


def _site(case: DropCase) -> str:
    way = f" {case.toward_house}" if case.toward_house else ""
    span = case.length(case.drop["air_span_m"])
    start = pole_of(case)
    if case.is_from_clamp:
        start = f"the clamp, {case.length(case.drop['clamp_at_m'])} along the strand from {start}"
    words = f"Walk the line from {start}, {span}{way} to the house, and do 'check on site first'."
    words += " Stop where one fails."
    if case.job["power_approach"] == "not_checked":
        words += " Measure now, from the ground, the distances to power that 'Hazards' has as NOT"
        words += " CHECKED."
    if powers_of(case) or live_along(case):
        words += " Lines under 'Power' are live; nearer than told: stop, call the owner."
    return words


def _in_the_way(case: DropCase) -> list[str]:
    held = [row["feature_id"] for row in beside_unjudged(case)]
    steps = [
        f"Tree {row['feature_id']}, {_range(case, row)}: its crown is in the line."
        " With leave trim it, or lead the hand line through before the wire."
        for row in case.crossed("tree")
    ]
    steps += [
        f"Roof {row['feature_id']}, {out_of(case, float(row['at_m']))}: with the owner's leave"
        " lead a line over it first; don't drag the wire on it, nobody on the roof."
        for row in case.crossed("roof")
    ]
    steps += [
        f"Building {row['feature_id']}, {out_of(case, float(row['at_m']))}: the wire passes"
        f" {case.length(row['distance_m'])} from it in plan. Look that it can't touch or swing on"
        " it; else stop."
        for row in case.near("roof")
        if row["is_near_miss"] and row["feature_id"] not in held
    ]
    later = not_up_yet(case)
    steps += [
        f"Planned drop {row['feature_id']} is not up yet: leave room for it, it crosses"
        f" {out_of(case, float(row['at_m']))}. If it hangs: stop, settle the heights of both first."
        for row in later
    ]
    drops = [
        f"{feature_name(row)} ({out_of(case, float(row['at_m']))})"
        for row in case.crossed("existing_drop", "planned_drop")
        if row not in later
    ]
    drops += [f"{name.replace(', ', ' (')})" for name in parts_of(case.job.get("strands_met"))]
    if drops:
        steps.append(
            f"Other wire in the line: {in_a_row(drops)}. Over or under was NOT CHECKED: settle it"
            " by the heights of both before the wire is clamped anywhere, and lead wire and hand"
            " line on that side."
        )
    return steps


def _range(case: DropCase, row: Row) -> str:
    start, end = (case.length(row[name]) for name in ("start_m", "end_m"))
    return f"{start} to {end} from the {'clamp' if case.is_from_clamp else 'pole'}"


def _house(case: DropCase) -> str:
    drop = case.drop
    where = ATTACHED_TO.get(str(drop["attachment_basis"]), "at the house")
    height = case.length(drop["attachment_height_m"])
    words = f"House: ladder {place_words(case, 'house_ladder')}. Set the attachment {where},"
    words += f" {height} above the ground"
    if drop["attachment_is_raised"]:
        words += ", higher than usual for clearance"
    if any(row["code"] == "steep_wall_angle" for row in case.hazards):
        angle = float(drop["wall_angle_deg"])
        words += f"; on a bracket, as the wire leaves the wall at only {angle:.0f} deg"
    words += _near_house(case)
    first = to_measure(case, AT_HOUSE)
    if not reel_is_beyond(case):
        return f"{words}.{first}"
    other = "" if case.job["is_bucket_job"] else f"; a SECOND one to the {_start(case)}"
    return f"{words}. Leave this ladder standing, secured, until the wire hangs{other}.{first}"


def _near_house(case: DropCase) -> str:
    """Tell which power is over or close to the ladder at the house."""
    lines, lands = power_at(case, "house_ladder"), landing(case)
    told = ""
    if lines:
        told = f". Live there: {in_a_row(lines)}: ladder to the other side, head and hands off"
    return f"{told}. {lands}: keep the ladder off" if lands else told


def _start(case: DropCase) -> str:
    return "strand" if case.is_from_clamp else "pole"


def _building(case: DropCase) -> str:
    job = case.job
    words = f"Building run: {case.length(job['building_run_m'])} down and along the wall to the"
    words += " network interface, drip loop first"
    live = names_at(case, "house_ladder")
    words += f", clear of {live}, live" if live else ""
    words += _on_wall(case)
    if is_positive(job["coil_m"]) and is_known(job["coil_at"]):
        words += f"; coil {case.length(job['coil_m'])} {job['coil_at']}"
    return f"{words}. Bond and ground it as the code in force asks."


def _on_wall(case: DropCase) -> str:
    """Tell which power is at the building within reach of the run."""
    lands = landing(case)
    return f"; {lands}: keep run and ladder off" if lands else ""


def _last(case: DropCase) -> str:
    signs = "; take down all signs" if has_traffic(case) and has_signs(case) else ""
    left = left_to_measure(case)
    box = "boxes" if len(left) > 1 else "box"
    boxes = f" Measure at {in_a_row(left)} too, for the {box}." if left else ""
    return f"{_lowest(case)}{boxes} Write the as-built figures. Leave nothing to trip over{signs}."


def _lowest(case: DropCase) -> str:
    drop = case.drop
    at, asked, there = (drop[f"margin_{name}_m"] for name in ("at", "required", "available"))
    if not all(is_known(value) for value in (at, asked, there)):
        return "Measure the lowest place of the wire: its clearance was NOT worked out."
    over, end = str(drop["margin_over"]), at_an_end(case)
    if over.startswith("power "):
        return (
            f"Least distance: to {over}, {out_of(case, float(at))}, {case.length(there)} at its"
            f" least ({case.length(asked)} asked): judged by somebody qualified, never measured by"
            " touch."
        )
    least = f"{_today(case, end)}; {case.length(asked)} asked at the worst sag"
    if end == "the house attachment":
        height = case.length(drop["attachment_height_m"])
        told = f"at least {height} on any day; {case.length(asked)} asked at the worst sag"
        return f"Lowest place is {end} itself: measure its height, {told}."
    if end:
        return f"Lowest place is {end} itself: measure its height, {least}."
    where = f"{case.length(least_at(case))} from the {'clamp' if case.is_from_clamp else 'pole'}"
    return f"Measure the clearance over {_over_words(case)}, {where}: {least}."


def _today(case: DropCase, end: str) -> str:
    """Tell the least height for today: of the stringing table; a fixed end moves by no weather."""
    at_c = float(case.drop["stringing_temperature_c"])
    for row in case.stringing:
        height = row.get("height_there_m", math.nan)
        if is_known(height) and abs(float(row["temperature_c"]) - at_c) < SAME_C:
            told = f"{case.length(height)} at {case.temperature(at_c)}"
            return f"at least what the stringing table has for today: {told}"
    if end and end != "the clamp":
        return f"at least {case.length(case.drop['margin_available_m'])} on any day"
    return "what it must be today was NOT worked out"


SAME_C = 0.01
"""Temperatures nearer than this to each other are the same, degrees Celsius."""


def _over_words(case: DropCase) -> str:
    over = str(case.drop["margin_over"])
    for row in case.crossings:
        if over == f"{row['crossing_kind']} {row['feature_id']}":
            return feature_name(row)
    return "the yard" if over == "yard" else over
