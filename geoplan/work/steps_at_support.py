"""Steps at pole or strand: ladder or bucket, hook or clamp, hand line, sag.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: handle the wire on the ground; compute.
"""

from __future__ import annotations

import math
from typing import Any

from geoplan.units import for_report, report_unit
from geoplan.work.drop_case import LADDER_ALLOWED, DropCase, is_known
from geoplan.work.hand_pull import BY_HAND_N
from geoplan.work.hang_words import (
    hang_before,
    held_again,
    held_to_compare,
    hung_after,
    is_last_up,
    of_own_span,
    up_already,
)
from geoplan.work.kerb_lanes import LANE_BESIDE
from geoplan.work.power_measured import AT_SUPPORT, OF_WIRE, to_measure
from geoplan.work.power_steps import close_to
from geoplan.work.site_words import (
    capital,
    height_to_open,
    in_a_row,
    is_flat,
    names_at,
    names_over,
    over_road,
    parts_of,
    place_words,
    pole_of,
    reel_is_beyond,
    roads_over,
    toward_pole,
)
from geoplan.work.steps_of_traffic import lanes_beside, roads_shut, stays_shut

AT_EDGE_M = 0.3
"""A hand line nearer to a carriageway than this counts as at its edge, m; common practice, no
source."""
SIGHTED_M = 0.15
"""Sag below which it can't be sighted and is set by the pull, m; common practice, no source."""

WHY_NO_LADDER = {
    "strand_small": "the strand is too small",
    "strand_unknown": "the strand's size is not known",
    "strand_unsound": "the strand is in poor condition, or its condition is not recorded",
    "strand_overloaded": "a ladder would overload the strand",
    "drop_overstressed": "with a ladder on, the drop would have to be strung too tight",
}


def stand(case: DropCase) -> str:
    """Tell where ladder or bucket stands, over or by which power, and what is measured first."""
    if case.is_from_clamp and case.job["is_bucket_job"]:
        why = WHY_NO_LADDER.get(str(case.drop["strand_ladder"]), "not known to bear one")
        bucket = f"Bucket {place_words(case, 'bucket')}.{_over(case, 'bucket')}"
        return f"No ladder on this strand: {why}. {bucket}{to_measure(case, AT_SUPPORT)}"
    place = place_words(case, "ladder").removeprefix("at the pole, ")
    where = "the strand" if case.is_from_clamp else pole_of(case)
    ladder = "Take the SECOND ladder" if reel_is_beyond(case) else "Move the ladder"
    live = f"{_over(case, 'ladder')}{to_measure(case, AT_SUPPORT)}"
    return f"{ladder} to {where}: {place}.{live}{_presses(case)}"


def _presses(case: DropCase) -> str:
    """Tell which wires of others a ladder on the strand brings down over a road."""
    others = parts_of(case.job.get("span_drops_over"))
    if not case.is_from_clamp or not others:
        return ""
    up, later = (of_own_span(case, names) for names in (up_already(case), hang_before(case)))
    others = [name for name in others if name not in (*up, *later)]
    return _busy_up(up) + _busy_below(later) + _quiet_below(others)


def _quiet_below(others: list[str]) -> str:
    """Tell of wires over roads that are held by the crew or by flaggers that come anyway."""
    if not others:
        return ""
    hang, wire = ("hangs", "wire") if len(others) == 1 else ("hang", "wires")
    return (
        f" Where {in_a_row(others)} {hang} already over a road from this span: the ladder brings"
        f" the {wire} down, so hold traffic there until it is off."
    )


def _busy_up(others: list[str]) -> str:
    """Tell of wires over such a road that are up by the plan when the ladder goes on."""
    if not others:
        return ""
    hangs = "hangs" if len(others) == 1 else "hang"
    return (
        f" {in_a_row(others)} {hangs} over a busy road from this span by then: no ladder on the"
        " strand before flaggers hold that road, until it is off."
    )


def _busy_below(others: list[str]) -> str:
    """Tell of wires over a road that is too busy to be held by one of the crew."""
    if not others:
        return ""
    does, them, one = ("goes", "it", "it") if len(others) == 1 else ("go", "them", "one")
    return (
        f" {in_a_row(others)} {does} over a busy road from this span: hang this drop before {them}."
        f" Is {one} up already: no ladder on the strand before flaggers hold that road."
    )


def _over(case: DropCase, place: str) -> str:
    """Tell which power passes over the place where ladder or bucket is set up."""
    live = names_at(case, place)
    what = "boom" if place == "bucket" else "ladder"
    told = f" {capital(live)} over or by it, live: look up, set and raise the {what} clear."
    return told if live else ""


