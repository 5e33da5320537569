"""The project file: what the user chooses, read once into typed, frozen settings.

Enters: a TOML file.
Leaves: a `Project`, with all lengths and speeds in SI.
Does not do: open layers; hold figures of the trade (those live in ``geoplan/rules``).
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationError

from geoplan.crew_settings import Crew, Lengths
from geoplan.errors import ProjectFileError, nearest_name
from geoplan.map_settings import Map
from geoplan.project_faults import as_project_error, shown
from geoplan.settings import Angle, Cost, Length, Section, Si, metres, printable, quantity
from geoplan.store_settings import Days, Materials, Supply
from geoplan.tables import LAYERS


class Limits(Section):
    """[limits]: what a route may not exceed."""

    max_air_span: Length = metres(60.0, "Longest air span; the wire's own limit holds too.", gt=0)
    max_route: Length = metres(150.0, "Longest strand run and air span together.", gt=0)
    max_strand_run: Length = metres(120.0, "Longest run along the strand.", ge=0)
    max_spans_passed: int = Field(2, ge=0, le=20, description="Most strand spans run along.")
    min_clamp_to_terminal: Length = metres(
        0.10, "Least distance of a span clamp from the pole with the terminal.", ge=0
    )
    min_clamp_to_pole: Length = metres(
        0.90,
        "Least distance of a span clamp from any other pole: room for a ladder on the strand; "
        "common practice, no source.",
        ge=0,
    )
    min_wall_angle: Angle = Field(
        Si(30.0), validate_default=True, description="Flatter off the wall is flagged."
    )
    min_crossing_angle: Angle = Field(
        Si(60.0), validate_default=True, description="A street crossing less square is flagged."
    )
    min_lot_overlap: Length = metres(
        0.5, "Shorter passages over a third party's lot are ignored.", ge=0
    )
    near_power: Length = metres(3.0, "Power nearer than this in plan is flagged.", ge=0)
    near_pool: Length = metres(3.05, "A pool nearer than this in plan is flagged.", ge=0)
    near_tree: Length = metres(0.6, "Room to leave beside a crown, for swing.", ge=0)
    near_building: Length = metres(
        0.9,
        "A planned drop that passes another building nearer than this, below its top, is flagged; "
        "common practice, no source.",
        ge=0,
    )
    max_building_distance: Length = metres(
        40.0, "Farthest building of the same lot that an address is attached to.", ge=0
    )
    clamp_step: Length = metres(
        6.0,
        "Places for a span clamp are tried this far apart; chosen ones are then shifted.",
        gt=0.2,
    )
    max_drops_per_clamp_span: int = Field(
        4, ge=1, description="More planned drops on one strand span are flagged."
    )


class Forbidden(Section):
    """[forbidden]: crossings that are never planned."""

    rail: bool = Field(True, description="Never cross a railway.")
    water: bool = Field(True, description="Never cross water.")
    road_classes: tuple[str, ...] = Field(
        ("highway",), description="Road classes that are never crossed."
    )
    pool: bool = Field(True, description="Never pass over a pool.")


class Costs(Section):
    """[costs]: prices, in any one currency."""

    direct: Cost = Field(60.0, description="A drop of any kind.")
    span_clamp: Cost = Field(35.0, description="More for a span clamp.")
    pole_passed: Cost = Field(25.0, description="More for each pole passed on the strand.")
    air_span_per_m: Cost = Field(1.5, description="A metre of air span.")
    strand_run_per_m: Cost = Field(2.0, description="A metre along the strand.")
    street_crossing: dict[str, Cost] = Field(
        default_factory=lambda: {
            "highway": 2000.0,
            "arterial": 400.0,
            "collector": 160.0,
            "residential": 80.0,
            "alley": 30.0,
        },
        description="A street crossing, by road class.",
    )
    street_crossing_other: Cost = Field(160.0, description="A crossing of a road of other class.")
    oblique_crossing: Cost = Field(40.0, description="A crossing flatter than the limit.")
    road_overhang: Cost = Field(60.0, description="Over a carriageway without crossing it.")
    rail_crossing: Cost = Field(3000.0, description="A rail crossing, where not forbidden.")
    water_crossing: Cost = Field(800.0, description="A water crossing, where not forbidden.")
    third_party_lot: Cost = Field(150.0, description="Each third party's lot passed over.")
    roof: Cost = Field(120.0, description="Each roof passed over.")
    pool: Cost = Field(500.0, description="Each pool passed over, where not forbidden.")
    near_pool: Cost = Field(50.0, description="Each pool nearly met.")
    driveway: Cost = Field(8.0, description="Each driveway passed over.")
    sidewalk: Cost = Field(0.0, description="Each sidewalk passed over.")
    power_crossing: dict[str, Cost] = Field(
        default_factory=lambda: {"supply_line": 250.0, "supply_drop": 60.0, "neutral": 120.0},
        description="A power crossing, by kind.",
    )
    near_power: Cost = Field(40.0, description="Each power line nearly met.")
    tree: Cost = Field(90.0, description="Each crown passed through.")
    near_tree: Cost = Field(15.0, description="Each crown within swinging distance.")
    drop_crossing: Cost = Field(30.0, description="Each existing or planned drop crossed.")
    raised_hook: Cost = Field(12.0, description="A hook higher than usual.")
    raised_attachment: Cost = Field(18.0, description="An attachment higher than usual.")
    steep_wall_angle: Cost = Field(25.0, description="An air span flatter off the wall than set.")
    reserve_port: Cost = Field(200.0, description="Each reserved port used.")


class Choice(Section):
    """[choice]: how the joint choice is made."""

    use_reserve: bool = Field(False, description="Whether reserved ports may be used, at a price.")
    max_extra_per_drop_crossing: Cost = Field(
        30.0, description="Most that undoing one crossing of two planned drops may cost."
    )
    alternatives: int = Field(3, ge=0, le=20, description="Runner-up routes kept per address.")


class Strands(Section):
    """[strands]: how strands are joined to poles, or inferred."""

    snap_tolerance: Length = metres(2.0, "A strand's end snaps to a pole within this.", ge=0)
    infer: Literal["when_missing", "never"] = Field(
        "when_missing", description="Infer strands between poles along one road side."
    )
    infer_max_span: Length = metres(75.0, "Longest span that is inferred.", gt=0)
    infer_max_road_distance: Length = metres(
        20.0, "Poles farther from a road than this are not joined.", gt=0
    )


class Defaults(Section):
    """[defaults]: what stands in for values a layer doesn't have; each use is reported."""

    road_class: str = Field("residential", description="Class of a road without one.")
    road_width: Length = metres(8.0, "Carriageway width of a road without one.", gt=0)
    rail_width: Length = metres(6.0, "Width to keep clear of a track without one.", gt=0)
    water_width: Length = metres(4.0, "Width of a water line without one.", gt=0)
    sidewalk_width: Length = metres(1.5, "Width of a sidewalk line without one.", gt=0)
    driveway_width: Length = metres(3.0, "Width of a driveway line without one.", gt=0)
    crown_radius: Length = metres(2.5, "Crown radius of a tree without one.", gt=0)
    power_kind: str = Field("supply_line", description="Kind of power without one.")


