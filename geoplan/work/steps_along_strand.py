"""Steps from hook or clamp to the terminal: the strand run, and the connection.

Enters: a `DropCase`.
Leaves: sentences.
Does not do: compute.
"""

from __future__ import annotations

from geoplan.work.drop_case import DropCase
from geoplan.work.site_words import in_a_row, near_road, parts_of, pole_of


def strand_run(case: DropCase) -> list[str]:
    """Tell how the wire goes along the strand: reached how, past which poles, over what."""
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
    words = (
        f"Strand run, {case.length(drop['strand_run_m'])}{spans}: lead the wire from {start}{past}"
        f" to pole {terminal}, tied below strand and cable, nothing chafing. {_reach(case)}"
    )
    roads = parts_of(job.get("run_roads"))
    steps = [words]
    if roads:
        steps.append(
            f"The strand run hangs over {in_a_row(roads)}: traffic control on each approach first,"
            " traffic held while anybody works over it; no ladder, line or loose wire on the"
            " carriageway. Clearance there is not worked out: measure it."
        )
    power = [line.partition(", ")[0] for line in parts_of(job.get("run_power"))]
    if power:
        steps[0] += f" Power along it, live: {in_a_row(power)}; approach distance not kept: stop."
    return steps


def _reach(case: DropCase) -> str:
    if case.job["is_bucket_job"]:
        return "By bucket: no ladder on this strand."
    street = ", never on a carriageway" if near_road(case) else ""
    return (
        f"Move the ladder along, lashed each time{street}; look up first. No ladder on a span whose"
        " strand failed the check."
    )


def connection(case: DropCase) -> str:
    """Tell how the wire is connected."""
    drop, job = case.drop, case.job
    terminal = str(drop["terminal_id"])
    first, last = int(job["first_port"]), int(job["last_port"])
    port = f"port {first}" if first == last else f"ports {first} to {last}"
    words = ""
    if float(drop["strand_run_m"]) > 0.0 or case.is_from_clamp:
        street = ", off the carriageway" if near_road(case) else ""
        words = f"Set the ladder at pole {terminal}{street}, and lash it to the pole. "
    words += f"Connect at terminal {terminal}, {port}, with a drip loop; hang the tag."
    if first != last:
        words += (
            f" {last - first + 1} ports and one wire in the plan: ask before, what goes on each."
        )
    return words
