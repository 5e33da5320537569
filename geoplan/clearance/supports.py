"""How high each end of an air span may be.

Enters: checked layers, settings, rules.
Leaves: `Supports` by row of the layers; `Ends` by air span.
Does not do: choose among the heights.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from geoplan.layers.terrain import sample_elevation
from geoplan.model import Layers, Terrain
from geoplan.project import Project
from geoplan.routes.air_spans import AirSpans
from geoplan.routes.index import PlantIndex
from geoplan.routes.segments import FloatArray, point_distance
from geoplan.rules import separation_table
from geoplan.standards import Standards

if TYPE_CHECKING:
    import geopandas as gpd

BoolArray = npt.NDArray[np.bool_]

ON_POLE_M = 1.0
"""Power within this distance of a pole in plan is taken to be on it."""

POWER_KIND = {
    "supply_line": "supply_line",
    "supply_drop": "supply_service",
    "neutral": "neutral",
}


@dataclass(frozen=True)
class Supports:
    """Heights of the plant by row of its layer, in metres above its own ground."""

    terrain: Terrain | None
    pole_ground_m: FloatArray
    strand_height_m: FloatArray
    strand_is_assumed: BoolArray
    hook_usual_m: FloatArray
    hook_high_m: FloatArray
    has_room: BoolArray
    pole_power_is_checked: BoolArray
    pole_has_power: BoolArray
    """Whether power is recorded on the pole, or a power line passes it within a metre."""
    span_sag_m: FloatArray
    """Sag of each strand span at the stringing temperature."""
    span_tension_n: FloatArray
    span_weight_n_per_m: FloatArray
    span_size: npt.NDArray[np.object_]
    """Strand size of each span; None where none is recorded, so that one is assumed."""
    span_is_sound: BoolArray
    """Whether the strand is recorded as in good condition."""
    building_ground_m: FloatArray
    attachment_usual_m: FloatArray
    attachment_high_m: FloatArray
    eaves_are_assumed: BoolArray
    bare_usual_m: float
    bare_high_m: float


@dataclass(frozen=True)
class Ends:
    """Both ends of air spans: ground as elevation, heights above it, in metres."""

    start_ground_m: FloatArray
    end_ground_m: FloatArray
    ground_is_known: BoolArray
    start_usual_m: FloatArray
    start_high_m: FloatArray
    end_usual_m: FloatArray
    end_high_m: FloatArray
    is_assumed: BoolArray
    """Whether any height of either end is a written default."""
    has_room: BoolArray

    def take(self, rows: npt.NDArray[np.int64]) -> Ends:
        """Return some rows."""
        return Ends(*(getattr(self, field.name)[rows] for field in fields(self)))


def build_supports(
    layers: Layers, index: PlantIndex, project: Project, standards: Standards
) -> Supports:
    """Work out the heights that poles, strands and buildings allow.

    Parameters
    ----------
    layers : Layers
        Checked layers.
    index : PlantIndex
        Their rows.
    project : Project
        Settings and defaults.
    standards : Standards
        Separation from power at the pole; strand sizes.

    Returns
    -------
    Supports
        A hook is at or below the strand and, where the lowest power on the pole is known, the
        rule's separation and the margin below it.

    Notes
    -----
    Power on a pole is taken as a supply line up to 15 kV: the greatest separation that the rule
    set holds for a pole. The usual attachment is never above the highest. A strand's tension
    follows from its measured lowest height, H = w L^2 / (8 D), else it is the project's.
    """
    heights = project.heights
    poles, buildings = layers.poles, layers.buildings
    strand = _column(poles, "strand_height_m")
    assumed = np.isnan(strand)
    strand = np.where(assumed, heights.strand_height, strand)
    power = _column(poles, "power_height_m")
    table = separation_table(standards.rule_set)
    code = table.row_codes(["supply_line.pole"])
    apart = float(table.distance(code, np.array([15_000.0]))[0])
    ceiling = power - apart - heights.clearance_margin
    high = np.fmin(strand - heights.highest_hook_below_strand, ceiling)
    usual = np.minimum(strand - heights.hook_below_strand, high)
    eaves = _column(buildings, "eave_height_m")
    top = _column(buildings, "height_m")
    no_eaves = np.isnan(eaves)
    wall = np.where(no_eaves, heights.highest_attachment, eaves - heights.eave_gap)
    wall = np.fmin(wall, top) + heights.mast
    pole_ground = _ground(layers, poles)
    size, weight = _strand_sizes(layers, project, standards)
    sag, tension = _span_sag(layers, index, strand, pole_ground, project, weight)
    return Supports(
        layers.terrain,
        pole_ground,
        strand,
        assumed,
        usual,
        high,
        high >= heights.least_hook,
        np.isfinite(power) & np.isfinite(apart),
        np.isfinite(power) | _passed_by_power(index),
        sag,
        tension,
        weight,
        size,
        (layers.spans["condition"] == "good").to_numpy(dtype=bool),
        _ground(layers, buildings),
        np.minimum(heights.usual_attachment, wall),
        wall,
        no_eaves,
        min(heights.usual_attachment, heights.highest_attachment + heights.mast),
        heights.highest_attachment + heights.mast,
    )


def _passed_by_power(index: PlantIndex) -> BoolArray:
    """Tell which poles a power line passes within a metre."""
    passed = np.zeros(len(index.pole_x), dtype=bool)
    pole, piece = index.power.tree.query(shapely.points(index.pole_x, index.pole_y))
    distance, _ = point_distance(index.pole_x[pole], index.pole_y[pole], index.power.segment[piece])
    passed[pole[distance <= ON_POLE_M]] = True
    return passed


def _column(frame: gpd.GeoDataFrame, name: str) -> FloatArray:
    return np.asarray(frame[name].to_numpy(dtype=np.float64))


def _ground(layers: Layers, frame: gpd.GeoDataFrame) -> FloatArray:
    """Take the ground from the raster where there is one, so that one source rules all."""
    if layers.terrain is None:
        return _column(frame, "ground_m")
    points = frame.geometry.representative_point()
    return np.asarray(sample_elevation(layers.terrain, points.x.to_numpy(), points.y.to_numpy()))


def _strand_sizes(
    layers: Layers, project: Project, standards: Standards
) -> tuple[npt.NDArray[np.object_], FloatArray]:
    """Match recorded sizes with the catalogue; return them and the weight with cable."""
    names = {
        word.casefold(): name
        for name, entry in standards.strands.items()
        for word in (name, entry.title, *entry.aliases)
    }
    recorded = layers.spans["size"].str.strip().str.casefold().map(names)
    size = recorded.astype(object).where(recorded.notna(), None).to_numpy(dtype=object)
    weights = {
        name: entry.weight_n_per_m + project.ladder.cable_weight
        for name, entry in standards.strands.items()
    }
    used = recorded.fillna(project.ladder.assumed_strand)
    return size, used.map(weights).to_numpy(dtype=np.float64)


def _span_sag(
    layers: Layers,
    index: PlantIndex,
    strand: FloatArray,
    ground: FloatArray,
    project: Project,
    weight: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return sag and tension of strand spans, each from the other."""
    ends, length = index.span_ends, index.span_length_m
    lowest = _column(layers.spans, "height_m")
    middle = (strand[ends[:, 0]] + strand[ends[:, 1]]) / 2
    if layers.terrain is not None:
        x = (index.pole_x[ends[:, 0]] + index.pole_x[ends[:, 1]]) / 2
        y = (index.pole_y[ends[:, 0]] + index.pole_y[ends[:, 1]]) / 2
        below = sample_elevation(layers.terrain, x, y)
        between = (ground[ends[:, 0]] + ground[ends[:, 1]]) / 2
        middle = middle + np.nan_to_num(between - below)
    usual = weight * length**2 / (8 * project.ladder.strand_tension)
    sag = np.where(np.isnan(lowest), usual, np.maximum(middle - lowest, usual / 4))
    return sag, weight * length**2 / (8 * sag)


