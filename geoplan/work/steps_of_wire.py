"""Steps that handle the wire: off the reel, over the ground, up, and cut.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: tell where ladders stand; compute.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase, feature_name, is_known
from geoplan.work.site_words import in_a_row, is_positive, over_road, place_words, pole_of
from geoplan.work.site_words import while_held as held

OVER_GROUND = {"sidewalk": "walk", "driveway": "drive", "pool": "pool", "lot": "lot"}


def wire_at_house(case: DropCase) -> str:
    """Tell how the wire is cut and clamped at the house, with the reel on the house's side."""
    reel = place_words(case, "reel")
    return (
        f"Reel {reel}. {_drawn(case)} Leave {_run(case)} for the building run beyond the clamp;"
        " clamp the wire at the house and make it fast."
    )


def _drawn(case: DropCase) -> str:
    cut = case.length(case.job["cut_length_m"])
    if case.job["supply"] == "bulk":
        return f"Draw off {cut} in open loops out of people's way, and cut."
    return f"Lay out the stocked length of {cut} in open loops out of people's way."


def _run(case: DropCase) -> str:
    return case.length(case.job["building_run_m"])


def wire_at_support(case: DropCase) -> str:
    """Tell how the wire is made ready at the reel, on the side of the street without the house."""
    reel = place_words(case, "reel")
    words = (
        f"Reel {reel}. Put the house's drop clamp on {_run(case)} from the wire's end (building"
        " run)"
    )
    if is_positive(case.job["ground_path_m"]):
        words += f"; draw off at least {case.length(case.job['ground_path_m'])} more"
    return f"{words}; tie the wire to the hand line beside the reel."


def lay(case: DropCase) -> str:
    """Tell how the wire's end gets to the support, with the reel on the house's side."""
    end = "to below the span clamp" if case.is_from_clamp else f"to the foot of {pole_of(case)}"
    tied = "Tie it to the hand line."
    if over_road(case):
        return (
            f"Only now, {held(case)}, carry the other end over the road {end}, the wire flat on"
            f" the carriageway{_clear_of(case)}. {tied} Traffic stays held."
        )
    return f"Only now carry the other end {end}{_over_owned(case)}{_clear_of(case)}. {tied}"


def lay_over(case: DropCase) -> str:
    """Tell how the wire's end gets over the road to the house."""
    return (
        f"Only now, {held(case)}, carry the end over the road, the wire flat on the carriageway"
        f"{_over_owned(case)}{_clear_of(case)}. Hang its clamp at the house and make it fast;"
        " traffic stays held."
    )


def _over_owned(case: DropCase) -> str:
    names = in_a_row([feature_name(row) for row in case.crossed("water")])
    words = f", over {names} with a light line first, nobody in the water" if names else ""
    tracks = in_a_row([feature_name(row) for row in case.crossed("rail")])
    return words + (f", over {tracks} only as its owner tells" if tracks else "")


def _clear_of(case: DropCase) -> str:
    names = [
        f"{OVER_GROUND[str(row['crossing_kind'])]} {row['feature_id']}"
        for row in case.crossed(*OVER_GROUND)
    ]
    return f"; keep people off it on {in_a_row(names)}" if names else "; clear of plantings"


def raise_wire(case: DropCase) -> str:
    """Tell how the wire goes up."""
    top = "the span clamp" if case.is_from_clamp else f"the hook on {pole_of(case)}"
    if over_road(case):
        return (
            f"Raise the wire to {top} in one pull, traffic still held; make the hand line fast at"
            " once and leave it so until the clamp holds."
        )
    words = f"Raise the wire to {top} by the hand line; smooth curves, no kink"
    people = int(case.job["crew_size"])
    if case.job["is_bucket_job"]:
        words += "; one up in the bucket, one on the ground at the hand line"
    elif people > 1:
        words += f"; {people} people: one pulls, one watches the wire all the way"
    return f"{words}."


def cut_off(case: DropCase) -> str:
    """Tell when the wire is cut, with the reel on the side of the street without the house."""
    cut = case.length(case.job["cut_length_m"])
    if case.job["supply"] != "bulk":
        return ""
    on = "for strand run and terminal" if _goes_on(case) else "for the terminal"
    return f"Draw off more {on}, and cut: {cut} of wire in all."


def _goes_on(case: DropCase) -> bool:
    return is_known(case.drop["strand_run_m"]) and float(case.drop["strand_run_m"]) > 0.0