class Heights(Section):
    """[heights]: heights, sag and what stands in where heights are not known.

    All defaults are common practice, no source; set them for the place.
    """

    clearance_margin: Length = metres(
        0.15, "Kept beyond every required clearance and separation.", ge=0
    )
    strand_height: Length = metres(5.8, "Strand on a pole without a record.", gt=0)
    hook_below_strand: Length = metres(0.30, "Usual place of a drive hook, below strand.", ge=0)
    highest_hook_below_strand: Length = metres(0.05, "Highest place of a hook.", ge=0)
    least_hook: Length = metres(4.0, "A pole without room above this has no place.", gt=0)
    usual_attachment: Length = metres(3.7, "Usual attachment at the premises.", gt=0)
    highest_attachment: Length = metres(4.3, "Highest one where eaves are not known.", gt=0)
    eave_gap: Length = metres(0.15, "Highest attachment below the eaves.", ge=0)
    mast: Length = metres(0.0, "Mast that may be set on a roof, above the eaves.", ge=0)
    roof_height: Length = metres(5.0, "Top of a building without a record.", gt=0)
    max_sag_share: float = Field(
        0.04, gt=0, le=0.25, description="Most stringing sag, as a part of the air span."
    )
    road_crown: Length = metres(0.10, "Middle of a carriageway above its edges.", ge=0)
    clamp_settlement: Length = metres(
        0.05, "How far a span clamp may sink under the drop's pull, before it is computed.", ge=0
    )
    max_clamp_shift: Length = metres(
        0.25, "Most that one drop may pull the strand sideways at stringing.", gt=0
    )
    power_height: dict[str, Length] = Field(
        default_factory=lambda: {"supply_line": 8.5, "supply_drop": 5.8, "neutral": 8.0},
        description="Lowest height of power without a record, by kind.",
    )
    power_voltage: dict[str, float] = Field(
        default_factory=lambda: {"supply_line": 15000.0, "supply_drop": 240.0, "neutral": 0.0},
        description="Volts between phases of power without a record, by kind.",
    )


