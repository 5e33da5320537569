"""Drop wires and strands as the planner needs them: weight, size, strength, stiffness, reach.

Enters: figures that the reader has checked.
Leaves: frozen `Wire` and `Strand` objects with SI floats.
Does not do: mechanics, or any choice of wire.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from geoplan.rules.figures import Figure

ANY_DISTRICT: Final = "any"
"""Key of the air span that holds where a loading district has none of its own."""


class Carries(StrEnum):
    """What a drop wire carries."""

    COPPER_PAIR = "copper_pair"
    FIBRE = "fibre"
    COAX = "coax"


WIRE_QUANTITIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "weight": "weight_per_length",
        "width": "length",
        "height": "length",
        "breaking_strength": "force",
        "stiffness": "force",
        "expansion": "per_temperature",
        "max_total_length": "length",
        "installing_tension": "force",
    }
)
WIRE_OPTIONAL: Final = ("installing_tension",)

STRAND_QUANTITIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "diameter": "length",
        "weight": "weight_per_length",
        "breaking_strength": "force",
        "stiffness": "force",
        "expansion": "per_temperature",
    }
)


@dataclass(frozen=True, slots=True)
class Wire:
    """A self-supporting drop wire.

    Parameters
    ----------
    name, title, construction : str
        Key, short name and description of the construction.
    carries : Carries
        Copper pair, fibre or coax.
    figures : mapping of str to Figure
        By the keys of `WIRE_QUANTITIES`.
    air_spans : mapping of str to Figure
        Longest air span, m, by loading district; always has `ANY_DISTRICT`.
    file : str
        Where it was read.
    """

    name: str
    title: str
    construction: str
    carries: Carries
    figures: Mapping[str, Figure]
    air_spans: Mapping[str, Figure]
    file: str

    @property
    def weight_n_per_m(self) -> float:
        """Weight per length, N/m."""
        return self.figures["weight"].value_si

    @property
    def width_m(self) -> float:
        """Larger side of the cross-section, m."""
        return self.figures["width"].value_si

    @property
    def height_m(self) -> float:
        """Smaller side of the cross-section, m."""
        return self.figures["height"].value_si

    @property
    def diameter_m(self) -> float:
        """Diameter for ice and wind, m: the larger side, which is the safe choice."""
        return max(self.width_m, self.height_m)

    @property
    def breaking_strength_n(self) -> float:
        """Breaking strength, N."""
        return self.figures["breaking_strength"].value_si

    @property
    def stiffness_n(self) -> float:
        """Axial stiffness (modulus times area), N."""
        return self.figures["stiffness"].value_si

    @property
    def thermal_expansion_per_c(self) -> float:
        """Thermal expansion, 1/K."""
        return self.figures["expansion"].value_si

    @property
    def max_total_length_m(self) -> float:
        """Longest drop from terminal to network interface, m."""
        return self.figures["max_total_length"].value_si

    def max_air_span(self, district: str) -> Figure:
        """Return the longest air span in a loading district.

        Parameters
        ----------
        district : str
            Loading district of the rule set.

        Returns
        -------
        Figure
            Span, m; the entry for `ANY_DISTRICT` where the district has none of its own.
        """
        return self.air_spans.get(district, self.air_spans[ANY_DISTRICT])


@dataclass(frozen=True, slots=True)
class Strand:
    """A steel strand (messenger).

    Parameters
    ----------
    name, title, construction : str
        Key, short name and description of the construction.
    aliases : tuple of str
        Other names that field records use.
    figures : mapping of str to Figure
        By the keys of `STRAND_QUANTITIES`.
    file : str
        Where it was read.
    """

    name: str
    title: str
    construction: str
    aliases: tuple[str, ...]
    figures: Mapping[str, Figure]
    file: str

    @property
    def diameter_m(self) -> float:
        """Diameter, m."""
        return self.figures["diameter"].value_si

    @property
    def weight_n_per_m(self) -> float:
        """Weight per length, N/m."""
        return self.figures["weight"].value_si

    @property
    def breaking_strength_n(self) -> float:
        """Breaking strength, N."""
        return self.figures["breaking_strength"].value_si

    @property
    def stiffness_n(self) -> float:
        """Axial stiffness (modulus times metallic area), N."""
        return self.figures["stiffness"].value_si

    @property
    def thermal_expansion_per_c(self) -> float:
        """Thermal expansion, 1/K."""
        return self.figures["expansion"].value_si
