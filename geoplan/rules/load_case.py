"""One load case of a loading district: ice, wind and temperature with their sources.

Enters: figures that the reader has checked.
Leaves: a frozen `LoadCase` with SI floats.
Does not do: mechanics; ice weight and wind force are computed elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoplan.rules.figures import Figure
from geoplan.rules.keys import Purpose


@dataclass(frozen=True, slots=True)
class LoadCase:
    """Weather on the wire for one purpose in one loading district.

    Parameters
    ----------
    name : str
        A key of `geoplan.rules.keys.CASE_PURPOSE`.
    district : str
        Loading district.
    purpose : Purpose
        Tension, clearance or stringing.
    ice, wind, temperature, constant : Figure
        Radial ice, m; wind pressure, Pa; wire temperature, degree Celsius; constant added to
        the resultant for tension, N/m.
    ice_density : Figure
        Density of the ice, kg/m3.
    clearance_fraction : Figure or None
        Part of the required clearance that has to remain in this case; only for clearance.
    """

    name: str
    district: str
    purpose: Purpose
    ice: Figure
    wind: Figure
    temperature: Figure
    constant: Figure
    ice_density: Figure
    clearance_fraction: Figure | None

    @property
    def ice_thickness_m(self) -> float:
        """Radial thickness of ice, m."""
        return self.ice.value_si

    @property
    def wind_pa(self) -> float:
        """Wind pressure on the iced wire, Pa."""
        return self.wind.value_si

    @property
    def temperature_c(self) -> float:
        """Temperature of the wire, degree Celsius."""
        return self.temperature.value_si

    @property
    def constant_n_per_m(self) -> float:
        """Constant that is added to the resultant load, N/m."""
        return self.constant.value_si

    @property
    def ice_density_kg_per_m3(self) -> float:
        """Density of ice, kg/m3."""
        return self.ice_density.value_si