class Ladder(Section):
    """[ladder]: what leans on a strand at a span clamp; common practice, no source."""

    person: Annotated[float, quantity("mass")] = Field(
        Si(110.0), validate_default=True, description="Person with tools."
    )
    ladder: Annotated[float, quantity("mass")] = Field(
        Si(25.0), validate_default=True, description="Ladder."
    )
    angle: Angle = Field(
        Si(75.5), validate_default=True, description="Ladder from the ground: 4 up, 1 out."
    )
    strand_tension: Annotated[float, quantity("force")] = Field(
        Si(4000.0), validate_default=True, description="Tension of a strand at stringing."
    )
    cable_weight: Annotated[float, quantity("weight_per_length")] = Field(
        Si(3.0), validate_default=True, description="Cable lashed to the strand."
    )
    cable_diameter: Length = metres(
        0.012, "Diameter of the lashed cable; ice lies on strand and cable together.", ge=0
    )
    assumed_strand: str = Field(
        "6m_5_16", description="Strand size where none is recorded; no ladder goes on it."
    )


class LayerSource(Section):
    """[layers.NAME]: where a layer is and how its columns are called."""

    source: str = Field(description="Path of the file, relative to the project file.")
    layer: str | None = Field(None, description="Layer inside the file, where it has several.")
    crs: str | None = Field(None, description="CRS, where the file has none or a wrong one.")
    x: str | None = Field(None, description="Column of x or longitude, for CSV.")
    y: str | None = Field(None, description="Column of y or latitude, for CSV.")
    columns: dict[str, str] = Field(
        default_factory=dict, description="Our column = the file's column."
    )
    units: dict[str, str] = Field(default_factory=dict, description="Our column = its unit.")


class Project(Section):
    """A whole project; every key has a default but the required layers."""

    name: Annotated[str, AfterValidator(printable)] = Field(
        "plan", min_length=1, max_length=80, description="Name of the project."
    )
    crs: str = Field("auto", description="Project CRS, or 'auto': a suitable UTM zone.")
    units: Literal["us", "metric"] = Field("us", description="Units of the reports.")
    rule_set: str = Field("us", description="Rule set: us, california, metric, or a file.")
    loading_district: str = Field(
        "heavy", description="Loading district of the rule set; it has to be known."
    )
    wire: str = Field("copper_clad_pair", description="Drop wire, a key of the catalogue.")
    limits: Limits = Field(default_factory=Limits, description="What a route may not exceed.")
    forbidden: Forbidden = Field(default_factory=Forbidden, description="Never crossed.")
    costs: Costs = Field(default_factory=Costs, description="Prices.")
    choice: Choice = Field(default_factory=Choice, description="How the choice is made.")
    strands: Strands = Field(default_factory=Strands, description="Joining of strands.")
    defaults: Defaults = Field(default_factory=Defaults, description="Stand-ins.")
    heights: Heights = Field(default_factory=Heights, description="Heights and sag.")
    ladder: Ladder = Field(default_factory=Ladder, description="Ladder on the strand.")
    map: Map = Field(default_factory=Map, description="The map page.")
    lengths: Lengths = Field(default_factory=Lengths, description="Wire beyond the air span.")
    crew: Crew = Field(default_factory=Crew, description="Who does the work.")
    supply: Supply = Field(default_factory=Supply, description="How drop wire comes.")
    materials: Materials = Field(default_factory=Materials, description="What drops are made of.")
    days: Days = Field(default_factory=Days, description="Crew days.")
    wires: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="The user's own wires, as in the catalogue."
    )
    strand_sizes: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="The user's own strands, as in the catalogue."
    )
    layers: dict[str, LayerSource] = Field(description="Sources of the layers.")


TERRAIN_UNITS = ("elevation",)
"""What a raster of terrain can be given a unit for."""

SHORT_LAYER = "a path alone stands for { source = path }"


def read_project(path: Path) -> Project:
    """Read and validate a project file.

    Parameters
    ----------
    path : pathlib.Path
        A TOML file.

    Returns
    -------
    Project
        Settings in SI; the layers' sources are absolute paths.

    Raises
    ------
    ProjectFileError
        If the file is missing, not TOML, or has an unknown key or a wrong value.
    """
    where = f"project file '{path.name}'"
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        problem = f"cannot be read ({error.strerror or error})"
        raise ProjectFileError(where, problem, "Check the path.") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ProjectFileError(
            where, f"is not valid TOML ({error})", "Correct that line; text needs quotes."
        ) from error
    except ValueError as error:  # a number of thousands of digits
        raise ProjectFileError(where, "holds a number that is too long", "Shorten it.") from error
    except RecursionError as error:
        raise ProjectFileError(
            where, "is nested too deeply", "Close the brackets that were opened."
        ) from error
    return project_from_dict(raw, base=path.resolve().parent, where=where)


