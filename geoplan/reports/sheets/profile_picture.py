"""The profile of a drop as a sheet shows it: to scale, black and white, with its dimensions.

Enters: one row of `Profiles`, its envelopes, the drop's figures.
Leaves: the text of an ``svg`` element.
Does not do: compute a figure; each dimension is one of the plan's.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from geoplan.reports.drawing_scale import DrawingScale
from geoplan.reports.sheets.ink import LETTER_WIDTH, Ink
from geoplan.units import ReportUnits, say
from geoplan.work.profiles import Envelope, Profiles

FloatArray = npt.NDArray[np.float64]

WIDTH, HEIGHT = 186.0, 61.0
LEFT, RIGHT, TOP, BOTTOM = 17.0, 17.0, 5.0, 13.0
EXAGGERATIONS = (5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)


def draw_profile_picture(
    profiles: Profiles,
    row: int,
    envelopes: list[Envelope],
    drop: Mapping[Any, Any],
    yard_required_m: float,
    units: ReportUnits,
) -> str:
    """Draw one profile.

    Parameters
    ----------
    profiles : Profiles
        Profiles of some drops.
    row : int
        Row of this drop among them.
    envelopes : list of Envelope
        What it crosses.
    drop : mapping
        Its row of ``drops``.
    yard_required_m : float
        Clearance asked for over ground that people reach; NaN where no rule is known.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        An ``svg`` element of fixed size. Texts of dimensions carry ``data-quantity``; lines of
        dimensions too, and the element the scales ``data-mm-per-m`` and ``data-mm-per-m-up``, so
        that the drawing can be measured.
    """
    scale, times = _scale(profiles, row, envelopes, drop)
    ink = Ink(WIDTH, HEIGHT, drawing="profile", mm_per_m=scale.per_m, mm_per_m_up=scale.up_per_m)
    _ground(ink, profiles, row, scale)
    _asked(ink, profiles, row, envelopes, yard_required_m, scale)
    ink.path(
        scale.places(profiles.x_m[row], profiles.worst_z_m[row]),
        width=0.35, dashes="2 1", curve="worst",
    )  # fmt: skip
    ink.path(
        scale.places(profiles.x_m[row], profiles.stringing_z_m[row]), width=0.6, curve="stringing"
    )
    _supports(ink, profiles, row, drop, scale, units)
    _sag(ink, profiles, row, drop, scale, units)
    _least(ink, profiles, row, drop, scale, units)
    words = "Heights and distances at one scale."
    if times != 1.0:
        words = f"Heights drawn {times:g} times the scale of distances."
    ground = "" if profiles.ground_is_known[row] else " LEVEL GROUND ASSUMED: check on site."
    ink.text(WIDTH - 1, 3, words + ground, size=2.1, anchor="end")
    return ink.svg()


def _scale(
    profiles: Profiles, row: int, envelopes: list[Envelope], drop: Mapping[Any, Any]
) -> tuple[DrawingScale, float]:
    ground, wire = profiles.ground_z_m[row], profiles.stringing_z_m[row]
    tops = [float(wire.max())]
    for item in envelopes:
        known = item.surface_z_m[np.isfinite(item.surface_z_m)]
        if len(known):
            asked = item.required_m if item.kind != "power" else 0.0
            tops.append(float(known.max() + np.nan_to_num(asked)))
    low, high = float(ground.min()), max(tops)
    span = float(drop["air_span_m"])
    across = (WIDTH - LEFT - RIGHT) / span
    up = (HEIGHT - TOP - BOTTOM) / (high - low)
    times = next((t for t in EXAGGERATIONS if t * across <= up), 1.0)
    across = min(across, up / times)
    x0 = WIDTH / 2 - across * span / 2
    return DrawingScale(x0, HEIGHT - BOTTOM + low * across * times, across, across * times), times


def _ground(ink: Ink, profiles: Profiles, row: int, scale: DrawingScale) -> None:
    places = scale.places(profiles.x_m[row], profiles.ground_z_m[row])
    ink.path(places, width=0.5, curve="ground")
    ticks = [np.array([(x, y), (x - 1.1, y + 1.1)]) for x, y in places[::4].tolist()]
    ink.paths(ticks, width=0.15)


def _asked(
    ink: Ink,
    profiles: Profiles,
    row: int,
    envelopes: list[Envelope],
    yard_required_m: float,
    scale: DrawingScale,
) -> None:
    """Draw what has to be kept clear: the yard's height all along, and each thing passed."""
    ends = float(profiles.x_m[row, -1])
    if np.isfinite(yard_required_m):
        x = profiles.x_m[row]
        z = profiles.ground_z_m[row] + yard_required_m
        free = np.ones(len(x), dtype=bool)
        for item in envelopes:
            if item.kind in {"road", "driveway", "rail", "roof"}:
                free &= (x < item.start_m) | (x > item.end_m)
        for piece in np.split(np.arange(len(x)), np.flatnonzero(np.diff(free.astype(int))) + 1):
            if free[piece[0]] and len(piece) > 1:
                ink.path(
                    scale.places(x[piece], z[piece]), width=0.2, dashes="0.5 0.8", asked="yard"
                )
    for number, item in enumerate(envelopes):
        known = np.isfinite(item.surface_z_m)
        middle = scale.x((item.start_m + item.end_m) / 2)
        if item.kind == "power":
            y = scale.y(float(item.surface_z_m[1])) if known.all() else TOP + 3
            ink.circle(scale.x(item.at_m), y, 0.9, fill="#000", passed=item.letter)
            ink.text(scale.x(item.at_m) + 1.6, y + 0.9, item.letter, bold=True, size=2.6)
            continue
        wide = max(scale.x(item.end_m) - scale.x(item.start_m), 0.6)
        left = scale.x(item.start_m)
        x = np.array([item.start_m, min(max(item.at_m, item.start_m), item.end_m), item.end_m])
        surface = scale.places(x, item.surface_z_m)
        ink.path(surface, width=1.3, passed=item.letter)
        if np.isfinite(item.required_m):
            top = scale.places(x, item.surface_z_m + item.required_m)
            box = np.vstack([surface, top[::-1]])
            ink.path(box, width=0.2, dashes="1.2 0.8", closed=True, fill="#eee",
                     asked=item.letter, from_m=item.start_m, to_m=item.end_m,
                     required_m=item.required_m)  # fmt: skip
        y = scale.y(float(profiles.ground_z_m[row].min())) + 3.6 + 2.6 * (number % 2)
        ink.line(left, y - 2.2, left + wide, y - 2.2, width=0.3)
        ink.text(min(max(middle, 3.0), scale.x(ends)), y, item.letter, bold=True, size=2.6,
                 anchor="middle")  # fmt: skip


