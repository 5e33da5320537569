"""Steps that handle the wire: off the reel, over the ground, up, and cut.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: tell where ladders stand; compute.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase, feature_name, is_known
from geoplan.work.duties import duties, holders
from geoplan.work.site_words import (
    height_to_open,
    in_a_row,
    is_positive,
    kept_off,
    names_at,
    over_road,
    parts_of,
    place_words,
    pole_of,
    roads_over,
)
from geoplan.work.site_words import while_held as held

OVER_GROUND = {"sidewalk": "walk", "driveway": "drive", "pool": "pool", "lot": "lot"}


def wire_at_house(case: DropCase) -> str:
    """Tell how the wire is cut and clamped at the house, with the reel on the house's side."""
    reel = f"{place_words(case, 'reel')}.{_over_reel(case)}"
    return (
        f"Reel {reel} {_drawn(case)} Leave {_run(case)} for the building run beyond the clamp;"
        " clamp the wire at the house and make it fast."
    )


def _over_reel(case: DropCase) -> str:
    """Tell which power passes over the reel."""
    live = names_at(case, "reel")
    return f" {live} over it, live: no wire thrown or whipped up." if live else ""


def _drawn(case: DropCase) -> str:
    cut = case.length(case.job["cut_length_m"])
    if case.job["supply"] == "bulk":
        return f"Draw off {cut} in open loops out of people's way, and cut."
    return f"Lay out the stocked length of {cut} in open loops out of people's way."


def _run(case: DropCase) -> str:
    return case.length(case.job["building_run_m"])


def wire_at_support(case: DropCase) -> str:
    """Tell how the wire is made ready at the reel, on the side of the street without the house."""
    reel = f"{place_words(case, 'reel')}.{_over_reel(case)}"
    words = (
        f"Reel {reel} Put the house's drop clamp on {_run(case)} from the wire's end (building run)"
    )
    if is_positive(case.job["ground_path_m"]):
        words += f"; draw off at least {case.length(case.job['ground_path_m'])} more"
    return f"{words}; tie the wire to the hand line beside the reel."


def lay(case: DropCase) -> str:
    """Tell how the wire gets to the support, with the reel on the house's side."""
    end = "to below the span clamp" if case.is_from_clamp else f"to the foot of {pole_of(case)}"
    what, tied = "the other end", "Tie it to the hand line."
    if _goes_on(case):
        what = "the wire"
        tied = (
            f"Tie the hand line on {case.length(case.job['air_arc_m'])} from the house's clamp; the"
            " rest stays coiled there, tied and out of the way."
        )
    if over_road(case):
        return (
            f"Only now, {held(case)}, carry {what} over the road {end}, flat on"
            f" the carriageway{_over_roofs(case)}{_clear_of(case)}. {tied}"
            f" {kept_off(case).capitalize()}."
        )
    return (
        f"Only now carry {what} {end}{_over_owned(case)}{_over_roofs(case)}{_clear_of(case)}."
        f" {tied}"
    )


def lay_over(case: DropCase) -> str:
    """Tell how the wire's end gets over the road to the house."""
    return (
        f"Only now, {held(case)}, carry the end over the road, the wire flat on the carriageway"
        f"{_over_owned(case)}{_over_roofs(case)}{_clear_of(case)}. From the ladder that stands at"
        f" the house hang its clamp there and make it fast; {kept_off(case)}."
    )


def _over_owned(case: DropCase) -> str:
    names = in_a_row([feature_name(row) for row in case.crossed("water")])
    words = f", over {names} with a light line first, nobody in the water" if names else ""
    tracks = in_a_row([feature_name(row) for row in case.crossed("rail")])
    return words + (f", over {tracks} only as its owner tells" if tracks else "")


def _over_roofs(case: DropCase) -> str:
    names = in_a_row([str(row["feature_id"]) for row in case.crossed("roof")])
    return f", over roof {names} by the line led there" if names else ""


def _clear_of(case: DropCase) -> str:
    names = [
        f"{OVER_GROUND[str(row['crossing_kind'])]} {row['feature_id']}"
        for row in case.crossed(*OVER_GROUND)
    ]
    return f"; keep people off it on {in_a_row(names)}" if names else "; clear of plantings"


def raise_wire(case: DropCase) -> str:
    """Tell how the wire goes up, and past which power."""
    top = "the span clamp" if case.is_from_clamp else f"the hook on {pole_of(case)}"
    if over_road(case):
        return (
            f"Raise the wire to {top} in one pull, {kept_off(case)}{_by_whom(case)}; make the hand"
            f" line fast at once and leave it so until the clamp holds.{_past_power(case)}"
            f"{_open_early(case)}"
        )
    people = int(case.job["crew_size"])
    is_told = people < 2 or bool(holders(case))  # before traffic is held
    by = "" if is_told else f"; {people} people: {duties(case)}"
    return (
        f"Raise the wire to {top} by the hand line; smooth curves, no kink{by}.{_past_power(case)}"
    )


def _by_whom(case: DropCase) -> str:
    """Tell who does what where others hold traffic; posts of a short stop are told before."""
    is_told = case.job["traffic_class"] == "short_stop"
    return "" if is_told or int(case.job["crew_size"]) < 2 else f"; {duties(case)}"


def _open_early(case: DropCase) -> str:
    """Tell to open the road while the wire is tensioned, where it clears the road by then."""
    asked = height_to_open(case)
    if not is_known(asked):
        return ""
    return (
        f" Measure it over {roads_over(case)}: {case.length(asked)} or more, the hand line fast:"
        " open the road. Less, or it comes down again: hold traffic."
    )


def _past_power(case: DropCase) -> str:
    """Tell which power the wire goes up beside or below."""
    passed = [str(row["feature_id"]) for row in case.near("power")]
    names = in_a_row(list(dict.fromkeys([*passed, *parts_of(case.job.get("power_beside"))])))
    if not names:
        return ""
    return (
        f" It goes up near power {names}, live: pull slowly, don't let the wire whip, nearer than"
        " 'Power' tells: stop."
    )


def cut_off(case: DropCase) -> str:
    """Tell when the wire is cut, with the reel on the side of the street without the house."""
    cut = case.length(case.job["cut_length_m"])
    if case.job["supply"] != "bulk":
        return ""
    if not is_known(case.job["drawn_m"]):
        return f"Draw off more or take back what is too much, and cut: {cut} in all."
    if float(case.job["drawn_m"]) > float(case.job["cut_length_m"]):
        return f"Take the rest back on the reel, and cut: {cut} in all."
    on = "for strand run and terminal" if _goes_on(case) else "for the terminal"
    return f"Draw off more {on}, and cut: {cut} in all."


def _goes_on(case: DropCase) -> bool:
    return is_known(case.drop["strand_run_m"]) and float(case.drop["strand_run_m"]) > 0.0
