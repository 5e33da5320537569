"""Steps at pole or strand: traffic control, ladder or bucket, hook or clamp, hand line, sag.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: handle the wire on the ground; compute.
"""

from __future__ import annotations

from geoplan.work.drop_case import LADDER_ALLOWED, DropCase, is_known
from geoplan.work.site_words import (
    has_signs,
    has_traffic,
    in_a_row,
    is_positive,
    over_road,
    parts_of,
    place_words,
    pole_of,
    roads_over,
    toward_pole,
)

WHY_NO_LADDER = {
    "strand_small": "the strand is too small",
    "strand_unknown": "the strand's size is not known",
    "strand_unsound": "the strand is in poor condition, or its condition is not recorded",
    "strand_overloaded": "a ladder would overload the strand",
    "drop_overstressed": "with a ladder on, the drop would have to be strung too tight",
}


def traffic(case: DropCase) -> str:
    """Tell which traffic control is set up, on each approach."""
    if not has_traffic(case):
        return ""
    job = case.job
    kind = str(job["traffic_class"])
    words = f"Now set up traffic control {_where(case)}"
    words += "" if kind == "beside_road" else f": {kind.replace('_', ' ')}"
    signs = [case.length(job[f"sign_{n}_m"]) for n in (1, 2, 3) if is_positive(job[f"sign_{n}_m"])]
    if has_signs(case):
        start = "taper" if is_positive(job["taper_m"]) else "work"
        words += f"; on each approach the nearest sign {signs[0]} before the {start}"
        words += "".join(f", the next {far} farther" for far in signs[1:])
    if is_positive(job["taper_m"]):
        words += f"; taper {case.length(job['taper_m'])}"
    if is_positive(job["buffer_m"]):
        words += f", buffer {case.length(job['buffer_m'])}"
    words += ". "
    others = [name for name in parts_of(job.get("other_roads")) if name not in words]
    if others:
        words += f"{in_a_row(others)}: near too, set up on each of its approaches as well. "
    return words + _holding(case)


def _where(case: DropCase) -> str:
    if over_road(case):
        return f"on {roads_over(case)}"
    if _is_for_run(case):
        return f"on {in_a_row(parts_of(case.job['run_roads']))} for the strand run"
    return f"beside {case.road_name or 'the road'}"


def _is_for_run(case: DropCase) -> bool:
    """Whether traffic is stopped for the strand run alone."""
    stops = case.job["traffic_class"] != "beside_road"
    return stops and not over_road(case) and bool(parts_of(case.job.get("run_roads")))


def _holding(case: DropCase) -> str:
    kind, people = str(case.job["traffic_class"]), int(case.job["crew_size"])
    if _is_for_run(case):
        who = "the flaggers hold" if kind == "flaggers" else "a second person holds"
        return f"While anybody works over the road {who} traffic."
    if not over_road(case):
        return "Nobody and nothing stands on the carriageway."
    if kind == "flaggers":
        return "The flaggers come besides the crew; no wire on the road before they hold traffic."
    if people > 1:
        return f"{people} people: one watches the road and the wire all the time."
    return "If you can't hold traffic alone while wire lies on the road, wait for a second person."


def stand(case: DropCase) -> str:
    """Tell where ladder or bucket stands."""
    if case.is_from_clamp and case.job["is_bucket_job"]:
        why = WHY_NO_LADDER.get(str(case.drop["strand_ladder"]), "not known to bear one")
        return f"No ladder on this strand: {why}. Bucket {place_words(case, 'bucket')}."
    place = place_words(case, "ladder").removeprefix("at the pole, ")
    where = "the strand" if case.is_from_clamp else pole_of(case)
    return f"Move the ladder to {where}: {place}."


def support(case: DropCase) -> str:
    """Tell where hook or clamp goes."""
    drop = case.drop
    height = case.length(drop["hook_height_m"])
    if case.is_from_clamp:
        toward = toward_pole(case)
        return (
            f"Fix the span clamp {case.length(drop['clamp_at_m'])} along the strand from"
            f" {pole_of(case)}{', ' if toward else ''}{toward}; it comes to hang {height} above the"
            " ground."
        )
    raised = ", higher than usual: the clearances need it" if drop["hook_is_raised"] else ""
    return f"Drive the hook at {height} above the ground, on the side to the house{raised}."


def hand_line(case: DropCase) -> str:
    """Tell how the hand line is hung."""
    over = "the strand" if case.is_from_clamp else "the hook"
    words = f"Hang the hand line over {over}, at least {case.length(case.job['hand_line_m'])}"
    house = case.job["hand_line_house_m"]
    if case.is_over_street and is_known(house):
        words += (
            f": {case.length(house)} of it on the side to the house, just down to the ground, on"
            " no carriageway"
        )
    elif over_road(case):
        words += ", no part of it on the carriageway"
    return f"{words}."


def open_road(case: DropCase) -> str:
    """Tell when the road may be opened."""
    if has_ladder_sag(case):
        return "Open the road again only with the ladder off the strand and the sag checked."
    return "Open the road again only when the clamp holds the wire at its height."


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
            f" today's temperature ({case.sag(with_ladder)} at {at}){least}. Clamp the wire and tie"
            " it off.",
            f"Take the ladder away: {_shift(case, gone)}. Compare the sag with {table}. Less:"
            " ladder on again, let wire out; more: take it up; compare again.",
        ]
    over = " over the road" if over_road(case) else ""
    return [
        f"Sag: set it by {table}: as much as clearance{over} allows. Put the clamp on the wire."
    ]


def _shift(case: DropCase, sag_gain_m: float) -> str:
    before, after = case.drop["ladder_shift_m"], case.drop["clamp_shift_m"]
    if not (is_known(before) and is_known(after)):
        return "the clamp moves (how far is not worked out)"
    moved = float(after) - float(before)
    way = "toward the house" if moved > 0 else "away from the house"
    sag = "gets more" if sag_gain_m > 0 else "gets less"
    return (
        f"the clamp goes {way}, {case.sag(abs(moved))}, and the sag {sag} (with all planned drops"
        " of this span hung)"
    )
