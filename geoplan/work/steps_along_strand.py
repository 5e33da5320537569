"""Steps from hook or clamp to the terminal: the strand run, and the connection.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: compute.
"""

from __future__ import annotations

import math

from geoplan.work.drop_case import DropCase, is_known
from geoplan.work.hang_words import below_run, hang_before, of_own_span
from geoplan.work.kerb_lanes import LANE_BESIDE
from geoplan.work.power_steps import LAST_LADDER, along_run, close_to, ladder_side
from geoplan.work.run_walks import guarded
from geoplan.work.site_words import (
    at_side_roads,
    in_a_row,
    names_over,
    near_road,
    over_road,
    parts_of,
    pole_of,
    roads_over,
    run_by_bucket,
)
from geoplan.work.steps_of_traffic import lanes_beside, roads_shut, traffic_for_run

HANGS_OVER = "hangs over "
"""How a note tells of a run over a road."""


def strand_run(case: DropCase) -> list[str]:
    """Tell how the wire goes along the strand: traffic first, then how, past and over what."""
    drop, job = case.drop, case.job
    if float(drop["strand_run_m"]) <= 0.0:  # one that is not known is told as such
        return []
    terminal = str(drop["terminal_id"])
    passed = int(drop["spans_passed"])
    spans = f", {passed} whole span{'s' if passed != 1 else ''}" if passed else ""
    by = [pole for pole in parts_of(job.get("run_poles")) if pole != terminal]
    if not case.is_from_clamp:
        by = [pole for pole in by if pole != str(drop["access_pole_id"])]
    past = f", past pole{'s' if len(by) > 1 else ''} {in_a_row(by)}" if by else ""
    start = "the clamp" if case.is_from_clamp else pole_of(case)
    words = [
        f"Strand run, {case.length(drop['strand_run_m'])}{spans}: lead the wire from {start}{past}"
        f" to pole {terminal}, tied below strand and cable, nothing chafing.",
        _reach(case),
    ]
    words += filter(None, [guarded(case), along_run(case)])
    trees = parts_of(job.get("run_trees"))
    if trees:
        words.append(
            f"Through the crown of {in_a_row(trees)}: trim only with leave, the wire must not rub."
        )
    roads = parts_of(job.get("run_roads"))
    if roads:
        height = job.get("run_asked_m", math.nan)
        asked = f", {case.length(height)} asked" if is_known(height) else ""
        words.append(f"Clearance over {in_a_row(roads)} NOT WORKED OUT: measure it{asked}.")
    mates = parts_of(job.get("span_drops_over"))
    if is_pressed_again(case):
        words.append(_open_again(case))
    elif case.is_from_clamp and mates and not run_by_bucket(case):
        words.append(_below_mates(mates, of_own_span(case, hang_before(case))))
    told = " ".join(words) + below_run(case)
    return [step for step in (_hold_again(case), traffic_for_run(case), told) if step]


def _below_mates(mates: list[str], later: list[str]) -> str:
    """Tell how traffic is held below wires of others that the ladder brings down once more."""
    words = "On the clamp's span as before:"
    now = [name for name in mates if name not in later]
    told = [f"traffic held below {in_a_row(now)} until the ladder is off it"] if now else []
    if later:
        up = "hangs" if len(later) == 1 else "hang"
        told.append(f"if {in_a_row(later)} {up} by now, flaggers hold that road first")
    return f"{words} {'; '.join(told)}."


def is_pressed_again(case: DropCase) -> bool:
    """Whether a ladder on the clamp's span brings the wire down over a road once more."""
    is_bare = not run_by_bucket(case) and not parts_of(case.job.get("run_roads"))
    return case.is_from_clamp and over_road(case) and is_bare


def _hold_again(case: DropCase) -> str:
    """Tell that the road is shut again while the ladder is on the clamp's span."""
    if not is_pressed_again(case):
        return ""
    return (
        f"Hold traffic again on {roads_over(case)}{at_side_roads(case)}: on the clamp's span the"
        " ladder brings the wire down once more."
    )


def _open_again(case: DropCase) -> str:
    """Tell when the road is opened for good."""
    asked = [
        float(row["required_m"])
        for row in case.crossed("road")
        if row["clearance_basis"] == "computed"
    ]
    least = f", {case.length(max(asked))} or more" if asked else ""
    measured = f"Ladder off that span: measure over {roads_over(case)}{least}"
    over = set(names_over(case))
    if over <= set(roads_shut(case)):  # shut until all work there is done
        return f"{measured}."
    but = " but for its closed lane" if over & set(lanes_beside(case, LANE_BESIDE)) else ""
    return f"{measured}; then open the road{but}."


def _reach(case: DropCase) -> str:
    """Tell how the strand is reached."""
    job = case.job
    roads = parts_of(job.get("run_roads"))
    if run_by_bucket(case):
        notes = parts_of(job.get("run_reach_note"))
        notes = [note for note in notes if not note.startswith(HANGS_OVER)]  # told below
        why = f" ({'; '.join(notes)})" if notes else ""
        lane = f", the lane closed where it works over {in_a_row(roads)}" if roads else ""
        told = "; ".join(parts_of(job.get("run_truck")))
        truck = f" Truck: {told}." if told else ""
        return (
            f"By bucket{lane}{why}: no ladder on the strand.{truck} Look up before each set-up;"
            " boom and bucket below the strand, off power as 'Power' tells."
        )
    if roads:
        return f"Over {in_a_row(roads)} by bucket only, the lane closed; no ladder there."
    street = ", on the side away from the road, never on a carriageway" if near_road(case) else ""
    asked = [*parts_of(job.get("run_lots")), *parts_of(job.get("run_lots_sides"))]
    is_by_lots = bool(asked) or not near_road(case)
    yards = " Onto other people's lots only with their leave." if is_by_lots else ""
    return (
        f"Move the ladder along, lashed each time{street}; look up first. No ladder on a span whose"
        f" strand failed the check.{yards}"
    )


def connection(case: DropCase) -> str:
    """Tell how the wire is connected."""
    drop, job = case.drop, case.job
    terminal = str(drop["terminal_id"])
    first, last = int(job["first_port"]), int(job["last_port"])
    port = f"port {first}" if first == last else f"ports {first} to {last}"
    words, told = "Connect", "ladder"  # it still stands where it was set
    if float(drop["strand_run_m"]) > 0.0 or case.is_from_clamp:
        words = f"Set the ladder at pole {terminal}{ladder_side(case)}; lash it there. Connect"
        told = LAST_LADDER
        if run_by_bucket(case):
            words, told = "From the bucket connect", ""
    words += f" at terminal {terminal}, {port}, with a drip loop; hang the tag."
    return words + close_to(case, "terminal", "the strand", told) + _open_after_run(case)


def _open_after_run(case: DropCase) -> str:
    """Tell when roads shut for the strand run are opened: nothing is done from the truck then."""
    roads = [*parts_of(case.job.get("run_roads")), *parts_of(case.job.get("run_lanes"))]
    roads = list(dict.fromkeys([*roads, *lanes_beside(case)]))
    if not roads or float(case.drop["strand_run_m"]) <= 0.0:
        return ""
    measured = " and the clearance measured" if parts_of(case.job.get("run_roads")) else ""
    away = "Bucket down, truck away" if run_by_bucket(case) else "Ladder away"
    return f" {away}{measured}: only then open {in_a_row(roads)}."