def project_from_dict(raw: dict[str, Any], *, base: Path, where: str = "project") -> Project:
    """Validate settings that are in memory already.

    Parameters
    ----------
    raw : dict
        The keys of a project file.
    base : pathlib.Path
        Folder that relative sources start from.
    where : str
        How messages name the origin.

    Returns
    -------
    Project
        Settings in SI.

    Raises
    ------
    ProjectFileError
        If a key is unknown, a value wrong, or a required layer missing.
    """
    raw = dict(raw)
    layers = raw.get("layers")
    if not isinstance(layers, dict):
        raise ProjectFileError(
            where, "has no table [layers]", "Add [layers] with parcels, addresses, poles, roads."
        )
    _check_layers(layers, where)
    rule_set = raw.get("rule_set")
    if isinstance(rule_set, str) and rule_set.endswith(".toml"):
        raw["rule_set"] = str((base / rule_set).resolve())
    raw["crew"] = _beside(raw.get("crew", {}), "rules", base)
    raw["materials"] = _beside(raw.get("materials", {}), "catalogue", base)
    raw["layers"] = {
        name: _absolute(
            {"source": entry} if isinstance(entry, str) else dict(entry),
            base,
            f"{where}, key layers.{name}.source",
        )
        for name, entry in sorted(layers.items())
    }
    try:
        return Project.model_validate(raw)
    except ValidationError as error:
        raise as_project_error(error, where, Project, LayerSource) from error


def _beside(section: Any, key: str, base: Path) -> Any:
    """Make the path of a rule file in a section absolute; other values stay as they are."""
    name = section.get(key) if isinstance(section, dict) else None
    if not isinstance(name, str) or not name.endswith(".toml"):
        return section
    return {**section, key: str((base / name).resolve())}


def _check_layers(layers: dict[str, Any], where: str) -> None:
    valid = [*LAYERS, "terrain"]
    for name, entry in layers.items():
        if name not in valid:
            raise ProjectFileError(
                f"{where}, key layers.{name}", "no such layer", nearest_name(name, valid)
            )
        if not isinstance(entry, str | dict):
            raise ProjectFileError(
                f"{where}, key layers.{name}",
                "is neither a path nor a table",
                f'Write {name} = "file.gpkg" ({SHORT_LAYER}).',
            )
        if isinstance(entry, dict):
            _check_mapping(name, entry, where)
    for name, declared in LAYERS.items():
        if declared.required and name not in layers:
            raise ProjectFileError(
                f"{where}, key layers.{name}",
                "a required layer is missing",
                f'Add {name} = "path to file" under [layers].',
            )


def _check_mapping(name: str, entry: dict[str, Any], where: str) -> None:
    keys = [column.key for column in LAYERS[name].columns] if name in LAYERS else []
    valid = {"columns": keys, "units": keys or TERRAIN_UNITS}
    for table, known in valid.items():
        mapping = entry.get(table, {})
        if not isinstance(mapping, dict):
            continue  # the typed model refuses it
        for key in mapping:
            if key not in known:
                raise ProjectFileError(
                    f"{where}, key layers.{name}.{table}.{key}",
                    "no such column",
                    nearest_name(key, known) if known else "A raster has none; remove the key.",
                )


def _absolute(entry: dict[str, Any], base: Path, where: str) -> dict[str, Any]:
    source = entry.get("source")
    if not isinstance(source, str):
        return entry  # the typed model refuses it
    if not source.strip():
        raise ProjectFileError(where, "is empty", "Write the path of a file.")
    try:
        path = (base / source).resolve()
        path.exists()
    except (OSError, RuntimeError, ValueError) as error:  # too long, links in a circle, NUL
        raise ProjectFileError(
            where, f"is no usable path (given: {shown(source)})", "Correct the path."
        ) from error
    entry["source"] = str(path)
    return entry


def effective_settings(project: Project) -> MappingProxyType[str, Any]:
    """Return all settings in force, defaults included, as plain values in SI.

    Parameters
    ----------
    project : Project
        Settings.

    Returns
    -------
    mapping
        Nested; layers' sources are reduced to file names, so that it names no folder.
    """
    settings = project.model_dump(mode="json")
    if settings["rule_set"].endswith(".toml"):
        settings["rule_set"] = Path(settings["rule_set"]).name
    settings["crew"]["rules"] = Path(settings["crew"]["rules"]).name
    settings["materials"]["catalogue"] = Path(settings["materials"]["catalogue"]).name
    for entry in settings["layers"].values():
        entry["source"] = Path(entry["source"]).name
    return MappingProxyType(settings)
