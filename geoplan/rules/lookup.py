"""Rule look-ups for arrays: a million crossings without a loop.

Enters: a `RuleSet`; then arrays of words, codes and voltages.
Leaves: arrays in metres; NaN where the rule set has no figure.
Does not do: explain a NaN; `RuleSet.why_not_covered` does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.errors import RuleDataError, nearest_name
from geoplan.rules.keys import CLEARANCE_CLASSES, Approach, ClearanceKind, SeparationKind, Where
from geoplan.rules.rule_set import RuleSet

FloatArray = npt.NDArray[np.float64]
CodeArray = npt.NDArray[np.intp]

UNKNOWN_CODE = -1
"""Code of a null; its figure is NaN."""


def encode(words: npt.ArrayLike, names: Sequence[str], what: str) -> CodeArray:
    """Turn words into their positions in a list of names.

    Parameters
    ----------
    words : array_like of str, shape (n,)
        Words; null (None or NaN) gives `UNKNOWN_CODE`.
    names : sequence of str
        Valid words, in the order of their codes.
    what : str
        What the words are, for the message.

    Returns
    -------
    ndarray of intp, shape (n,)
        Codes. Cost O(n).

    Raises
    ------
    RuleDataError
        On the first word that is neither null nor valid.
    """
    values = np.asarray(words, dtype=object)
    codes: CodeArray = pd.Index(list(names), dtype=object).get_indexer(
        pd.Index(values, dtype=object)
    )
    misses = np.flatnonzero(codes == UNKNOWN_CODE)
    if misses.size:
        wrong = misses[~pd.isna(values[misses])]
        if wrong.size:
            word = str(values[wrong[0]])
            where = f"row {wrong[0]} of {what}"
            raise RuleDataError(where, f"'{word}' is not known", nearest_name(word, names))
    return codes


@dataclass(frozen=True, slots=True)
class ClearanceTable:
    """Every clearance of a rule set as a matrix of kind by class.

    Parameters
    ----------
    kinds, classes : tuple of str
        Names of rows and columns; a code is the position in them.
    required_m : ndarray of float64, shape (n_kinds, n_classes)
        Clearance, m; NaN: not covered, or no such class of that kind.
    steep_roof_slope : float
        Rise over run from which a roof counts as steep.
    """

    kinds: tuple[str, ...]
    classes: tuple[str, ...]
    required_m: FloatArray
    steep_roof_slope: float

    def kind_codes(self, kinds: npt.ArrayLike) -> CodeArray:
        """Encode kinds; see `encode`."""
        return encode(kinds, self.kinds, "clearance kinds")

    def class_codes(self, classes: npt.ArrayLike) -> CodeArray:
        """Encode classes; see `encode`."""
        return encode(classes, self.classes, "clearance classes")

    def roof_class_codes(
        self, slope: FloatArray, is_walkable: npt.NDArray[np.bool_] | bool = False
    ) -> CodeArray:
        """Encode roofs by slope and use.

        Parameters
        ----------
        slope : ndarray of float64, shape (n,)
            Rise over run; NaN counts as low slope, which requires more.
        is_walkable : ndarray of bool, shape (n,), or bool
            Whether people can walk on the roof.

        Returns
        -------
        ndarray of intp, shape (n,)
            Class codes.
        """
        low, steep, walkable = (
            self.classes.index(name) for name in ("low_slope", "steep", "walkable")
        )
        is_steep = np.asarray(slope, dtype=np.float64) >= self.steep_roof_slope
        return np.where(is_walkable, walkable, np.where(is_steep, steep, low)).astype(np.intp)

    def required(self, kind_codes: CodeArray, class_codes: CodeArray) -> FloatArray:
        """Look up the required clearance.

        Parameters
        ----------
        kind_codes, class_codes : ndarray of intp, shape (n,)
            From `kind_codes` and `class_codes`; they broadcast.

        Returns
        -------
        ndarray of float64, shape (n,)
            Clearance, m; NaN where not covered or the code is `UNKNOWN_CODE`.
        """
        is_known = (kind_codes != UNKNOWN_CODE) & (class_codes != UNKNOWN_CODE)
        return np.where(is_known, self.required_m[kind_codes, class_codes], np.nan)


@dataclass(frozen=True, slots=True)
class BandTable:
    """Figures by voltage band for several rows (kind and place, or who comes near).

    Parameters
    ----------
    rows : tuple of str
        Names of the rows; a code is the position in them.
    upper_v : ndarray of float64, shape (n_rows, n_bands)
        Highest voltage of each band, V, ascending; unused bands are NaN.
    distance_m : ndarray of float64, shape (n_rows, n_bands)
        Distance in the band, m; NaN: not covered.
    """

    rows: tuple[str, ...]
    upper_v: FloatArray
    distance_m: FloatArray

    def row_codes(self, rows: npt.ArrayLike) -> CodeArray:
        """Encode rows such as ``"supply_line.pole"``; see `encode`."""
        return encode(rows, self.rows, "voltage table rows")

    def distance(self, row_codes: CodeArray, voltage_v: FloatArray) -> FloatArray:
        """Look up the distance at a voltage.

        Parameters
        ----------
        row_codes : ndarray of intp, shape (n,)
            From `row_codes`; they broadcast with `voltage_v`.
        voltage_v : ndarray of float64, shape (n,)
            Voltage, V. NaN: unknown, so only a band for any voltage applies.

        Returns
        -------
        ndarray of float64, shape (n,)
            Distance, m; NaN where not covered or the code is `UNKNOWN_CODE`.
        """
        codes, voltage = np.broadcast_arrays(
            np.asarray(row_codes, dtype=np.intp), np.asarray(voltage_v, dtype=np.float64)
        )
        voltage = np.where(np.isnan(voltage), np.inf, np.abs(voltage))
        found = np.full(voltage.shape, np.nan)
        for band in range(self.upper_v.shape[1] - 1, -1, -1):  # the lowest band that fits wins
            fits = (voltage <= self.upper_v[codes, band]) & (codes != UNKNOWN_CODE)
            found = np.where(fits, self.distance_m[codes, band], found)
        return found


def clearance_table(rule_set: RuleSet) -> ClearanceTable:
    """Lay out the clearances of a rule set for look-up by code.

    Parameters
    ----------
    rule_set : RuleSet
        A loaded rule set.

    Returns
    -------
    ClearanceTable
        Matrix of kind by class; not writeable.
    """
    classes = tuple(dict.fromkeys(name for row in CLEARANCE_CLASSES.values() for name in row))
    figures = rule_set.figures
    required_m = np.array(
        [
            [
                figures[key].value_si if (key := f"clearance.{kind}.{name}") in figures else np.nan
                for name in classes
            ]
            for kind in ClearanceKind
        ]
    )
    required_m.setflags(write=False)
    slope = rule_set.require("limits.steep_roof_slope").value_si
    return ClearanceTable(tuple(map(str, ClearanceKind)), classes, required_m, slope)


def separation_table(rule_set: RuleSet) -> BandTable:
    """Lay out the separations of a rule set for look-up by code and voltage.

    Parameters
    ----------
    rule_set : RuleSet
        A loaded rule set.

    Returns
    -------
    BandTable
        One row for each kind and place, named ``"<kind>.<where>"``.
    """
    rows = tuple(f"{kind}.{where}" for kind in SeparationKind for where in Where)
    return _band_table(rule_set, "separation", rows)


def approach_table(rule_set: RuleSet) -> BandTable:
    """Lay out the approach distances of a rule set for look-up by code and voltage.

    Parameters
    ----------
    rule_set : RuleSet
        A loaded rule set.

    Returns
    -------
    BandTable
        One row each for ``"worker"`` and ``"lifting_plant"``.
    """
    return _band_table(rule_set, "approach", tuple(map(str, Approach)))


def _band_table(rule_set: RuleSet, section: str, rows: tuple[str, ...]) -> BandTable:
    bands = [rule_set.bands(f"{section}.{row}") for row in rows]
    shape = (len(rows), max(1, *(len(row) for row in bands)))
    upper_v = np.full(shape, np.nan)
    distance_m = np.full(shape, np.nan)
    for index, row in enumerate(bands):
        for place, (limit_v, figure) in enumerate(row):
            upper_v[index, place] = limit_v
            distance_m[index, place] = figure.value_si
    upper_v.setflags(write=False)
    distance_m.setflags(write=False)
    return BandTable(rows, upper_v, distance_m)
