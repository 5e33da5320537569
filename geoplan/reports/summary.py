"""What a plan came to, in one file for programs and one screen for people.

Enters: a `Plan`.
Leaves: ``summary.json``, or text for the terminal.
Does not do: compute routes or prices; name a time of day or a folder of this machine.
"""

from __future__ import annotations

import importlib.metadata
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from geoplan.project import effective_settings
from geoplan.reports.caution import CAUTION
from geoplan.reports.clearances import describe_clearances
from geoplan.reports.frames import storable
from geoplan.reports.write import MARKER
from geoplan.tables import LAYERS, TERRAIN_ABSENCE, CrossingKind, RouteKind, Severity

if TYPE_CHECKING:
    from geoplan.model import CrsReport, Plan

LIBRARIES = (
    "geopandas",
    "numpy",
    "ortools",
    "pandas",
    "pydantic",
    "pyogrio",
    "pyproj",
    "scipy",
    "shapely",
)
"""Libraries whose release may change a result."""


def summarise(plan: Plan) -> dict[str, Any]:
    """Return the figures of a plan as plain values.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    dict
        Ready for JSON: nested dicts, lists, text, numbers; unknown is None. Lengths are in SI,
        the unit in each name.
    """
    figures = plain(
        {
            **MARKER,
            "caution": list(CAUTION),
            "project": {"name": plan.project.name, "report_units": plan.project.units},
            "counts": counts(plan),
            "crossings": _crossings(plan),
            "hazards": _hazards(plan),
            "standards": dict(plan.standards),
            "clearance": describe_clearances(plan),
            "totals": totals(plan),
            "terminals": _terminals(plan),
            "optimality": dict(plan.optimality),
            "settings": effective_settings(plan.project),
            "crs": describe_crs(plan.layers.crs, longest_air_span_m(plan)),
            "inputs": _inputs(plan),
            "findings": _by(plan.findings, "severity", [kind.value for kind in Severity]),
            "absent_layers": absent_layers(plan),
            "unchecked": list(plan.unchecked),
            "work": "not worked out" if plan.work is None else dict(plan.work),
            "versions": versions(),
        }
    )
    return cast("dict[str, Any]", figures)


def write_summary(plan: Plan, path: Path) -> Path:
    """Write ``summary.json``.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    path : pathlib.Path
        File to write.

    Returns
    -------
    pathlib.Path
        The file: sorted keys, ASCII, LF. The same plan gives the same bytes.
    """
    return _write(summarise(plan), path)


def write_check_summary(findings: pd.DataFrame, set_aside: pd.DataFrame, path: Path) -> Path:
    """Write the counts of what the checks of the layers found, as ``summary.json``.

    Parameters
    ----------
    findings, set_aside : pandas.DataFrame
        As in `geoplan.model.Layers`.
    path : pathlib.Path
        File to write.

    Returns
    -------
    pathlib.Path
        The file.
    """
    figures = {
        **MARKER,
        "caution": list(CAUTION),
        "findings": _by(findings, "severity", [kind.value for kind in Severity]),
        "findings_by_code": _by(findings, "code"),
        "set_aside_by_layer": _by(set_aside, "layer"),
        "versions": versions(),
    }
    return _write(figures, path)


def _write(figures: Mapping[str, Any], path: Path) -> Path:
    text = json.dumps(plain(figures), sort_keys=True, indent=1, allow_nan=False)
    path.write_text(f"{text}\n", encoding="ascii", newline="\n")
    return path


