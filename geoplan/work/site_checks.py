"""What has to be checked on site first: each assumption that one drop's figures rest on.

Enters: a `DropCase`, findings of the checks of the layers.
Leaves: sentences.
Does not do: compute; repeat hazards that are no assumption.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from geoplan.work.address_titles import is_usual_title
from geoplan.work.crossed_later import not_up_yet
from geoplan.work.drop_case import DropCase, feature_name, is_known
from geoplan.work.hang_words import is_last_up
from geoplan.work.holds import BLANK, BY_NAME, IN_THE_ROAD, build_holds
from geoplan.work.run_trucks import NO_ROAD
from geoplan.work.site_words import (
    has_traffic,
    in_a_row,
    is_positive,
    lines_around,
    out_of,
    over_road,
    parts_of,
    poles_of,
    power_at,
    roads_over,
    run_by_bucket,
    side_roads_held,
    strand_known,
)
from geoplan.work.unmeasured import unchecked

MEASURED = f"Measured:\N{NO-BREAK SPACE}{BLANK}"

ROW_WORDS = {
    "addresses": "Address",
    "poles": "Pole",
    "buildings": "Building",
    "roads": "Road",
    "power": "Power",
    "trees": "Tree",
    "rail": "Track",
}
"""Layers whose findings bear on a drop, and what one row of each is called."""


def build_site_checks(
    case: DropCase, findings: Mapping[tuple[str, str], Sequence[str]]
) -> list[str]:
    """Write what to check before the work, each a thing that a person on site can tick.

    Parameters
    ----------
    case : DropCase
        One planned drop.
    findings : mapping of (layer, row id) to sequence of str
        What the checks found, in words, by the row it is about.

    Returns
    -------
    list of str
        The gravest first: what the job may not start without, not checked, then assumed, then
        read from layers that say little; port and building run last.
    """
    job = case.job
    checks = [hold.box for hold in build_holds(case)]
    checks += _title(case)
    checks += _poles(case)
    checks += [
        f"Planned drop {row['feature_id']} not up yet: room left for it where it crosses,"
        f" {out_of(case, float(row['at_m']))}; heights NOT CHECKED before it hangs."
        for row in not_up_yet(case)
    ]
    checks += [
        f"Clearance at {feature_name(row)} ({out_of(case, float(row['at_m']))}) NOT CHECKED:"
        f" {row['clearance_note'] if is_known(row['clearance_note']) else 'no reason recorded'}."
        f" {MEASURED}"
        for row in unchecked(case)
    ]
    checks += [
        f"Clearance at {strand} NOT CHECKED: heights of wire and strand are not compared."
        f" {MEASURED}"
        for strand in parts_of(job.get("strands_met"))
    ]
    checks += _along_drives(case)
    checks += _below_run(case)
    checks += _power(case)
    others = parts_of(job.get("span_drops"))
    if others and not is_last_up(case):  # else told by the box on what is hung first
        checks.append(
            f"On one strand span with {in_a_row(others)}: sag and clearances are with all hung."
        )
    checks += _assumed(case)
    checks += _on_site(case)
    checks += [
        f"{feature_name(row)}: {row['clearance_note']}."
        for row in case.crossings
        if row["clearance_basis"] == "computed" and is_known(row["clearance_note"])
    ]
    for layer, row_id in _rows_of(case):
        found = findings.get((layer, row_id), ())
        told = dict.fromkeys(_reworded(words) for words in found if not _is_told(case, words))
        if told:
            checks.append(f"{ROW_WORDS[layer]} {row_id}: {'; '.join(told)}.")
    checks.append(_port(case))
    checks.append(_run(case))
    return checks


def _poles(case: DropCase) -> list[str]:
    """Tell what to look at before anybody goes up a pole or leans a ladder on the strand."""
    drop = case.drop
    poles = poles_of(case)
    words = f"Looked at and sounded before a ladder or climb: {in_a_row(poles)}"
    unrated = parts_of(case.job.get("unrated_poles"))
    if unrated:
        which = "" if set(unrated) >= set(poles) else f": {in_a_row(unrated)}"
        words += f" (condition not recorded{which})"
    is_along = is_positive(drop["strand_run_m"]) and not run_by_bucket(case)
    if is_along or (case.is_from_clamp and drop["strand_ladder"] == "allowed"):
        words += (
            f". Strand: look at its size and soundness in each span ({strand_known(case)} worked"
            " out): small, poor or unmarked: bucket, no ladder"
        )
    checks = [f"{words}."]
    if drop["pole_power_basis"] == "not_checked":
        checks.append(
            f"Power on pole {drop['access_pole_id']}: its height is not known; separation NOT"
            f" CHECKED. Measured from the ground and judged before the hook is driven, by {BY_NAME}"
        )
    return checks


def _along_drives(case: DropCase) -> list[str]:
    """Tell to measure where the wire runs along a driveway, which was judged as yard."""
    return [
        f"Wire along the edge of {drive}, judged as yard only: see that no vehicle comes below, or"
        f" measure there:\N{NO-BREAK SPACE}{BLANK}"
        for drive in parts_of(case.job.get("drives_beside"))
    ]


def _title(case: DropCase) -> list[str]:
    """Tell to find the house by the drawing where its address isn't one that a street has."""
    label = case.drop["label"]
    if is_known(label) and is_usual_title(str(label)):
        return []
    if not is_known(label):
        return ["Address is not recorded: find the house by the drawing."]
    return [f"Address reads '{label}', which is no usual one: find the house by the drawing."]


