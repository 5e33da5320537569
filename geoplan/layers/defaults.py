"""Words from fixed lists, and what stands in for values that a layer doesn't have.

Enters: a layer's columns after reading, the project's settings.
Leaves: the columns with known words and defaults in place, and findings that say so.
Does not do: read cells; look at geometry.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.layers.columns import Match
from geoplan.layers.findings import build_findings
from geoplan.project import Project
from geoplan.tables import InputLayer, Severity

POWER_KINDS = ("neutral", "supply_drop", "supply_line")
CONDITIONS = ("good", "poor")

_LONGEST_SHOWN = 40


def check_words(
    layer: InputLayer, frame: pd.DataFrame, project: Project
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Bring words from a fixed list to their spelling and report those not on it.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    frame : pandas.DataFrame
        Layer, index = id.
    project : Project
        Prices name the known road classes.

    Returns
    -------
    frame : pandas.DataFrame
        Condition and kind of power that are not known are null; an unknown road class stays.
    findings : list of pandas.DataFrame
        Codes ``condition_unknown``, ``power_kind_unknown``, ``road_class_unknown``.
    """
    known: dict[str, Iterable[str]] = {
        "condition": CONDITIONS,
        "power_kind": POWER_KINDS,
        "road_class": project.costs.street_crossing,
    }
    findings = []
    for name in [column.name for column in layer.columns if column.name in known]:
        spelled = {word.casefold(): word for word in known[name]}
        text = frame[name]
        codes, distinct = pd.factorize(text)
        words = pd.Series(distinct, dtype="str").str.strip().str.casefold().map(spelled)
        known_words = pd.concat([words.astype("str"), pd.Series([np.nan], dtype="str")])
        word = known_words.iloc[codes].set_axis(text.index)  # code -1, of null, is the last
        is_unknown = text.notna() & word.isna()
        kept = text.where(is_unknown) if name == "road_class" else np.nan
        frame = frame.assign(
            **{name: word.fillna(kept).astype("str") if name == "road_class" else word}
        )
        if is_unknown.any():
            findings.append(_unknown_words(layer, name, text[is_unknown], sorted(spelled.values())))
    return frame, findings


def _unknown_words(
    layer: InputLayer, name: str, text: pd.Series[Any], known: list[str]
) -> pd.DataFrame:
    listed = ", ".join(known)
    if name == "road_class":
        remedy = "Add its price under [costs.street_crossing]; till then street_crossing_other."
    else:
        remedy = f"Write one of: {listed}."
    shown = text.str.slice(0, _LONGEST_SHOWN).to_numpy(dtype=object)
    reason = f"{name} is '" + shown + f"', not one of {listed}"
    if name != "road_class":
        reason = reason + ": taken as not known"
    ids = text.index
    return build_findings(layer.name, ids, f"{name}_unknown", Severity.WARNING, reason, remedy)


def fill_defaults(
    layer: InputLayer,
    frame: pd.DataFrame,
    project: Project,
    *,
    is_line: npt.NDArray[np.bool_] | None = None,
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Fill what the project's [defaults] stand in for, and say how often.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    frame : pandas.DataFrame, n rows
        Layer, index = id.
    project : Project
        Settings.
    is_line : ndarray of bool, shape (n,), optional
        Rows that need a width at all; others keep their null.

    Returns
    -------
    frame : pandas.DataFrame
        With the defaults in place.
    findings : list of pandas.DataFrame
        One per column, code ``<column>_assumed``; a warning for roads, else a note.
    """
    defaults = project.defaults
    stand_ins: dict[str, dict[str, float | str]] = {
        "roads": {"road_class": defaults.road_class, "width_m": defaults.road_width},
        "rail": {"width_m": defaults.rail_width},
        "water": {"width_m": defaults.water_width},
        "sidewalks": {"width_m": defaults.sidewalk_width},
        "driveways": {"width_m": defaults.driveway_width},
        "trees": {"crown_radius_m": defaults.crown_radius},
        "power": {"power_kind": defaults.power_kind},
    }
    findings = []
    for name, value in stand_ins.get(layer.name, {}).items():
        is_empty = frame[name].isna().to_numpy()
        if name in ("width_m", "crown_radius_m"):
            is_empty = is_empty | (frame[name] == 0.0).to_numpy()
        if is_line is not None:
            is_empty = is_empty & is_line
        if not is_empty.any():
            continue
        frame = frame.assign(**{name: frame[name].mask(is_empty, value)})
        key = layer.column(name).key
        what = f"{value:g} m" if isinstance(value, float) else f"'{value}'"
        findings.append(
            build_findings(
                layer.name,
                "",
                f"{key}_assumed",
                Severity.WARNING if layer.name == "roads" else Severity.NOTE,
                f"{int(is_empty.sum())} of {len(frame)} {layer.name} without {key}: {what} assumed",
                f"Bring column '{name}', or change [defaults].",
            )
        )
    return frame, findings


def check_counts_known(
    layer: InputLayer, frame: pd.DataFrame, matches: Sequence[Match]
) -> list[pd.DataFrame]:
    """Report counts that the file doesn't have and that a default stands in for.

    Parameters
    ----------
    layer : InputLayer
        Declaration.
    frame : pandas.DataFrame
        Layer after reading.
    matches : sequence of Match
        From `geoplan.layers.columns.match_columns`.

    Returns
    -------
    list of pandas.DataFrame
        Notes, code ``<column>_assumed``.
    """
    return [
        build_findings(
            layer.name,
            "",
            f"{match.column.key}_assumed",
            Severity.NOTE,
            f"no column {match.column.key}: {match.column.default} assumed for all "
            f"{len(frame)} {layer.name}",
            f"Map it under [layers.{layer.name}.columns] if the file has it by another name.",
        )
        for match in matches
        if match.field is None and match.column.kind == "int" and match.column.default is not None
    ]