def plain(value: object) -> object:
    """Turn a value into what JSON can hold.

    Parameters
    ----------
    value : object
        Mappings, sequences, numpy scalars and arrays, text, numbers, None.

    Returns
    -------
    object
        Dicts with text keys, lists, text, int, float, bool, None. Not a number, infinite and
        null are None.

    Raises
    ------
    TypeError
        If the value is of another kind.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NA or isinstance(value, bool | int):
        return None if value is pd.NA else value
    if isinstance(value, str):
        return storable(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {storable(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(item) for item in value]
    if isinstance(value, set | frozenset):
        return sorted((plain(item) for item in value), key=str)
    message = f"{type(value).__name__} has no place in a summary"
    raise TypeError(message)


def counts(plan: Plan) -> dict[str, Any]:
    """Return how many addresses met which fate.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    dict
        Addresses read, served by route kind, unserved by main reason, and set aside.
    """
    set_aside = plan.set_aside["layer"].eq("addresses")
    return {
        "addresses_read": plan.layers.counts.get("addresses"),
        "served": len(plan.drops),
        "served_by_route_kind": _by(plan.drops, "route_kind", [kind.value for kind in RouteKind]),
        "served_across_a_street": int(plan.drops["is_street_crossing"].sum()),
        "unserved": len(plan.unserved),
        "unserved_by_code": _by(plan.unserved, "code"),
        "addresses_set_aside": int(plan.set_aside.loc[set_aside, "row_id"].nunique()),
    }


def totals(plan: Plan) -> dict[str, Any]:
    """Return the sums over all planned drops: lengths in metres, ports and price."""
    drops = plan.drops
    return {
        "air_span_m": _total(drops["air_span_m"]),
        "strand_run_m": _total(drops["strand_run_m"]),
        "route_m": _total(drops["route_m"]),
        "cost": _total(drops["cost"]),
        "ports_needed": int(drops["ports_needed"].sum()),
        "reserve_ports_used": int(drops["reserve_ports_used"].sum()),
        "longest_air_span_m": longest_air_span_m(plan),
    }


def longest_air_span_m(plan: Plan) -> float:
    """Return the longest planned air span, m; NaN when nothing is planned."""
    return float(plan.drops["air_span_m"].max()) if len(plan.drops) else math.nan


def describe_crs(report: CrsReport, longest_m: float) -> dict[str, Any]:
    """Return which CRS a plan is in, and what its scale does to lengths.

    Parameters
    ----------
    report : CrsReport
        From the layers.
    longest_m : float
        Longest planned air span on the grid, m; NaN when there is none.

    Returns
    -------
    dict
        ``ground_minus_grid_mm`` is what the longest air span is longer on the ground than in
        the plan (negative: shorter), in millimetres.
    """
    project = report.project_crs
    authority = project.to_authority()
    return {
        "name": project.name,
        "authority_code": ":".join(authority) if authority else None,
        "was_chosen": report.was_chosen,
        "metres_per_unit": report.unit_to_metre,
        "scale_factor": report.scale_factor,
        "longest_air_span_m": longest_m,
        "ground_minus_grid_mm": round(longest_m * (1.0 / report.scale_factor - 1.0) * 1e3, 3),
        "note": "Lengths are grid lengths; divide by the scale factor for lengths on the ground.",
    }


def absent_layers(plan: Plan) -> dict[str, str]:
    """Return each layer that was not brought, with what its absence leaves unchecked."""
    absences = {name: layer.absence for name, layer in LAYERS.items()}
    absences["terrain"] = TERRAIN_ABSENCE
    return {name: absences[name] for name in sorted(plan.layers.absent)}


def versions() -> dict[str, str]:
    """Return the releases of geoplan and of what may change its results."""
    found = {name: _version(name) for name in ("geoplan", *LIBRARIES)}
    found["gdal"] = pyogrio.__gdal_version_string__
    found["geos"] = shapely.geos_version_string
    found["proj"] = pyproj.proj_version_str
    return found


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "not installed as a package"


def _crossings(plan: Plan) -> dict[str, Any]:
    crossed = plan.crossings[~plan.crossings["is_near_miss"].astype(bool)]
    near = plan.crossings[plan.crossings["is_near_miss"].astype(bool)]
    kinds = [kind.value for kind in CrossingKind]
    roads = crossed[crossed["crossing_kind"].eq(CrossingKind.ROAD.value)]
    return {
        "crossed_by_kind": _by(crossed, "crossing_kind", kinds),
        "near_by_kind": _by(near, "crossing_kind", kinds),
        "roads_by_class": _by(roads, "feature_class"),
    }


def _hazards(plan: Plan) -> dict[str, Any]:
    return {
        "by_severity": _by(plan.hazards, "severity", [kind.value for kind in Severity]),
        "by_code": _by(plan.hazards, "code"),
    }


def _terminals(plan: Plan) -> dict[str, Any]:
    terminals = plan.terminals
    return {
        "terminals": len(terminals),
        "full": int((terminals["ports_free"] <= 0).sum()),
        **{name: int(terminals[name].sum()) for name in ("ports_total", "ports_planned")},
        "ports_free": int(terminals["ports_free"].sum()),
    }


def _inputs(plan: Plan) -> dict[str, Any]:
    names = sorted({*plan.layers.counts, *plan.layers.input_sha256})
    aside = plan.set_aside.groupby("layer")["row_id"].nunique()
    return {
        name: {
            "rows_read": plan.layers.counts.get(name),
            "rows_set_aside": int(aside.get(name, 0)),
            "sha256": plan.layers.input_sha256.get(name),
        }
        for name in names
    }


def _by(frame: pd.DataFrame, column: str, always: list[str] | None = None) -> dict[str, int]:
    """Count rows by the values of a column; `always` names values that are shown at zero too."""
    found = frame[column].fillna("unknown").value_counts()
    result = dict.fromkeys(always or [], 0)
    result.update({str(key): int(number) for key, number in found.items()})
    return dict(sorted(result.items()))


def _total(values: pd.Series) -> float:
    """Sum exactly rounded, so that the order of rows does not matter."""
    return math.fsum(values.dropna().tolist())
