"""The profile of a drop as a sheet shows it: to scale, black and white, with its dimensions.

Enters: one row of `Profiles`, its envelopes, the drop's figures.
Leaves: the text of an ``svg`` element.
Does not do: compute a figure; each dimension is one of the plan's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.reports.drawing_scale import DrawingScale
from geoplan.reports.sheets.ink import LEADER, LEADER_DASHES, Ink, text_width
from geoplan.reports.sheets.obstacles import Obstacles, around, boxes
from geoplan.units import ReportUnits, say
from geoplan.work.profiles import Envelope, Profiles

FloatArray = npt.NDArray[np.float64]

WIDTH, HEIGHT = 186.0, 56.0
LEFT, RIGHT, TOP, BOTTOM = 17.0, 17.0, 8.5, 13.5
EXAGGERATIONS = (5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
LEAST_ARROW = 2.2
"""A shorter dimension is told in figures only, mm."""
BESIDE_POST = 3.0
"""How far a clearance at a post is drawn beside it, mm."""
SAG_UP, SAG_ASIDE = (0.0, 1.0, 2.0, 3.0, 4.5, 6.0, 8.0), (0.0, 3.0, 6.0, -3.0, 10.0, 16.0, 24.0)
"""Places tried for a sag's words, mm above and beside the first choice."""
DOWN = np.arange(0.0, 8.0, 0.25)
"""Places tried for a number below the ground, mm below the first choice."""
SHORT = {"sidewalk": "walk", "driveway": "drive"}
ON_GROUND = ("road", "driveway", "rail", "roof")
"""Kinds that stand instead of the yard where they are."""
NO_PLACE = ("power", "existing_drop", "planned_drop", "strand")
"""Kinds that hang in the air."""
HANGING = {"power": "POWER", "strand": "STRAND"}
"""What these are called there; the rest are other drops."""
RINGS = (2.4, 3.2, 4.0, 5.5, 7.0, 9.0, 11.0, 13.5, 16.0, 20.0, 24.0, 30.0)
"""How far from a hanging thing its words are tried, mm."""
NEVER, WIRE, EDGE, DOTS, FAINT = 1000.0, 120.0, 40.0, 35.0, 25.0
"""Costs of a label on another one, on a wire, on an edge, on the yard's dots, on a faint line."""
UNKNOWN_UP = 7.0
"""How far above the wire an upright ends that marks something of unknown height, mm."""