def support(case: DropCase) -> str:
    """Tell where hook or clamp goes."""
    drop = case.drop
    height = case.length(drop["hook_height_m"])
    if case.is_from_clamp:
        toward = toward_pole(case)
        return (
            f"Fix the span clamp {case.length(drop['clamp_at_m'])} along the strand from"
            f" {pole_of(case)}{', ' if toward else ''}{toward}; it hangs {height} above the"
            f" ground.{_flat(case)}{_close(case)}"
        )
    raised = ", higher than usual: the clearances need it" if drop["hook_is_raised"] else ""
    words = f"Drive the hook at {height} above the ground, on the side to the house{raised}."
    mates = case.hook_mates
    if mates:
        hook = f"hook{'s' if len(mates) > 1 else ''} of {in_a_row(list(mates))}"
        words += f" The {hook} at the same height: set them beside each other."
    return words + _close(case)


def _flat(case: DropCase) -> str:
    """Tell that the clamp may slide where the wire leaves nearly along the strand."""
    if not is_flat(case):
        return ""
    angle = float(case.job["strand_angle_deg"])
    return f" The wire leaves only {angle:.0f} deg off the strand: see that the clamp can't slide."


def _close(case: DropCase) -> str:
    """Tell who works at hook or clamp which power is close there, and what keeps him clear."""
    told = "bucket" if case.job["is_bucket_job"] else "ladder"
    return close_to(case, "hook", "the strand" if case.is_from_clamp else "the hook", told)


def hand_line(case: DropCase) -> str:
    """Tell how the hand line is hung, and to which power is measured before the wire goes up."""
    over = "the strand" if case.is_from_clamp else "the hook"
    words = f"Hang the hand line over {over}, at least {case.length(case.job['hand_line_m'])}"
    house = case.job["hand_line_house_m"]
    if case.is_over_street and is_known(house):
        words += (
            f": {case.length(house)} of it on the side to the house, just down to the"
            f" ground{_off_road(case)}"
        )
    elif over_road(case):
        words += ", no part of it on the carriageway"
    return f"{words}.{to_measure(case, OF_WIRE)}"


def _off_road(case: DropCase) -> str:
    """Tell where the hand line's leg on the house's side hangs while the ladder is on."""
    shift = case.drop["ladder_shift_m"]
    moved_m = float(shift) if case.is_from_clamp and is_known(shift) else 0.0
    begins_m = min((float(row["start_m"]) for row in case.crossed("road")), default=math.inf)
    if begins_m - moved_m > AT_EDGE_M:
        return ", on no carriageway"
    return "; the ladder brings it to the carriageway's edge: only with traffic held"


def open_road(case: DropCase) -> str:
    """Tell when the road may be opened."""
    lanes, shut = lanes_beside(case, LANE_BESIDE), roads_shut(case)
    lane = "lane stays" if len(lanes) == 1 else "lanes stay"
    kept = f" The {lane} closed as long as anybody works beside {in_a_row(lanes)}." if lanes else ""
    but = ""
    if lanes == names_over(case):
        kept, but = "", ", but for its closed lane,"  # since when and until when is told before
    if shut and set(names_over(case)) <= set(shut):
        off = "Ladder off the strand" if has_ladder_sag(case) else "The clamp holds"
        return f"{off}: measure over {roads_over(case)}. {stays_shut(shut)}.{kept}"
    kept += f" {stays_shut(shut)}." if shut else ""
    if has_ladder_sag(case):
        opened = "only with the ladder off the strand and the clearance measured."
        return f"Open the road{but} {opened}{kept}"
    asked = height_to_open(case)
    if is_known(asked):
        least = f"{case.length(asked)} or more"
        return f"The clamp holds: measure over {roads_over(case)} again, {least}."
    return f"Open the road again{but} only when the clamp holds the wire at its height.{kept}"


def has_ladder_sag(case: DropCase) -> bool:
    """Whether a ladder leans on the strand while the sag is set."""
    drop = case.drop
    is_allowed = case.is_from_clamp and drop["strand_ladder"] == LADDER_ALLOWED
    return is_allowed and is_known(drop["ladder_sag_m"])