def _below_run(case: DropCase) -> list[str]:
    """Tell to measure the strand over roads before the start: it hangs there already."""
    asked = case.job.get("run_asked_m")
    least = f", {case.length(float(asked))} asked below the wire" if is_known(asked) else ""  # type: ignore[arg-type]
    return [
        f"Clearance below the run over {road} NOT WORKED OUT: strand measured"
        f" there{least}:\N{NO-BREAK SPACE}{BLANK}"
        for road in parts_of(case.job.get("run_roads"))
    ]


def _power(case: DropCase) -> list[str]:
    """Tell to look up where the layers have no power, and which lines are drawn farther off.

    What is at the house near the attachment is told with 'Power' and in the steps there.
    """
    if case.job["power_approach"] != "none":
        return []
    at_house = [name.partition(", ")[0] for name in power_at(case, "house")]
    known, more = (f" but {in_a_row(at_house)}", " more") if at_house else ("", "")
    words = f"Looked up along wire, hook, ladders and run: the layers have no power there{known}."
    words += f" Any{more} seen: stop, call the office."
    near, farther = lines_around(case)
    told = set(at_house)
    farther = [line for line in farther if line.partition(", ")[0] not in told]
    words += f" Drawn near: {'; '.join(near)}." if near else ""
    return [f"{words} Drawn farther off: {'; '.join(farther)}." if farther else words]


def _assumed(case: DropCase) -> list[str]:
    drop = case.drop
    hook, house = case.length(drop["hook_height_m"]), case.length(drop["attachment_height_m"])
    checks = []
    if drop["height_basis"] != "measured":
        what = "clamp" if case.is_from_clamp else "hook"
        checks.append(
            f"Heights are assumed ({what} {hook}, house {house}): measure both before cutting wire."
        )
    if drop["ground_basis"] != "measured":
        checks.append("LEVEL GROUND ASSUMED: check how the ground falls from end to end.")
    if drop["strand_basis"] == "inferred":
        checks.append("The strand is inferred from poles and road: see that there is one.")
    if drop["attachment_basis"] == "address_point":
        checks.append("No building is known here: find the real attachment before cutting wire.")
    if not is_known(drop["building_id"]) and drop["attachment_basis"] != "address_point":
        checks.append("The building is not in the layers: check the wall.")
    return checks


