"""What has to be checked on site first: each assumption that one drop's figures rest on.

Enters: a `DropCase`, findings of the checks of the layers, what the wire's figures are.
Leaves: sentences.
Does not do: compute; repeat hazards that are no assumption.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from geoplan.work.drop_case import DropCase, feature_name, is_known

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
    case: DropCase,
    findings: Mapping[tuple[str, str], Sequence[str]],
    wire_words: str,
) -> list[str]:
    """Write what to check before the work.

    Parameters
    ----------
    case : DropCase
        One planned drop.
    findings : mapping of (layer, row id) to sequence of str
        What the checks found, in words, by the row it is about.
    wire_words : str
        How sure the figures of the wire are; empty: all read at their source.

    Returns
    -------
    list of str
        The gravest first: not checked, then assumed, then read from layers that say little.
    """
    drop, job = case.drop, case.job
    checks = [
        f"Clearance at {feature_name(row)} ({case.length(row['at_m'])} out) NOT CHECKED:"
        f" {row['clearance_note'] if is_known(row['clearance_note']) else 'no reason recorded'}."
        for row in case.crossings
        if row["clearance_basis"] == "not_checked"
    ]
    if drop["pole_power_basis"] == "not_checked":
        checks.append(
            f"Power on pole {drop['access_pole_id']}: its height is not known; separation NOT"
            " CHECKED. Measure it before the hook is driven."
        )
    if job["power_approach"] == "not_checked":
        note = job["power_approach_note"]
        words = f": {str(note).rstrip('.')}" if is_known(note) else ""
        checks.append(f"Approach distance to power NOT CHECKED{words}.")
    checks += _assumed(case)
    checks += [
        f"{feature_name(row)}: {row['clearance_note']}."
        for row in case.crossings
        if row["clearance_basis"] == "computed" and is_known(row["clearance_note"])
    ]
    for layer, row_id in _rows_of(case):
        checks += [
            f"{ROW_WORDS[layer]} {row_id}: {words}." for words in findings.get((layer, row_id), ())
        ]
    checks.append(_port(case))
    checks.append(_run(case))
    if wire_words:
        checks.append(wire_words)
    return checks


def _assumed(case: DropCase) -> list[str]:
    drop = case.drop
    clamp = case.is_from_clamp
    hook, house = case.length(drop["hook_height_m"]), case.length(drop["attachment_height_m"])
    checks = []
    if drop["height_basis"] != "measured":
        what = "clamp" if clamp else "hook"
        checks.append(
            f"Heights are assumed ({what} {hook}, house {house}): measure both before cutting wire."
        )
    if drop["ground_basis"] != "measured":
        checks.append("LEVEL GROUND ASSUMED: check how the ground falls from end to end.")
    if drop["strand_basis"] == "inferred":
        checks.append("The strand is inferred from poles and road: see that there is one.")
    if drop["attachment_basis"] == "address_point":
        checks.append("No building is known here: find the real attachment before cutting wire.")
    if clamp and drop["strand_ladder"] == "allowed":
        checks.append("Strand: look at its size and soundness before a ladder leans on it.")
    if not is_known(drop["building_id"]) and drop["attachment_basis"] != "address_point":
        checks.append("The building is not in the layers: check the wall.")
    return checks


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
    port = f"Port {first} is" if first == last else f"Ports {first} to {last} are"
    return f"{port} free at terminal {case.drop['terminal_id']} (counted, not looked at)."


def _run(case: DropCase) -> str:
    run = case.length(case.job["building_run_m"])
    cut = case.length(case.job["cut_length_m"])
    return (
        f"Building run of {run} is enough for where the network interface goes, before {cut} is"
        " cut."
    )


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
