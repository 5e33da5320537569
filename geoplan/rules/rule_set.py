"""A rule set and its look-ups: what is required, or that nothing is known.

Enters: figures that the reader has checked.
Leaves: a `Figure` or None for one question; `geoplan.rules.lookup` answers arrays.
Does not do: fill a gap with a guess, or choose between rule sets.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from geoplan.errors import RuleDataError, nearest_name
from geoplan.rules.figures import Figure
from geoplan.rules.kerb import KerbGrading
from geoplan.rules.keys import (
    CASE_PURPOSE,
    CLEARANCE_CLASSES,
    DEFAULT_CLASS,
    LIMIT_QUANTITIES,
    TENSION_LIMITS,
    Approach,
    ClearanceKind,
    Purpose,
    SeparationKind,
    Where,
    band_limit_v,
    declared_keys,
)
from geoplan.rules.load_case import LoadCase


@dataclass(frozen=True, slots=True)
class NotCovered:
    """A thing that the rule set has no figure for, and why."""

    key: str
    reason: str


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Figures of one jurisdiction, as read from its file.

    Parameters
    ----------
    name, title, jurisdiction, edition_note, caution : str
        What the set is, for whom, of which editions, and how far it may be trusted.
    file : str
        File that it was loaded from.
    base : str
        Name of the set that a user's file changes; empty for a set of its own.
    districts : tuple of str
        Loading districts.
    figures : mapping of str to Figure
        Every figure by its dotted key.
    not_covered : tuple of NotCovered
        What the set does not cover.
    """

    name: str
    title: str
    jurisdiction: str
    edition_note: str
    caution: str
    file: str
    base: str
    districts: tuple[str, ...]
    figures: Mapping[str, Figure]
    not_covered: tuple[NotCovered, ...]

    @property
    def covers_not(self) -> tuple[str, ...]:
        """What the set does not cover, one line each."""
        return tuple(f"{item.key}: {item.reason}" for item in self.not_covered)

    def require(self, key: str) -> Figure:
        """Return a figure that cannot be done without.

        Parameters
        ----------
        key : str
            Dotted key, for example ``"clearance.rail.any"``.

        Returns
        -------
        Figure
            The figure.

        Raises
        ------
        RuleDataError
            If the set has none; names file, key and cure.
        """
        figure = self.figures.get(key)
        if figure is not None:
            return figure
        where = f"{self.file} {key}"
        valid = set(declared_keys(self.districts))
        if not any(key == known or key.startswith(f"{known}.") for known in valid):
            raise RuleDataError(where, "is not a key of a rule set", nearest_name(key, valid))
        remedy = f"Give [{key}] with value, document and status in your own rule file"
        raise RuleDataError(where, f"has no figure ({self.why_not_covered(key)})", remedy)

    def why_not_covered(self, key: str) -> str:
        """Say why a look-up came back empty.

        Parameters
        ----------
        key : str
            Dotted key that was asked for.

        Returns
        -------
        str
            One sentence that begins with ``"not covered"``.
        """
        matches = [
            item
            for item in self.not_covered
            if f"{key}.".startswith(f"{item.key}.") or item.key.startswith(f"{key}.")
        ]
        start = f"not covered by rule set '{self.name}'"
        if matches:
            nearest = max(matches, key=lambda item: len(item.key))
            return f"{start}: {nearest.reason.rstrip('.')}"
        bands = self.bands(key)
        if bands:
            return f"{start}: voltage unknown or above {bands[-1][0]:.0f} V, where its bands end"
        return start

    def clearance(
        self,
        kind: str,
        *,
        road_class: str | None = None,
        surface: str | None = None,
        slope: float | None = None,
        is_walkable: bool = False,
    ) -> Figure | None:
        """Return the clearance that is required over (or beside) something.

        Parameters
        ----------
        kind : str
            A `ClearanceKind`.
        road_class : str, optional
            Class of a road; needed for ``road`` and ``road_along``.
        surface : str, optional
            Class for the other kinds; the default is that of `DEFAULT_CLASS`.
        slope : float, optional
            Rise over run of a roof; unknown counts as low slope, which requires more.
        is_walkable : bool
            Whether people can walk on the roof.

        Returns
        -------
        Figure or None
            Vertical clearance, m (`opening`: clear distance). None: not covered.

        Raises
        ------
        RuleDataError
            If kind or class is not a declared one, or a road has no class.
        """
        return self.figures.get(
            self.clearance_key(
                kind, road_class=road_class, surface=surface, slope=slope, is_walkable=is_walkable
            )
        )

    def clearance_key(
        self,
        kind: str,
        *,
        road_class: str | None = None,
        surface: str | None = None,
        slope: float | None = None,
        is_walkable: bool = False,
    ) -> str:
        """Return the key that `clearance` looks up; for messages and `why_not_covered`.

        Parameters
        ----------
        kind, road_class, surface, slope, is_walkable
            As for `clearance`.

        Returns
        -------
        str
            Dotted key.

        Raises
        ------
        RuleDataError
            As for `clearance`.
        """
        known = ClearanceKind(_known(kind, list(ClearanceKind), f"rule set {self.name} clearance"))
        name = road_class or surface
        if name is None and known is ClearanceKind.ROOF:
            steep_slope = self.require("limits.steep_roof_slope").value_si
            is_steep = slope is not None and slope >= steep_slope
            name = "walkable" if is_walkable else "steep" if is_steep else "low_slope"
        where = f"rule set {self.name} clearance.{known}"
        if name is None:
            name = DEFAULT_CLASS.get(known)
        if name is None:
            remedy = f"Name one of {', '.join(CLEARANCE_CLASSES[known])}"
            raise RuleDataError(where, "needs a class", remedy)
        return f"clearance.{known}.{_known(name, CLEARANCE_CLASSES[known], where)}"

    def separation(self, kind: str, voltage_v: float | None, where: str) -> Figure | None:
        """Return the separation that is required from other plant.

        Parameters
        ----------
        kind : str
            A `SeparationKind`.
        voltage_v : float or None
            Voltage of that plant between phases, V. None or NaN: unknown, so only a figure
            that holds at any voltage can be given.
        where : str
            A `Where`.

        Returns
        -------
        Figure or None
            Separation, m. None: not covered.

        Raises
        ------
        RuleDataError
            If kind or place is not a declared one.
        """
        source = f"rule set {self.name} separation"
        known = _known(kind, list(SeparationKind), source)
        place = _known(where, list(Where), f"{source}.{known}")
        return self._in_band(f"separation.{known}.{place}", voltage_v)

    def approach_distance(self, voltage_v: float | None, who: str = "worker") -> Figure | None:
        """Return how near a live part someone or something may come.

        Parameters
        ----------
        voltage_v : float or None
            Voltage phase to phase, V; None or NaN: unknown.
        who : str
            An `Approach`: an unqualified-for-power ``worker``, or ``lifting_plant``.

        Returns
        -------
        Figure or None
            Distance, m; 0 with the printed form "avoid contact" where the table says so.
            None: not covered.

        Raises
        ------
        RuleDataError
            If `who` is not a declared one.
        """
        known = _known(who, list(Approach), f"rule set {self.name} approach")
        return self._in_band(f"approach.{known}", voltage_v)

    def load_cases(self, district: str, purpose: str | None = None) -> tuple[LoadCase, ...]:
        """Return the load cases of a loading district.

        Parameters
        ----------
        district : str
            One of `districts`.
        purpose : str, optional
            A `Purpose`; all of them by default.

        Returns
        -------
        tuple of LoadCase
            In the order of `geoplan.rules.keys.CASE_PURPOSE`.

        Raises
        ------
        RuleDataError
            If the set has no such district, or there is no such purpose.
        """
        _known(district, self.districts, f"rule set {self.name} load_cases")
        if purpose is not None:
            _known(purpose, list(Purpose), f"rule set {self.name} load_cases.{district}")
        return tuple(
            self._load_case(district, name, case_purpose)
            for name, case_purpose in CASE_PURPOSE.items()
            if purpose in {None, case_purpose}
            and f"load_cases.{district}.{name}.temperature" in self.figures
        )

    def tension_limit(self, name: str) -> Figure | None:
        """Return a limit of tension as a fraction of breaking strength.

        Parameters
        ----------
        name : str
            ``drop_loaded``, ``drop_unloaded_initial``, ``drop_unloaded_final`` or
            ``strand_loaded``.

        Returns
        -------
        Figure or None
            Fraction of the breaking strength. None: not covered.

        Raises
        ------
        RuleDataError
            If the name is not a declared one.
        """
        return self.figures.get(
            f"tension.{_known(name, TENSION_LIMITS, f'rule set {self.name} tension')}"
        )

    def limit(self, name: str) -> Figure | None:
        """Return one of the named limits.

        Parameters
        ----------
        name : str
            A key of `geoplan.rules.keys.LIMIT_QUANTITIES`.

        Returns
        -------
        Figure or None
            The figure. None: not covered.

        Raises
        ------
        RuleDataError
            If the name is not a declared one.
        """
        return self.figures.get(
            f"limits.{_known(name, LIMIT_QUANTITIES, f'rule set {self.name} limits')}"
        )

    def kerb_grading(self) -> KerbGrading | None:
        """Return the grading toward the kerb, or None where the set has none.

        Returns
        -------
        KerbGrading or None
            Clearance at the kerb and the width of the strip.
        """
        edge = self.figures.get("kerb.edge")
        width = self.figures.get("kerb.strip_width")
        return None if edge is None or width is None else KerbGrading(edge, width)

    def bands(self, prefix: str) -> tuple[tuple[float, Figure], ...]:
        """Return the voltage bands below a key, lowest first.

        Parameters
        ----------
        prefix : str
            For example ``"separation.supply_line.pole"`` or ``"approach.worker"``.

        Returns
        -------
        tuple of (float, Figure)
            Highest voltage of the band, V, and its figure; empty when not covered.
        """
        found = []
        for key, figure in self.figures.items():
            parent, _, band = key.rpartition(".")
            limit_v = band_limit_v(band) if parent == prefix else None
            if limit_v is not None:
                found.append((limit_v, figure))
        return tuple(sorted(found, key=lambda pair: pair[0]))

    def _in_band(self, prefix: str, voltage_v: float | None) -> Figure | None:
        voltage = math.inf if voltage_v is None or math.isnan(voltage_v) else abs(voltage_v)
        return next((figure for limit_v, figure in self.bands(prefix) if voltage <= limit_v), None)

    def _load_case(self, district: str, name: str, purpose: Purpose) -> LoadCase:
        prefix = f"load_cases.{district}.{name}"
        return LoadCase(
            name=name,
            district=district,
            purpose=purpose,
            ice=self.require(f"{prefix}.ice"),
            wind=self.require(f"{prefix}.wind"),
            temperature=self.require(f"{prefix}.temperature"),
            constant=self.require(f"{prefix}.constant"),
            ice_density=self.require("limits.ice_density"),
            clearance_fraction=self.figures.get(f"{prefix}.clearance_fraction"),
        )


def _known(name: str, valid: tuple[str, ...] | list[str] | Mapping[str, object], where: str) -> str:
    """Return the name, or refuse it with the nearest valid one."""
    if name in valid:
        return str(name)
    raise RuleDataError(where, f"'{name}' is not known", nearest_name(name, valid))