def _on_site(case: DropCase) -> list[str]:
    """Tell what the layers can't: walls, sight distance, the way for a truck, use of driveways."""
    drop, checks = case.drop, []
    if drop["attachment_is_raised"]:
        height = case.length(drop["attachment_height_m"])
        checks.append(f"The wall reaches {height} there. No: stop, call the office.")
    roads = _roads(case)
    if roads:
        checks.append(
            f"Sight distance along {in_a_row([*roads, *side_roads_held(case)])} is enough both ways"
            " (no layer tells)."
        )
    if run_by_bucket(case):
        run = is_positive(drop["strand_run_m"])
        way = f", and along the run to pole {drop['terminal_id']}" if run else ""
        lots = ", others' lots with leave only" if NO_ROAD in str(case.job.get("run_truck")) else ""
        checks.append(f"A truck gets to the bucket's place{way}{lots}; the ground bears it.")
    checks += [
        f"Roof {row['feature_id']} slopes at least 4 in 12"
        f" ({case.length(row['required_m'])} is asked for such roofs only). No: stop."
        for row in case.crossed("roof")
        if is_known(row["rule"]) and STEEP in str(row["rule"])
    ]
    drives: dict[str, list[str]] = {}
    for row in case.crossed("driveway"):
        if is_known(row["rule"]) and "residential" in str(row["rule"]):
            drives.setdefault(case.length(row["required_m"]), []).append(feature_name(row))
    checks += [
        f"{_capital(in_a_row(names))}: residential, no trucks"
        f" ({asked} is asked for residential driveways only)."
        for asked, names in drives.items()
    ]
    return checks


STEEP = "exception for slope"
"""Mark of a rule on roofs that holds for steep ones only."""


def _roads(case: DropCase) -> list[str]:
    """Name all roads that somebody works over or beside."""
    names = [feature_name(row) for row in case.crossed("road")]
    if over_road(case) and not names:
        names = [roads_over(case)]
    if has_traffic(case):
        names += [case.road_name] if case.road_name and not names else []
        names += [name.partition(" (")[0] for name in parts_of(case.job.get("other_roads"))]
    return [*names, *parts_of(case.job.get("run_roads"))]


ON_NO_LOT = "it is on no lot"
REWORDED = (
    ("centroid", "see that this is the right house (the address is only its lot's centre)"),
    ("share this point", "another address has the same point: see which house end is whose"),
    (IN_THE_ROAD, "the address was placed in the road: see which house it is"),
    (ON_NO_LOT, "see that this is the right house (the address is on no lot)"),
    ("no building of its own", "no building was found for it: see where it is attached"),
    ("not a number", "a height or figure of it can't be read in the layer: measure it first"),
)
"""Findings that say nothing to a person on site, and what to look at instead."""


def _capital(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def _reworded(words: str) -> str:
    return next((instead for mark, instead in REWORDED if mark in words), words)


def _is_told(case: DropCase, words: str) -> bool:
    """Whether a hold or another box says the same."""
    of_house = IN_THE_ROAD in words or ON_NO_LOT in words
    if of_house and any(IN_THE_ROAD in doubt for doubt in case.doubts):
        return True
    return "no building of its own" in words and case.drop["attachment_basis"] == "address_point"


def _rows_of(case: DropCase) -> list[tuple[str, str]]:
    drop = case.drop
    rows = [("addresses", str(drop["address_id"]))]
    poles = dict.fromkeys([str(drop["access_pole_id"]), str(drop["terminal_id"])])
    rows += [("poles", pole) for pole in poles]
    if is_known(drop["building_id"]):
        rows.append(("buildings", str(drop["building_id"])))
    plural = {"road": "roads", "power": "power", "tree": "trees", "rail": "rail"}
    rows += [
        (plural[str(row["crossing_kind"])], str(row["feature_id"]))
        for row in case.crossings
        if row["crossing_kind"] in plural
    ]
    return list(dict.fromkeys(rows))


def _port(case: DropCase) -> str:
    first, last = int(case.job["first_port"]), int(case.job["last_port"])
    words = f"Port {first} is" if first == last else f"Ports {first} to {last} are"
    return f"{words} free at terminal {case.drop['terminal_id']} (counted, not looked at)."


def _run(case: DropCase) -> str:
    run = case.length(case.job["building_run_m"])
    cut = case.length(case.job["cut_length_m"])
    return f"Building run of {run} is enough to the network interface's place, before {cut} is cut."


def wire_words(title: str, statuses: Sequence[str]) -> str:
    """Say how sure the figures of a wire are.

    Parameters
    ----------
    title : str
        Name of the wire.
    statuses : sequence of str
        How each of its figures was read.

    Returns
    -------
    str
        One sentence; empty where all were read at their source.
    """
    unsure = [status for status in statuses if status != "read"]
    if not unsure:
        return ""
    kinds = ", ".join(sorted(dict.fromkeys(unsure)))
    return (
        f"Wire '{title}': {len(unsure)} of its {len(statuses)} figures were not read at their"
        f" source ({kinds}). Compare the maker's sag table."
    )
