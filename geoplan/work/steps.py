"""The steps of one job in the order proper to its kind, told with the drop's own data.

Enters: a `DropCase`.
Leaves: sentences in order.
Does not do: compute; say anything that the tables don't hold, but for the order and the way of
working, which are common practice without a source.
"""

from __future__ import annotations

from geoplan.work.drop_case import LADDER_ALLOWED, DropCase, Row, feature_name, is_known

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
    Same side: from the house to the pole, the terminal last. By a span clamp: from the house to
    the clamp, sag with and without the ladder, along the strand to the terminal. Across a street:
    traffic first, the hand line hung before any wire lies on the carriageway, one pull, made fast
    until the clamp holds.

    References
    ----------
    Order of work: common practice, no source.
    """
    kind = str(case.job["job_kind"])
    if kind not in {"same_side", "span_clamp", "street_crossing", "street_crossing_span_clamp"}:
        message = f"job_kind must be a declared kind; it is {kind!r}"
        raise ValueError(message)
    steps = [_site(case)]
    if case.is_over_street or case.job["traffic_class"] != "none":
        steps += [_traffic(case)]
    steps += _in_the_way(case)
    steps += [_house(case)]
    if case.is_over_street:
        steps += [_stand(case), *_support(case), _hand_line(case)]
        steps += [_lay_over(case), _raise_over(case)]
    else:
        steps += [_lay(case), _stand(case), *_support(case), _hand_line(case), _raise(case)]
    steps += _sagging(case)
    if case.is_over_street:
        steps += ["Open the road again only when the clamp holds the wire at its height."]
    steps += [_to_terminal(case), _building(case), _last(case)]
    return [step for step in steps if step]


def _pole(case: DropCase) -> str:
    return f"pole {case.drop['access_pole_id']}"


def _start(case: DropCase) -> str:
    if not case.is_from_clamp:
        return _pole(case)
    at = case.length(case.drop["clamp_at_m"])
    return f"the clamp, {at} along the strand from {_pole(case)}"


def _site(case: DropCase) -> str:
    way = f" to the {case.toward_house}" if case.toward_house else ""
    span = case.length(case.drop["air_span_m"])
    words = f"Walk the line from {_start(case)}, {span}{way} to the house, and do the checks of"
    words += " 'check on site first'. Stop where one fails."
    if case.is_over_street:
        words += f" Look both ways along {case.streets}: traffic, sight distance, power, trees."
    return words


def _traffic(case: DropCase) -> str:
    job = case.job
    kind = str(job["traffic_class"]).replace("_", " ")
    where = f"on {case.streets}" if case.streets else "on the road"
    if not case.is_over_street:
        where = f"beside {case.streets or 'the road'}"
    words = f"Set up traffic control {where}: {kind}"
    signs = [case.length(job[f"sign_{n}_m"]) for n in (1, 2, 3) if _positive(job[f"sign_{n}_m"])]
    if signs:
        ahead = f"; sign {signs[0]} ahead of the work"
        words += ahead + "".join(f", the next {far} farther" for far in signs[1:])
    if _positive(job["taper_m"]):
        words += f"; taper {case.length(job['taper_m'])}"
    if _positive(job["buffer_m"]):
        words += f", buffer {case.length(job['buffer_m'])}"
    people = int(job["crew_size"])
    if people > 1:
        words += f". {people} people: one watches the road and the wire all the time"
    return f"{words}."


def _in_the_way(case: DropCase) -> list[str]:
    steps = [
        f"Tree {row['feature_id']}, {case.length(row['at_m'])} out: its crown is in the line."
        " With leave trim it, or lead the hand line through before the wire."
        for row in case.crossed("tree")
    ]
    power = case.near("power")
    if power:
        names = ", ".join(_power(case, row) for row in power)
        steps.append(
            f"Power: {names}. Treat as live. Keep wire, hand line, ladder and body out of the"
            " approach distance; if that can't be kept, stop and call the owner."
        )
    return steps


def _power(case: DropCase, row: Row) -> str:
    kind = str(row["feature_class"]).replace("_", " ") if is_known(row["feature_class"]) else ""
    place = f"{case.length(row['at_m'])} out"
    if row["is_near_miss"] and is_known(row["distance_m"]):
        place += f", {case.length(row['distance_m'])} aside"
    return f"{kind or 'power'} {row['feature_id']} ({place})"


def _house(case: DropCase) -> str:
    drop = case.drop
    where = ATTACHED_TO.get(str(drop["attachment_basis"]), "at the house")
    height = case.length(drop["attachment_height_m"])
    words = f"House: set the attachment {where}, {height} above the ground"
    if drop["attachment_is_raised"]:
        words += ", higher than usual: the clearances need it"
    if any(row["code"] == "steep_wall_angle" for row in case.hazards):
        angle = float(drop["wall_angle_deg"])
        words += f"; on a bracket, as the wire leaves the wall at only {angle:.0f} deg"
    ladder = _place(case, "house_ladder", "at the wall, secured")
    return f"{words}. Ladder {ladder}. Clamp the wire there and make it fast."


def _clear_of(case: DropCase) -> str:
    kinds = {"sidewalk": "walk", "driveway": "drive", "pool": "pool", "lot": "the other lot"}
    names = [
        f"{kinds[str(row['crossing_kind'])]} {row['feature_id']}" for row in case.crossed(*kinds)
    ]
    if not names:
        return "keep it clear of walks and plantings"
    return f"keep people away where it lies over {', '.join(dict.fromkeys(names))}"


def _lay(case: DropCase) -> str:
    end = "to below the clamp" if case.is_from_clamp else f"to the foot of {_pole(case)}"
    usual = "out of the way, so that people can pass"
    reel = _place(case, "reel", usual)
    return f"Lay the wire on the ground from the house {end}; {_clear_of(case)}. Reel {reel}."


def _stand(case: DropCase) -> str:
    job, drop = case.job, case.drop
    if not case.is_from_clamp:
        return f"Ladder {_place(case, 'ladder', f'at {_pole(case)}')}."
    if job["is_bucket_job"]:
        why = drop["strand_ladder"]
        reason = f" ({str(why).replace('_', ' ')})" if is_known(why) else ""
        return f"No ladder on this strand{reason}: bucket {_place(case, 'bucket', 'at the clamp')}."
    usual = (
        "on the field side of the strand, at the clamp, never in the street; lash it to the"
        " strand before work starts"
    )
    side = f" House to the {case.toward_house}." if case.toward_house else ""
    return f"Ladder {_place(case, 'ladder', usual)}.{side}"


def _support(case: DropCase) -> list[str]:
    drop = case.drop
    height = case.length(drop["hook_height_m"])
    if case.is_from_clamp:
        return [
            f"Fix the span clamp {case.length(drop['clamp_at_m'])} from {_pole(case)}; it comes to"
            f" hang {height} above the ground."
        ]
    raised = ", higher than usual: the clearances need it" if drop["hook_is_raised"] else ""
    return [f"Drive the hook at {height} above the ground, on the house side{raised}."]


def _hand_line(case: DropCase) -> str:
    line = case.length(case.job["hand_line_m"])
    over = "the strand" if case.is_from_clamp else "the hook"
    words = f"Hang the hand line over {over}, at least {line}"
    house = case.job["hand_line_house_m"]
    if case.is_over_street and is_known(house):
        words += (
            f": {case.length(house)} of it on the side to the house, so that it just reaches the"
            " ground and lies on no carriageway"
        )
    return f"{words}."


def _lay_over(case: DropCase) -> str:
    words = "Only now lay the wire over the road, flat on the carriageway, in a gap in traffic"
    out = case.job["ground_path_m"]
    if is_known(out):
        words += f"; at least {case.length(out)} of wire is out by then"
    reel = _place(case, "reel", "secured and braked, so that one pull clears the road")
    return f"{words}; {_clear_of(case)}. Reel {reel}."


def _raise(case: DropCase) -> str:
    return f"Tie the wire to the hand line and raise it to {_top(case)}; smooth curves, no kink."


def _raise_over(case: DropCase) -> str:
    return (
        f"In a gap in traffic raise the wire to {_top(case)} in one pull; make the hand line fast"
        " at once and leave it so until the clamp holds."
    )


def _top(case: DropCase) -> str:
    return "the span clamp" if case.is_from_clamp else f"the hook on {_pole(case)}"


def _sagging(case: DropCase) -> list[str]:
    drop = case.drop
    sag = case.sag(drop["stringing_sag_m"])
    at = case.temperature(drop["stringing_temperature_c"])
    with_ladder = drop["ladder_sag_m"]
    table = f"read the stringing table at today's temperature ({sag} at {at})"
    if case.is_from_clamp and drop["strand_ladder"] == LADDER_ALLOWED and is_known(with_ladder):
        steps = [
            f"With the ladder on the strand set a sag of {case.sag(with_ladder)} at {at}: the"
            " least allowed. Put the clamp on the wire and tie it off.",
            f"Take the ladder away: the clamp goes {_shift(case)}. Then check the sag: {table}."
            " Where it is not, go up again.",
        ]
        return steps
    over = " over the road" if case.is_over_street else ""
    return [f"Sag: {table}: as much as clearance{over} allows. Put the clamp on the wire."]


def _shift(case: DropCase) -> str:
    before, after = case.drop["ladder_shift_m"], case.drop["clamp_shift_m"]
    if not (is_known(before) and is_known(after)):
        return "toward the house"
    return f"toward the house, {case.sag(float(after) - float(before))} in all"


def _to_terminal(case: DropCase) -> str:
    drop, job = case.drop, case.job
    first, last = int(job["first_port"]), int(job["last_port"])
    port = f"port {first}" if first == last else f"ports {first} to {last}"
    words = ""
    if float(drop["strand_run_m"]) > 0.0:
        passed = int(drop["spans_passed"])
        by = f", {passed} whole span{'s' if passed != 1 else ''}" if passed else ""
        words = (
            f"Lead the wire along the strand, below strand and cable so that nothing chafes:"
            f" {case.length(drop['strand_run_m'])}{by}, to pole {drop['terminal_id']}. "
        )
    return f"{words}Connect at terminal {drop['terminal_id']}, {port}, with a drip loop."


def _building(case: DropCase) -> str:
    job = case.job
    words = f"Building run: {case.length(job['building_run_m'])} down and along the wall to the"
    words += " network interface, drip loop first"
    if _positive(job["coil_m"]) and is_known(job["coil_at"]):
        words += f"; coil {case.length(job['coil_m'])} {job['coil_at']}"
    return f"{words}. Bond and earth it as the code in force asks."


def _last(case: DropCase) -> str:
    drop = case.drop
    words = "Measure the lowest place"
    if is_known(drop["margin_at_m"]) and is_known(drop["margin_required_m"]):
        over = _over_words(case)
        words += (
            f" over {over}, {case.length(drop['margin_at_m'])} out: at least"
            f" {case.length(drop['margin_required_m'])} is required at the worst sag"
        )
    return f"{words}; write the as-built figures. Leave nothing to trip over; take down all signs."


def _over_words(case: DropCase) -> str:
    over = str(case.drop["margin_over"])
    for row in case.crossings:
        if over == f"{row['crossing_kind']} {row['feature_id']}":
            return feature_name(row)
    return "the yard" if over == "yard" else over


def _place(case: DropCase, place: str, usual: str) -> str:
    """Tell how to stand: as the table of places has it, else as is usual."""
    return case.places.get(place, "").rstrip(".") or usual


def _positive(value: object) -> bool:
    return is_known(value) and float(value) > 0.0  # type: ignore[arg-type]