def _supports(
    ink: Ink,
    profiles: Profiles,
    row: int,
    drop: Mapping[Any, Any],
    scale: DrawingScale,
    units: ReportUnits,
) -> None:
    clamp = np.isfinite(drop["clamp_at_m"])
    ends = (
        ("hook_height", 0.0, 0, -1.0, "CLAMP" if clamp else "HOOK"),
        ("attachment_height", float(drop["air_span_m"]), -1, 1.0, "HOUSE"),
    )
    for quantity, x_m, at, side, title in ends:
        ground = float(profiles.ground_z_m[row, at])
        height = float(drop[f"{quantity}_m"])
        x, foot, head = scale.x(x_m), scale.y(ground), scale.y(ground + height)
        if clamp and side < 0:
            ink.line(x, foot, x, head, width=0.2, dashes="0.4 0.6")
        else:
            ink.line(x + 0.5 * side, foot, x + 0.5 * side, head - 2.0, width=1.0)
        ink.circle(x, head, 0.9, fill="#fff", width=0.4)
        aside = x + side * 5.0
        ink.dimension(aside, foot, aside, head, quantity=quantity)
        ink.line(x + side * 1.2, head, aside + side * 1.0, head, width=0.12)
        ink.line(x + side * 1.2, foot, aside + side * 1.0, foot, width=0.12)
        ink.text(
            aside + side * (1.4 if side < 0 else 3.6), (foot + head) / 2,
            say(height, "length", units), size=3.2, bold=True, anchor="middle", turn_deg=-90.0,
            quantity=quantity,
        )  # fmt: skip
        anchor = "start" if side < 0 else "end"
        ink.text(x + side * 7.5, head - 2.2, title, size=2.3, anchor=anchor)
    left, right = scale.x(0.0), scale.x(float(drop["air_span_m"]))
    y = HEIGHT - 2.0
    ink.dimension(left, y, right, y, quantity="air_span")
    ink.text((left + right) / 2, y + 0.9, say(float(drop["air_span_m"]), "length", units),
             size=3.0, bold=True, anchor="middle", halo=True, quantity="air_span")  # fmt: skip


