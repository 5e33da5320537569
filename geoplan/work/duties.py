"""Who of the crew does what while the wire goes up: whoever holds traffic does nothing else.

Enters: a `DropCase`.
Leaves: duties in words.
Does not do: count people; that is `geoplan.work.posts`.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase
from geoplan.work.side_roads import BOTH_WAYS
from geoplan.work.site_words import in_a_row, over_road, parts_of, side_roads_held

ONE_PULL = "that one raises in one pull"
"""How reasons for the crew tell of a pull that one can or can't do."""
PEOPLE = ("nobody", "one", "two", "three", "four", "five", "six")


def mates_held(case: DropCase) -> list[str]:
    """Name wires of others below which one of the crew holds traffic while the ladder is on."""
    is_by_crew = case.job["traffic_class"] == "short_stop" and not over_road(case)
    busy = parts_of(case.job.get("span_drops_busy"))
    mates = [name for name in parts_of(case.job.get("span_drops_over")) if name not in busy]
    return mates if is_by_crew and not case.job["is_bucket_job"] else []


def holders(case: DropCase) -> list[str]:
    """Tell who of a crew of several holds traffic, one post each."""
    if case.job["traffic_class"] != "short_stop" or int(case.job["crew_size"]) < 2:
        return []
    mates = mates_held(case)
    if not over_road(case) and not mates:
        return []
    told = [f"one holds traffic{f' below {in_a_row(mates)}' if mates else ''}"]
    for name in (part for held in side_roads_held(case) for part in _split(held)):
        both = BOTH_WAYS in name
        told.append(f"{'two hold' if both else 'one holds'} {name.removesuffix(BOTH_WAYS)}")
    return told


def _split(names: str) -> list[str]:
    """Part names that were told in a row."""
    return names.replace(" and ", ", ").split(", ")


def duties(case: DropCase) -> str:
    """Tell what each of the crew does while the wire goes up, those who hold traffic first."""
    held = holders(case)
    left = int(case.job["crew_size"]) - sum(1 + told.startswith("two ") for told in held)
    return ", ".join([*held, _hands(case, left)])


def _hands(case: DropCase, people: int) -> str:
    """Tell what those do who hold no traffic."""
    if people < 1:
        return "NOBODY LEFT to work: ask the office first"
    power = [str(row["feature_id"]) for row in case.crossed("power")]
    power += parts_of(case.job.get("power_beside"))
    watched = f"the wire and power {in_a_row(power)}" if power else "the wire"
    is_long = ONE_PULL in str(case.job.get("crew_reasons")) or bool(case.crossed("roof", "tree"))
    is_watched = bool(power) or case.job["power_approach"] == "within" or not is_long
    if case.job["is_bucket_job"]:
        return _by_bucket(people - 1, watched, is_watched)
    if people == 1:
        return "one works at hook or clamp"
    if is_watched:
        pull = people - 1
        return f"{PEOPLE[pull]} pull{'s' if pull == 1 else ''}, one watches {watched}"
    return f"{PEOPLE[people]} pull, one of them at hook or clamp"


def _by_bucket(people: int, watched: str, is_watched: bool) -> str:
    """Tell what those on the ground do."""
    if people < 1:
        return "NOBODY LEFT on the ground: ask the office first"
    if people == 1 or not is_watched:
        return f"one in the bucket, {PEOPLE[people]} at the hand line"
    return f"one in the bucket, {PEOPLE[people - 1]} at the hand line, one watches {watched}"
