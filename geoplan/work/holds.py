"""What a job may not start without: permits, leave of owners, power and poles to be judged.

Enters: a `DropCase`.
Leaves: `Hold`: what to wait for, and the box in which its name or number is written.
Does not do: get a permit; judge power or poles.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from geoplan.work.drop_case import DropCase, Row, feature_name, is_known
from geoplan.work.duties import mates_held
from geoplan.work.hang_words import hung_first, up_already
from geoplan.work.power_measured import MOST_NAMED
from geoplan.work.power_steps import names_short
from geoplan.work.run_lots import SIDE
from geoplan.work.side_roads import FOR_RUN, NOT_HELD
from geoplan.work.site_words import (
    in_a_row,
    is_closed,
    others_ground,
    out_of,
    parts_of,
    power_of,
    roads_over,
    swing_at,
)
from geoplan.work.steps_of_traffic import closed_by_work, lanes_beside

BLANK = "________"
"""Where a name or number is written."""
BY_NAME = f"(name)\N{NO-BREAK SPACE}{BLANK}"
NUMBER = f"number\N{NO-BREAK SPACE}{BLANK}"

IN_THE_ROAD = "in the carriageway"
"""Mark of a finding on an address that says nothing of which house it is."""
NO_ADDRESS = "owner not in the layers: find out"


@dataclass(frozen=True)
class Hold:
    """One thing to wait for."""

    until: str
    """Goes on after 'Do not start until'."""
    box: str
    """Box to tick, with a place for who judged or allowed it."""


def build_holds(case: DropCase) -> list[Hold]:
    """Gather what a job may not start without.

    Parameters
    ----------
    case : DropCase
        One planned drop.

    Returns
    -------
    list of Hold
        Power first, then poor poles, other drops of the strand span, what the office must settle,
        and what owners and road authorities must allow; empty where there is nothing to wait for.

    Notes
    -----
    Every hazard of severity error is one, whatever its code.
    """
    errors = [row for row in case.hazards if row["severity"] == "error"]
    known = ("power_crossing", "rail_crossing", "water_crossing")
    return [
        *_approach(case),
        *_power(case),
        *_others([row for row in errors if row["code"] not in known]),
        *_poor(case),
        *_order(case),
        *_house(case),
        *_beside(case),
        *_ports(case),
        *_owners(case),
        *_roads(case),
        *_side_roads(case),
        *_easements(case),
        *_ground(case),
    ]


def first_part(note: object) -> str:
    """Return what a note on power says before its rule; empty for a null."""
    return str(note).split(";")[0].strip().rstrip(".") if is_known(note) else ""


def _approach(case: DropCase) -> Iterator[Hold]:
    state, note = case.job["power_approach"], first_part(case.job["power_approach_note"])
    told, name = (f": {note}" if note else ""), note.split(",")[0]
    short = names_short(case, name)
    line = in_a_row(short) or "power"
    if len(short) > MOST_NAMED:
        line = f"{in_a_row([*short[:1], 'all power of the first box'])}"
    if len(short) > 1:
        told += f". Not kept or not known too: {in_a_row(short[1:] if short[0] == name else short)}"
    if state == "within":
        yield Hold(
            f"the owner has made {line} safe or told how to work there (planned WITHIN THE APPROACH"
            " DISTANCE)",
            f"WITHIN THE APPROACH DISTANCE{told}. Made safe or allowed by {BY_NAME}",
        )
    elif state == "not_checked":
        yield Hold(
            f"the distance to {line} is judged (NOT CHECKED)",
            f"Approach distance to power NOT CHECKED{told}. Judged by {BY_NAME}",
        )


def _power(case: DropCase) -> Iterator[Hold]:
    rows = case.crossed("power")
    if rows:
        names = in_a_row([str(row["feature_id"]) for row in rows])
        lines = in_a_row([power_of(case, row) for row in rows])
        yield Hold(
            f"power {names} at the wire is judged",
            f"Power met: {lines}. Judged by somebody qualified {BY_NAME}",
        )


def _others(rows: Sequence[Row]) -> Iterator[Hold]:
    for row in rows:
        what = str(row["what"])
        yield Hold(f"this is settled: {what}", f"STOP: {what}. Settled by {BY_NAME}")


def _poor(case: DropCase) -> Iterator[Hold]:
    poor = parts_of(case.job.get("poor_poles"))
    if poor:
        names = f"pole{'s' if len(poor) > 1 else ''} {in_a_row(poor)}"
        yield Hold(
            f"{names}, recorded in POOR condition, {'are' if len(poor) > 1 else 'is'} judged by the"
            " owner (no ladder, no climb before)",
            f"POOR condition is recorded of {names}: judged by the owner {BY_NAME}",
        )


def _order(case: DropCase) -> Iterator[Hold]:
    """Hold for drops that are hung first, or for flaggers below one that hangs."""
    first, up = hung_first(case), up_already(case)
    if first:
        names = f"{in_a_row(first)} (ladder on this strand span)"
        are = "is" if len(first) == 1 else "are"
        yield Hold(f"{names} {are} hung", f"First: {names} hung? Seen by {BY_NAME}")
    if up:
        names = f"{in_a_row(up)} (on a strand span of this ladder, hung before)"
        yield Hold(
            f"flaggers for the road below {names} are here",
            f"Flaggers for the road below {names}: ordered by {BY_NAME}",
        )


def _house(case: DropCase) -> Iterator[Hold]:
    if any(IN_THE_ROAD in words for words in case.doubts):
        yield Hold(
            "the office has named the house (the address was placed in the road)",
            f"Address placed in the road. House named by the office: {BY_NAME}",
        )


def pools_near(case: DropCase) -> list[str]:
    """Name the pools that the wire passes without a clearance worked out."""
    return [str(row["feature_id"]) for row in case.near("pool") if row["is_near_miss"]]


def within_swing(case: DropCase) -> list[Row]:
    """Return the buildings beside the wire that are nearer than it swings, or may be."""
    rows = [row for row in case.near("roof") if row["is_near_miss"]]
    return [
        row
        for row in rows
        if not is_known(row["distance_m"])
        or not float(row["distance_m"]) > swing_at(case, float(row["at_m"]))
    ]


def beside_unjudged(case: DropCase) -> list[Row]:
    """Return the buildings beside the wire that it may swing against, or never compared."""
    swung = [row["feature_id"] for row in within_swing(case)]
    return [
        row
        for row in case.near("roof")
        if row["is_near_miss"]
        and (row["feature_id"] in swung or row["clearance_basis"] == "not_checked")
    ]


def _building(case: DropCase, row: Row) -> str:
    """Say where a building beside the wire is, and how far the wire swings there."""
    at_m = float(row["at_m"])
    aside = f", {case.length(row['distance_m'])} aside" if is_known(row["distance_m"]) else ""
    swing = swing_at(case, at_m)
    swings = f", the wire swings {case.length(swing)}" if is_known(swing) else ""
    return f"{row['feature_id']} ({out_of(case, at_m)}{aside}{swings})"


def _beside(case: DropCase) -> Iterator[Hold]:
    """Hold for pools without a clearance, and for buildings beside the wire not compared."""
    pools = pools_near(case)
    if pools:
        names = f"pool{'s' if len(pools) > 1 else ''} {in_a_row(pools)}"
        yield Hold(
            f"the office has settled the clearance at {names} (not worked out)",
            f"Clearance at {names} NOT WORKED OUT: measured, and settled by the office {BY_NAME}",
        )
    rows = beside_unjudged(case)
    if rows:
        what = f"building{'s' if len(rows) > 1 else ''} "
        ids = in_a_row([str(row["feature_id"]) for row in rows])
        yield Hold(
            f"room and height at {what}{ids} beside the wire are measured and judged (box)",
            f"Room beside {what}{in_a_row([_building(case, row) for row in rows])} NOT CHECKED:"
            f" eave or wall off the line\N{NO-BREAK SPACE}{BLANK}, roof edge's"
            f" height\N{NO-BREAK SPACE}{BLANK}; judged by {BY_NAME}",
        )


def _ports(case: DropCase) -> Iterator[Hold]:
    first, last = int(case.job["first_port"]), int(case.job["last_port"])
    if first != last:
        yield Hold(
            f"the office has told what goes on each of ports {first} to {last} (one wire is"
            " planned)",
            f"{last - first + 1} ports ({first} to {last}), one wire: what goes on each told by the"
            f" office {BY_NAME}",
        )


def _owners(case: DropCase) -> Iterator[Hold]:
    names = [f"{feature_name(row)} ({row['crossing_kind']})" for row in case.crossed(*OWNED)]
    if not names and case.job["is_owner_permit_needed"]:
        names = [roads_over(case)]
    for name in dict.fromkeys(names):
        yield Hold(
            f"the permit of the owner of {name} is here, and the crew that it asks for",
            f"Owner's permit for {name}: {NUMBER}",
        )
    rows = case.crossed("rail")
    crossed = {str(row["feature_id"]) for row in rows} | {feature_name(row) for row in rows}
    near_rail = parts_of(case.job.get("near_rail"))
    tracks = [name for name in near_rail if name.partition(", ")[0] not in crossed]
    if tracks:
        near = f"track{'s' if len(tracks) > 1 else ''} "
        alone = in_a_row([name.partition(", ")[0] for name in tracks])
        yield Hold(
            f"the railway allows work near {near}{alone}",
            f"Work near {near}{in_a_row([_aside(name) for name in tracks])}: allowed by the railway"
            f" {BY_NAME}",
        )


def _aside(track: str) -> str:
    """Put where a track is nearest in brackets."""
    name, comma, where = track.partition(", ")
    return f"{name} ({where})" if comma else name


OWNED = ("rail", "water")


def _roads(case: DropCase) -> Iterator[Hold]:
    """Hold for a permit of each road on which traffic is held or a lane closed."""
    names = [feature_name(row) for row in case.crossed("road")] + lanes_beside(case)
    names += [str(case.road_name)] if mates_held(case) and case.road_name else []
    names += parts_of(case.job.get("run_roads")) + parts_of(case.job.get("run_lanes"))
    names = list(dict.fromkeys(names))
    if names:
        many = len(names) > 1
        opening, are = ("permits", "are") if many else ("permit", "is")
        until = f"the {opening} for {in_a_row(names)} {are} here"
        shut = names if is_closed(case) else closed_by_work(case)
        if shut:
            what = in_a_row(shut) if shut != names else "them" if many else "it"
            until += f" and {'let' if many else 'lets'} {what} be closed for the work"
            names = [f"{name} and its closing" if name in shut else name for name in names]
        yield Hold(until, _numbered("Permit for", names))


def _side_roads(case: DropCase) -> Iterator[Hold]:
    """Hold for side roads that neither the crew nor flaggers may hold by the rules."""
    for name in unheld(case):
        until = f"how {name} is held is settled with its owner"
        yield Hold(until, f"Control of {name} NOT WORKED OUT: settled with its owner {BY_NAME}")


def unheld(case: DropCase) -> list[str]:
    """Name the side roads that neither the crew nor flaggers may hold by the rules."""
    told = [part for part in parts_of(case.job["traffic_reasons"]) if NOT_HELD in part]
    return [part.partition(f": {NOT_HELD}")[0].removeprefix(FOR_RUN) for part in told]


def _easements(case: DropCase) -> Iterator[Hold]:
    rows = case.crossed("lot")
    lots = in_a_row([_lot(row) for row in rows])
    if rows:
        told = [f"{_lot(row)}{_owner(_lot(row))}" for row in rows]
        opening, are = ("easements", "are") if len(set(told)) > 1 else ("easement", "is")
        yield Hold(f"the {opening} over {lots} {are} here", _numbered("Easement over", told))


def _numbered(opening: str, names: Sequence[str]) -> str:
    """Write a place for a number after each name."""
    return f"{opening} {'; '.join(f'{name}: {NUMBER}' for name in dict.fromkeys(names))}"


def _lot(row: Row) -> str:
    name, lot = row["feature_name"], f"lot {row['feature_id']}"
    return f"{name} ({lot})" if is_known(name) else lot


def _owner(lot: str) -> str:
    """Say where a lot has no address to ask at."""
    return "" if "(" in lot else f" ({NO_ADDRESS})"


def _ids(lots: Sequence[str]) -> str:
    """Name lots by their ids alone."""
    ids = in_a_row([name.partition(" ")[0] for name in lots])
    return f"lot{'s' if len(lots) > 1 else ''} {ids}"


def _owned(lots: Sequence[str]) -> str:
    """Name lots with their addresses, or that there is none."""
    return f"lot{'s' if len(lots) > 1 else ''} {in_a_row([f'{n}{_owner(n)}' for n in lots])}"


def _run(case: DropCase) -> Iterator[Hold]:
    """Hold for leave along the strand run; on one side of the strand where either will do."""
    run = parts_of(case.job.get("run_lots"))
    if run:
        yield Hold(
            f"leave is given for the strand run on {_ids(run)}",
            f"Leave for the strand run on {_owned(run)}: {BY_NAME}",
        )
    sides: dict[str, list[str]] = {}
    for told in parts_of(case.job.get("run_lots_sides")):
        side, _, lot = told.partition(SIDE)
        sides.setdefault(side, []).append(lot)
    if sides:
        one = " or ".join(f"{_ids(lots)} ({side} side)" for side, lots in sides.items())
        box = "; or ".join(f"{side}, {_owned(lots)}: {BY_NAME}" for side, lots in sides.items())
        yield Hold(
            f"leave is given for the ladder along the run on one side: {one}",
            f"Leave for the ladder on one side of the run, to stay on that side: {box}",
        )


def _ground(case: DropCase) -> Iterator[Hold]:
    """Hold for the leave of those whose roof is passed, or on whose ground somebody stands."""
    roofs = list(dict.fromkeys(str(row["feature_id"]) for row in case.crossed("roof")))
    if roofs:
        names = f"roof{'s' if len(roofs) > 1 else ''} {in_a_row(roofs)}"
        yield Hold(
            f"the owner allows a wire over {names}", f"Leave to pass over {names}: {BY_NAME}"
        )
    yield from _run(case)
    crowns = [str(row["feature_id"]) for row in case.crossed("tree")]
    crowns += parts_of(case.job.get("run_trees"))
    if crowns:
        yield Hold(
            f"leave is given to trim {in_a_row(crowns)}",
            f"Leave to trim {in_a_row(crowns)}: {BY_NAME}",
        )
    found = others_ground(case)
    if found:
        yield Hold(
            f"leave is given to stand on {in_a_row(list(found))}",
            "Leave to stand on "
            + "; ".join(
                f"{lot}{_owner(lot)}, for {in_a_row(places)}: {BY_NAME}"
                for lot, places in found.items()
            ),
        )