def _sag(
    ink: Ink,
    profiles: Profiles,
    row: int,
    drop: Mapping[Any, Any],
    scale: DrawingScale,
    units: ReportUnits,
) -> None:
    """Draw the chord, and both sags where they are greatest."""
    x, wires = profiles.x_m[row], (profiles.stringing_z_m[row], profiles.worst_z_m[row])
    ends = wires[0][[0, -1]]
    chord = ends[0] + (ends[1] - ends[0]) * x / x[-1]
    ink.line(
        scale.x(0.0), scale.y(float(ends[0])), scale.x(float(x[-1])), scale.y(float(ends[1])),
        width=0.12, dashes="0.3 0.7",
    )  # fmt: skip
    figures = (
        ("stringing_sag", wires[0], -1, f"sag {say(drop['stringing_sag_m'], 'sag', units)}"),
        ("sag_worst", wires[1], 1, f"worst {say(drop['sag_worst_m'], 'sag', units)}"),
    )
    for quantity, wire, side, words in figures:
        deepest = int(np.argmax(chord - wire))
        at = scale.x(float(x[deepest])) + 2.0 * side
        top = scale.y(float(chord[deepest]))
        sag = float(drop[f"{quantity}_m"])
        ink.dimension(at, top, at, top + sag * scale.up_per_m, quantity=quantity)
        left = at - LETTER_WIDTH * 2.8 * len(words) if side < 0 else at
        over = ends[0] + (ends[1] - ends[0]) * np.clip(
            (left - scale.x0) / scale.per_m / x[-1], 0, 1
        )
        y = min(top, scale.y(float(over))) - 1.2
        ink.text(at + 1.0 * side, y, words, size=2.8, bold=True, halo=True,
                 anchor="end" if side < 0 else "start", quantity=quantity)  # fmt: skip


def _least(
    ink: Ink,
    profiles: Profiles,
    row: int,
    drop: Mapping[Any, Any],
    scale: DrawingScale,
    units: ReportUnits,
) -> None:
    """Draw the clearance where its margin is least."""
    at_m, available = float(drop["margin_at_m"]), float(drop["margin_available_m"])
    over = str(drop["margin_over"])
    if not np.isfinite(at_m) or not np.isfinite(available) or over.startswith("power "):
        return
    head = profiles.at(row, profiles.worst_z_m, at_m)
    base = profiles.at(row, profiles.ground_z_m, at_m)
    if over.startswith("roof "):
        base = head - available
    x, y = scale.x(at_m), scale.y(base)
    ink.dimension(x, y, x, y - available * scale.up_per_m, quantity="margin_available")
    words = f"{say(available, 'length', units)} there"
    asked = f"{say(drop['margin_required_m'], 'length', units)} asked"
    middle = y - available * scale.up_per_m / 2
    anchor = "start" if x < WIDTH / 2 else "end"
    aside = 1.0 if anchor == "start" else -1.0
    ink.text(x + aside, middle, words, size=2.8, bold=True, halo=True, anchor=anchor,
             quantity="margin_available")  # fmt: skip
    ink.text(x + aside, middle + 3.2, asked, size=2.5, halo=True, anchor=anchor,
             quantity="margin_required")  # fmt: skip