def draw_profile_picture(
    profiles: Profiles,
    row: int,
    envelopes: list[Envelope],
    drop: Mapping[Any, Any],
    yard_required_m: float,
    units: ReportUnits,
    power_words: str = "",
    power_up: Mapping[str, str] | None = None,
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
    power_words : str
        What power there is over hook or clamp, which isn't drawn; empty: none is known.
    power_up : mapping of str to str, optional
        How high power lines are, in the words of the back, by id; none is told for others.

    Returns
    -------
    str
        An ``svg`` element of fixed size. Texts of dimensions carry ``data-quantity``; lines of
        dimensions too, and the element the scales ``data-mm-per-m`` and ``data-mm-per-m-up``, so
        that the drawing can be measured. A sag too small to draw has its figure only.
    """
    scale, times = _scale(profiles, row, envelopes, drop)
    ink = Ink(WIDTH, HEIGHT, drawing="profile", mm_per_m=scale.per_m, mm_per_m_up=scale.up_per_m)
    picture = _Picture(ink, Obstacles(0.3, 0.3, WIDTH - 0.3, HEIGHT - 0.3), scale, profiles, row)
    picture.notes(times, power_words)
    picture.ground()
    picture.asked(envelopes, yard_required_m)
    picture.wires()
    picture.supports(drop, units)
    picture.sag_arrows(drop)
    least = picture.least_arrow(drop)
    picture.hanging(envelopes)
    picture.numbers(envelopes)
    picture.least_words(drop, units, least)
    picture.sag_words(drop, units)
    picture.hanging_words(envelopes, units, power_up or {})
    return ink.svg()


def _scale(
    profiles: Profiles, row: int, envelopes: list[Envelope], drop: Mapping[Any, Any]
) -> tuple[DrawingScale, float]:
    ground, wire = profiles.ground_z_m[row], profiles.stringing_z_m[row]
    tops = [float(wire.max())]
    for item in envelopes:
        known = item.surface_z_m[np.isfinite(item.surface_z_m)]
        if len(known):
            asked = item.required_m if item.kind not in NO_PLACE else 0.0
            tops.append(float(known.max() + np.nan_to_num(asked)))
    low, high = float(ground.min()), max(tops)
    span = float(drop["air_span_m"])
    across = (WIDTH - LEFT - RIGHT) / span
    up = (HEIGHT - TOP - BOTTOM) / (high - low)
    times = next((t for t in EXAGGERATIONS if t * across <= up), 1.0)
    across = min(across, up / times)
    x0 = WIDTH / 2 - across * span / 2
    return DrawingScale(x0, HEIGHT - BOTTOM + low * across * times, across, across * times), times


@dataclass(frozen=True)
class _Least:
    """Where the least clearance is drawn."""

    x: float
    foot: float
    head: float


class _Picture:
    """One profile: lines first, then each label where it hides least."""

    def __init__(
        self, ink: Ink, taken: Obstacles, scale: DrawingScale, profiles: Profiles, row: int
    ) -> None:
        self.ink, self.taken, self.scale = ink, taken, scale
        self.profiles, self.row = profiles, row
        self.x_m = profiles.x_m[row]
        self.ground_z, self.strung_z = profiles.ground_z_m[row], profiles.stringing_z_m[row]
        self.worst_z = profiles.worst_z_m[row]
        self.span_m = float(self.x_m[-1])

    def notes(self, times: float, power_words: str) -> None:
        """Write what holds for the whole drawing into the row above it."""
        words = "Heights and distances at one scale."
        if times != 1.0:
            words = f"Heights drawn {times:g} times the scale of distances."
        known = self.profiles.ground_is_known[self.row]
        words += "" if known else " LEVEL GROUND ASSUMED: check on site."
        self.ink.text(WIDTH - 1, 3, words, size=2.3, anchor="end", note="scale")
        if power_words:
            self.ink.text(1, 3, power_words, size=2.4, bold=True, note="pole_power")
        self.taken.add([shapely.box(0, 0, WIDTH, 3.8)], NEVER)

    def ground(self) -> None:
        """Draw the ground."""
        places = self.scale.places(self.x_m, self.ground_z)
        self.ink.path(places, width=0.5, curve="ground")
        ticks = [np.array([(x, y), (x - 1.1, y + 1.1)]) for x, y in places[::4].tolist()]
        self.ink.paths(ticks, width=0.15)
        self.taken.add([shapely.LineString(places).buffer(0.4)], WIRE)

    def asked(self, envelopes: list[Envelope], yard_required_m: float) -> None:
        """Draw what has to be kept clear: the yard's height all along, and each thing passed."""
        if np.isfinite(yard_required_m):
            self._yard(envelopes, yard_required_m)
        for item in envelopes:
            if item.kind not in NO_PLACE:
                self._thing(item)

    def _yard(self, envelopes: list[Envelope], required_m: float) -> None:
        x, z = self.x_m, self.ground_z + required_m
        free = np.ones(len(x), dtype=bool)
        for item in envelopes:
            if item.kind in ON_GROUND:
                free &= (x < item.start_m) | (x > item.end_m)
        for piece in np.split(np.arange(len(x)), np.flatnonzero(np.diff(free.astype(int))) + 1):
            if free[piece[0]] and len(piece) > 1:
                line = self.scale.places(x[piece], z[piece])
                self.ink.path(line, width=0.2, dashes="0.5 0.8", asked="yard")
                self.taken.add([shapely.LineString(line).buffer(0.2)], DOTS)

    def _thing(self, item: Envelope) -> None:
        x = np.array([item.start_m, min(max(item.at_m, item.start_m), item.end_m), item.end_m])
        surface = self.scale.places(x, item.surface_z_m)
        if item.kind == "roof":  # its building down to the ground
            foot = self.scale.places(x, np.interp(x, self.x_m, self.ground_z))
            house = np.vstack([surface, foot[::-1]])
            self.ink.path(house, width=0.2, fill="#ddd", closed=True, building=item.letter)
            self.taken.add([shapely.LineString(house)], EDGE)
        self.ink.path(surface, width=1.3, passed=item.letter)
        self.taken.add([shapely.LineString(surface).buffer(0.6)], EDGE)
        if np.isfinite(item.required_m):
            top = self.scale.places(x, item.surface_z_m + item.required_m)
            box = np.vstack([surface, top[::-1]])
            self.ink.path(box, width=0.2, dashes="1.2 0.8", closed=True, fill="#eee",
                          asked=item.letter, from_m=item.start_m, to_m=item.end_m,
                          required_m=item.required_m)  # fmt: skip
            self.taken.add([shapely.LineString(np.vstack([box, box[:1]]))], EDGE)

    def wires(self) -> None:
        """Draw the wire as strung and at its worst sag, and the straight line of the supports."""
        strung = self.scale.places(self.x_m, self.strung_z)
        worst = self.scale.places(self.x_m, self.worst_z)
        self.ink.path(worst, width=0.35, dashes="2 1", curve="worst")
        self.ink.path(strung, width=0.6, curve="stringing")
        chord = self.scale.places(self.x_m[[0, -1]], self.strung_z[[0, -1]])
        (x1, y1), (x2, y2) = chord.tolist()
        self.ink.line(x1, y1, x2, y2, width=0.12, dashes="0.3 0.7")
        self.taken.add([shapely.LineString(strung).buffer(0.5)], WIRE)
        self.taken.add([shapely.LineString(worst).buffer(0.3)], WIRE)
        self.taken.add([shapely.LineString(chord)], FAINT)

    def supports(self, drop: Mapping[Any, Any], units: ReportUnits) -> None:
        """Draw hook or clamp and house, their heights, and the span below."""
        scale, ink = self.scale, self.ink
        clamp = np.isfinite(drop["clamp_at_m"])
        ends = (
            ("hook_height", 0.0, 0, -1.0, "CLAMP" if clamp else "HOOK"),
            ("attachment_height", self.span_m, -1, 1.0, "HOUSE"),
        )
        for quantity, x_m, at, side, title in ends:
            ground = float(self.ground_z[at])
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
                say(height, "length", units), size=3.2, bold=True, anchor="middle",
                turn_deg=-90.0, quantity=quantity,
            )  # fmt: skip
            anchor = "start" if side < 0 else "end"
            ink.text(x + side * 7.5, head - 2.2, title, size=2.3, anchor=anchor)
            wide = text_width(title, 2.3) + 0.4
            left = x - 7.5 if side < 0 else x + 7.5 - wide
            self.taken.add([shapely.box(left, head - 4.2, left + wide, head - 1.8)], NEVER)
            outer = x + side * 9.5
            self.taken.add(
                [shapely.box(min(x - 1.0, outer), head - 2, max(x + 1.0, outer), foot)], NEVER
            )
        left, right = scale.x(0.0), scale.x(self.span_m)
        y = HEIGHT - 2.0
        ink.dimension(left, y, right, y, quantity="air_span")
        ink.text((left + right) / 2, y + 0.9, say(self.span_m, "length", units), size=3.0,
                 bold=True, anchor="middle", halo=True, quantity="air_span")  # fmt: skip
        self.taken.add([shapely.box(left, y - 2.2, right, HEIGHT)], NEVER)

    def _deepest(self, z: FloatArray) -> tuple[float, float]:
        """Return where a wire hangs deepest below the straight line, and that line there, mm."""
        chord = z[0] + (z[-1] - z[0]) * self.x_m / self.span_m
        deepest = int(np.argmax(chord - z))
        return float(self.x_m[deepest]), float(chord[deepest])

    def _sags(self) -> tuple[tuple[str, FloatArray, float], ...]:
        return ("stringing_sag", self.strung_z, -1.0), ("sag_worst", self.worst_z, 1.0)

    def sag_arrows(self, drop: Mapping[Any, Any]) -> None:
        """Draw both sags where they are greatest, if they are long enough to be seen."""
        for quantity, z, side in self._sags():
            at_m, _ = self._deepest(z)
            x = self.scale.x(at_m) + 2.0 * side
            share = (x - self.scale.x0) / self.scale.per_m / self.span_m
            top = self.scale.y(float(z[0] + (z[-1] - z[0]) * share))
            long = float(drop[f"{quantity}_m"]) * self.scale.up_per_m
            if long >= LEAST_ARROW:
                self.ink.dimension(x, top, x, top + long, quantity=quantity)
                self.taken.add([shapely.box(x - 0.4, top, x + 0.4, top + long)], EDGE)

    def sag_words(self, drop: Mapping[Any, Any], units: ReportUnits) -> None:
        """Write both sags above the straight line of the supports."""
        for quantity, z, side in self._sags():
            at_m, top_z = self._deepest(z)
            x, y = self.scale.x(at_m) + 2.0 * side, self.scale.y(top_z)
            name = "sag" if side < 0 else "worst"
            words = f"{name} {say(drop[f'{quantity}_m'], 'sag', units)}"
            wide = text_width(words, 2.8, bold=True) + 0.6
            up, aside = np.meshgrid(SAG_UP, SAG_ASIDE)
            left_mm = x - wide / 2 + side * (wide / 2 + 1.0 + aside.ravel())
            tried = np.column_stack([left_mm, y - 3.6 - up.ravel()])
            more = up.ravel() + 0.3 * np.abs(aside.ravel())
            left, top = self._free(tried, wide, 2.9, more)
            self.ink.text(left + 0.3, top + 2.5, words, size=2.8, bold=True, quantity=quantity)

    def _free(
        self, tried: FloatArray, wide: float, tall: float, more: FloatArray
    ) -> tuple[float, float]:
        """Return the left upper corner of the best box of those tried, and take it."""
        sites = boxes(np.column_stack([tried, tried + np.array([wide, tall])]))
        chosen = int(np.argmin(self.taken.costs(sites) + more))
        self.taken.add([sites[chosen]], NEVER)
        left, top = tried[chosen].tolist()
        return left, top

    def least_arrow(self, drop: Mapping[Any, Any]) -> _Least | None:
        """Draw the clearance where its margin is least; beside a post where it is at one."""
        at_m, available = float(drop["margin_at_m"]), float(drop["margin_available_m"])
        over = str(drop["margin_over"])
        if not np.isfinite(at_m) or not np.isfinite(available) or over.startswith("power "):
            return None
        base = self.profiles.at(self.row, self.profiles.ground_z_m, at_m)
        if over.startswith("roof "):
            base = self.profiles.at(self.row, self.profiles.worst_z_m, at_m) - available
        x, foot = self.scale.x(at_m), self.scale.y(base)
        head = foot - available * self.scale.up_per_m
        aside = min(
            max(x, self.scale.x(0.0) + BESIDE_POST), self.scale.x(self.span_m) - BESIDE_POST
        )
        if aside != x:
            reach = aside + float(np.sign(aside - x))
            for y in (foot, head):
                self.ink.line(x, y, reach, y, width=0.12)
        self.ink.dimension(aside, foot, aside, head, quantity="margin_available")
        self.taken.add([shapely.box(aside - 0.5, head, aside + 0.5, foot)], WIRE)
        return _Least(aside, foot, head)

    def least_words(
        self, drop: Mapping[Any, Any], units: ReportUnits, least: _Least | None
    ) -> None:
        """Write the least clearance and what is asked beside its arrow, over no edge or wire."""
        if least is None:
            return
        words = f"{say(drop['margin_available_m'], 'length', units)} there"
        asked = f"{say(drop['margin_required_m'], 'length', units)} asked"
        wide = max(text_width(words, 2.8, bold=True), text_width(asked, 2.5)) + 0.6
        tall, tried, more = 6.2, [], []
        middle, half = (least.foot + least.head) / 2, (least.foot - least.head) / 2
        for down in (0.0, 2.0, -2.0, 4.0, -4.0, 6.0, -6.0, 9.0, -9.0, 12.0, -12.0, 16.0, -16.0):
            for off in (0.9, 3.0, 6.0, 10.0, 15.0, 22.0, 30.0, 40.0):
                for side in (1.0, -1.0):
                    left = least.x + off if side > 0 else least.x - off - wide
                    tried.append((left, middle + down - tall / 2))
                    more.append(0.3 * abs(down) + max(abs(down) - half, 0.0) + 0.8 * off)
        corner = np.array(tried)
        leaders = self._least_leaders(least, corner, wide, tall)
        extra = np.array(more) + self.taken.costs(shapely.linestrings(leaders))
        left, top = self._free(corner, wide, tall, extra)
        n = int(np.flatnonzero((corner == [left, top]).all(axis=1))[0])
        (_, at), (near, _) = leaders[n].tolist()
        if abs(near - least.x) > 2.0 or abs(at - top - tall / 2) > tall / 2:
            self.ink.line(least.x, at, near, top + tall / 2, width=LEADER, dashes=LEADER_DASHES)
        self.ink.text(left + 0.3, top + 2.7, words, size=2.8, bold=True,
                      quantity="margin_available")  # fmt: skip
        self.ink.text(left + 0.3, top + 5.7, asked, size=2.5, quantity="margin_required")

    @staticmethod
    def _least_leaders(least: _Least, corner: FloatArray, wide: float, tall: float) -> FloatArray:
        """Return a line from beside the arrow to each box of words tried, shape (n, 2, 2)."""
        is_right = corner[:, 0] > least.x
        near = np.where(is_right, corner[:, 0], corner[:, 0] + wide)
        middle = corner[:, 1] + tall / 2
        at = np.clip(middle, least.head + 0.3, least.foot - 0.3)
        start = least.x + np.where(is_right, 0.6, -0.6)
        return np.stack([np.stack([start, at], axis=1), np.stack([near, middle], axis=1)], axis=1)

    def hanging(self, envelopes: list[Envelope]) -> None:
        """Draw power and other drops that the drop crosses."""
        for item in envelopes:
            if item.kind not in NO_PLACE:
                continue
            x, y = self._hung(item)
            wire = self.scale.y(self.profiles.at(self.row, self.profiles.stringing_z_m, item.at_m))
            if not np.isfinite(item.surface_z_m[1]):
                foot = self.scale.y(self.profiles.at(self.row, self.profiles.ground_z_m, item.at_m))
                self.ink.line(x, y, x, foot, width=0.3, dashes="1 0.8", passed=item.letter)
                self.taken.add([shapely.LineString([(x, y), (x, foot)]).buffer(0.3)], EDGE)
                continue
            self.ink.line(x, y, x, wire, width=0.18, dashes="0.6 0.4")
            self.ink.circle(x, y, 1.0, fill="#000" if item.kind == "power" else "#fff", width=0.4,
                            passed=item.letter)  # fmt: skip
            if item.kind == "power":
                self.ink.circle(x, y, 1.7, width=0.3)
            self.taken.add([shapely.Point(x, y).buffer(1.9)], NEVER)
            self.taken.add([shapely.LineString([(x, y), (x, wire)])], EDGE)

    def _hung(self, item: Envelope) -> tuple[float, float]:
        """Return where a hanging thing is drawn; above the wire where its height isn't known."""
        if np.isfinite(item.surface_z_m[1]):
            return self.scale.x(item.at_m), self.scale.y(item.surface_z_m[1])
        wire = self.profiles.at(self.row, self.profiles.stringing_z_m, item.at_m)
        return self.scale.x(item.at_m), max(self.scale.y(wire) - UNKNOWN_UP, TOP - 3.0)

    def hanging_words(
        self, envelopes: list[Envelope], units: ReportUnits, power_up: Mapping[str, str]
    ) -> None:
        """Name power and other drops, with height and distance where those are known."""
        for item in envelopes:
            if item.kind not in NO_PLACE:
                continue
            x, y = self._hung(item)
            name = HANGING.get(item.kind, "DROP")
            lines = [f"{item.letter} {name} {item.feature_id[:14]}"]
            if np.isfinite(item.surface_z_m[1]):
                lines.append(f"{say(item.available_m, 'length', units)} to the wire when cold")
                if item.feature_id in power_up:
                    lines.append(f"{power_up[item.feature_id]} above ground")
            else:
                lines.append("height not known: look")
            wide = max(text_width(words, 2.4, bold=True) for words in lines) + 0.6
            tall = 2.9 * len(lines)
            ring = around(x, y, RINGS, 24)
            shift = np.sign(np.round(ring - [x, y], 3)) * np.array([wide, tall]) / 2
            tried = ring + shift - np.array([wide, tall]) / 2
            far = np.hypot(*(ring - [x, y]).T)
            left, top = self._free(tried, wide, tall, far)
            if not (left - 3.5 < x < left + wide + 3.5 and top - 3.5 < y < top + tall + 3.5):
                near_x, near_y = min(max(x, left), left + wide), min(max(y, top), top + tall)
                self.ink.line(x, y, near_x, near_y, width=LEADER, dashes=LEADER_DASHES)
            for n, words in enumerate(lines):
                self.ink.text(left + 0.3, top + 2.3 + 2.9 * n, words, size=2.4, bold=n == 0,
                              hanging=item.letter)  # fmt: skip

    def numbers(self, envelopes: list[Envelope]) -> None:
        """Write below the ground what is passed, each below its own piece."""
        for item in envelopes:
            if item.kind in NO_PLACE:
                continue
            words = f"{item.letter} {SHORT.get(item.kind, item.kind)}"
            wide = text_width(words, 2.4, bold=True) + 0.6
            left, right = self.scale.x(item.start_m), self.scale.x(item.end_m)
            right = max(right, left + 0.6)
            begin = (left + right - wide) / 2
            reach = np.array([min(left, begin), max(right, begin + wide)]) - self.scale.x0
            near = (self.x_m >= reach[0] / self.scale.per_m) & (
                self.x_m <= reach[1] / self.scale.per_m
            )
            low = self.ground_z[near].min() if near.any() else self.ground_z.min()
            y = self.scale.y(float(low)) + 1.8
            down = y + DOWN
            begins, ends = np.full(len(down), min(left, begin)), np.full(len(down), begin + wide)
            whole = np.column_stack([begins, down - 0.3, np.fmax(ends, right), down + 2.8])
            sites = boxes(whole)
            n = int(np.argmin(self.taken.costs(sites) + DOWN))
            self.taken.add([sites[n]], NEVER)
            top = float(down[n])
            self.ink.line(left, top, right, top, width=0.3)
            self.ink.text(begin + 0.2, top + 2.5, words, size=2.4, bold=True, number=item.letter)