def find_ends(
    air: AirSpans, index: PlantIndex, supports: Supports, settlement_m: FloatArray | float
) -> Ends:
    """Find the ground and the allowed heights at both ends of air spans.

    Parameters
    ----------
    air : AirSpans
        n air spans.
    index : PlantIndex
        Rows of the layers.
    supports : Supports
        Heights by row.
    settlement_m : ndarray of float64, shape (n,), or float
        How far a clamp sinks under its drop, in metres.

    Returns
    -------
    Ends
        A clamp hangs on the strand, lower by its sag there and by the settlement.
        Where the ground of either end is unknown, both are 0: level ground.
    """
    clamp = air.span >= 0
    ends = index.span_ends[air.span] if len(index.span_ends) else np.zeros((len(air), 2), int)
    a, b = ends[:, 0], ends[:, 1]
    length = np.append(index.span_length_m, np.nan)[air.span]
    share = np.where(clamp, air.clamp_from_m / np.where(clamp, length, 1.0), 0.0)
    pole = np.where(clamp, a, air.pole)
    sag = np.append(supports.span_sag_m, 0.0)[air.span] * 4 * share * (1 - share)
    on_span = (1 - share) * supports.strand_height_m[a] + share * supports.strand_height_m[b]
    ground_between = (1 - share) * supports.pole_ground_m[a] + share * supports.pole_ground_m[b]
    start_ground = np.where(clamp, ground_between, supports.pole_ground_m[pole])
    building = air.building
    end_ground = np.append(supports.building_ground_m, np.nan)[building]
    rise_of_ground = np.zeros(len(air))
    if supports.terrain is not None:
        below = sample_elevation(supports.terrain, air.sx, air.sy)
        rise_of_ground = np.where(clamp, start_ground - below, 0.0)
        start_ground = below
        end_ground = sample_elevation(supports.terrain, air.ex, air.ey)
    known = np.isfinite(start_ground) & np.isfinite(end_ground)
    rise_of_ground = np.where(known, np.nan_to_num(rise_of_ground), 0.0)
    at_clamp = on_span - sag + rise_of_ground - settlement_m
    usual = np.append(supports.attachment_usual_m, supports.bare_usual_m)[building]
    high = np.append(supports.attachment_high_m, supports.bare_high_m)[building]
    assumed = np.append(supports.eaves_are_assumed, True)[building]
    strand_assumed = np.where(
        clamp,
        supports.strand_is_assumed[a] | supports.strand_is_assumed[b],
        supports.strand_is_assumed[pole],
    )
    return Ends(
        np.where(known, start_ground, 0.0),
        np.where(known, end_ground, 0.0),
        known,
        np.where(clamp, at_clamp, supports.hook_usual_m[pole]),
        np.where(clamp, at_clamp, supports.hook_high_m[pole]),
        usual,
        high,
        assumed | strand_assumed,
        np.where(clamp, at_clamp > 0, supports.has_room[pole]),
    )