def sagging(case: DropCase) -> list[str]:
    """Tell how the sag is set, with a ladder on the strand and without."""
    drop = case.drop
    at = case.temperature(drop["stringing_temperature_c"])
    table = f"the stringing table at today's temperature ({case.sag(drop['stringing_sag_m'])}"
    table += f" at {at})"
    with_ladder = drop["ladder_sag_m"]
    if has_ladder_sag(case):
        gone = float(drop["stringing_sag_m"]) - float(with_ladder)
        least = ": the least allowed" if gone > 0 else ""
        return [
            "With the ladder on the strand set the sag that the stringing table has for that at"
            f" today's temperature ({case.sag(with_ladder)} at {at}){least}.{_heavy(case)} Clamp"
            " the wire and tie it off.",
            f"Take the ladder away: {_shift(case, gone)}. {_others_hung(case)}Compare the sag with"
            f" {table}. Less: ladder on again{held_again(case)}, let wire out; more: take it up;"
            " compare again.",
        ]
    return [
        f"Sag: set it by {table}: no more, no less.{_heavy(case)} Put the clamp on the wire."
        f" {_others_hung(case)}".strip()
    ]


def is_heavy(case: DropCase) -> bool:
    """Whether the wire is set with grip and hoist: the pull is too great to be held by hand.

    With the ladder on or gone: where it grows as the ladder goes, it is taken up again by hoist.
    """
    pulls = (_while_set(case)[0], case.drop["stringing_tension_n"])
    return any(is_known(pull) and float(pull) > BY_HAND_N for pull in pulls)


def _while_set(case: DropCase) -> tuple[Any, Any]:
    """Return pull and sag while the wire is made fast: with the ladder on, where one is."""
    drop = case.drop
    if has_ladder_sag(case):
        return drop["ladder_tension_n"], drop["ladder_sag_m"]
    return drop["stringing_tension_n"], drop["stringing_sag_m"]


def heavy_below(case: DropCase) -> float:
    """Return the highest temperature of the table at which a hand can't hold the pull.

    Parameters
    ----------
    case : DropCase
        The drop.

    Returns
    -------
    float
        Degrees Celsius; NaN where a hand holds it at all of them.
    """
    pulls = ("tension_n", "ladder_tension_n") if has_ladder_sag(case) else ("tension_n",)
    heavy = [
        float(row["temperature_c"])
        for row in case.stringing
        if any(is_known(row.get(name)) and float(row[name]) > BY_HAND_N for name in pulls)
    ]
    return max(heavy, default=math.nan)


def _heavy(case: DropCase) -> str:
    """Tell when the wire is set by hoist and gauge, and to which pull."""
    if not is_heavy(case):
        at_c = heavy_below(case)
        cold = f" At {case.temperature(at_c)} or colder: wire grip, hoist and pull gauge."
        return cold if is_known(at_c) else ""
    pull, sag = _while_set(case)
    by = "; the sag is too small to sight, go by the pull" if float(sag) < SIGHTED_M else ""
    at = case.temperature(case.drop["stringing_temperature_c"])
    return f" By wire grip and hoist, with a pull gauge: {case.force(pull)} at {at}{by}."


def _others_hung(case: DropCase) -> str:
    """Tell that the figures hold with all drops of the strand span hung, and which these are."""
    others = parts_of(case.job.get("span_drops"))
    if not others:
        return _after(case)
    if is_last_up(case):
        return (
            f"Figures are with {in_a_row(others)} hung too: compare all, by their"
            f" sheets{held_to_compare(case)}. {_after(case)}"
        )
    return (
        f"Figures are with {in_a_row(others)} hung on this strand span too: hang all before"
        f" comparing or re-tensioning; the last one up: compare all again{held_to_compare(case)}."
        f" {_after(case)}"
    )


def _after(case: DropCase) -> str:
    """Tell which ladder brings this wire down over a road after it hangs."""
    after = hung_after(case)
    if not after:
        return ""
    return f"{in_a_row(after)} only after this drop: flaggers hold the road again then. "


def _shift(case: DropCase, sag_gain_m: float) -> str:
    before, after = case.drop["ladder_shift_m"], case.drop["clamp_shift_m"]
    if not (is_known(before) and is_known(after)):
        return "the clamp moves (how far is not worked out)"
    unit = report_unit("sag", case.units)
    shown = [
        round(float(for_report(float(value), "sag", case.units)), unit.decimals)
        for value in (before, after)
    ]  # the difference of the figures that the front has
    far = f"{abs(shown[1] - shown[0]):.{unit.decimals}f} {unit.unit}"
    way = "toward the house" if float(after) > float(before) else "away from the house"
    sag = "gets more" if sag_gain_m > 0 else "gets less"
    aside = " (square to the strand, not along the wire)" if is_flat(case) else ""
    return f"the clamp goes {way}, {far}, and the sag {sag}{aside}"
