"""The project file: keys, defaults in SI, and what is refused with which hint."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from geoplan import project as project_module
from geoplan.errors import ProjectFileError
from geoplan.project import (
    Limits,
    Project,
    effective_settings,
    project_from_dict,
    read_project,
)
from geoplan.standards import load_standards

LAYERS = {name: f"{name}.gpkg" for name in ("parcels", "addresses", "poles", "roads")}
SECTIONS = [
    one
    for one in vars(project_module).values()
    if isinstance(one, type) and issubclass(one, BaseModel) and one.model_fields
]


def _project(layers: dict[str, Any] | None = None, **keys: Any) -> Project:
    return project_from_dict({"layers": {**LAYERS, **(layers or {})}, **keys}, base=Path("/data"))


@pytest.mark.parametrize("section", SECTIONS, ids=lambda one: one.__name__)
def test_every_key_has_a_sentence_that_describes_it(section: type[BaseModel]) -> None:
    for name, field in section.model_fields.items():
        assert field.description, name
        assert field.description.endswith("."), name


def test_no_section_was_overlooked() -> None:
    assert {one.__name__ for one in SECTIONS} >= {"Project", "Limits", "Costs", "LayerSource"}


def test_defaults_are_in_si() -> None:
    project = _project()
    assert project.limits.max_air_span == 60.0
    assert project.limits.min_crossing_angle == 60.0
    assert project.strands.snap_tolerance == 2.0
    assert project.defaults.road_width == 8.0
    assert all(
        isinstance(value, float | int)
        for section in (project.limits, project.costs)
        for value in section.model_dump().values()
        if not isinstance(value, dict)
    )


@pytest.mark.parametrize(
    ("given", "metres"), [("200 ft", 60.96), ("60 m", 60.0), ("0.05 km", 50.0)]
)
def test_lengths_are_turned_into_metres(given: str, metres: float) -> None:
    assert _project(limits={"max_air_span": given}).limits.max_air_span == metres


def test_a_number_without_unit_is_refused_with_an_example() -> None:
    with pytest.raises(ProjectFileError, match='60 has no unit; write for example "150 ft"'):
        _project(limits={"max_air_span": 60})


UNKNOWN = [
    ({"nmae": "x"}, "key nmae: unknown key. Did you mean 'name'"),
    ({"limits": {"max_air_spam": "1 m"}}, "key limits.max_air_spam: .* 'max_air_span'"),
    ({"costs": {"dirct": 1.0}}, "key costs.dirct: .*Did you mean 'direct'"),
    ({"forbidden": {"rails": True}}, "Did you mean 'rail'"),
    ({"choice": {"zzz": 1}}, r"Valid: alternatives, max_extra_per_drop_crossing, use_reserve"),
]


@pytest.mark.parametrize(("keys", "match"), UNKNOWN)
def test_unknown_keys_get_the_nearest_right_one(keys: dict[str, Any], match: str) -> None:
    with pytest.raises(ProjectFileError, match=match):
        _project(**keys)


WRONG_LAYERS = [
    ({"adresses": "a"}, "key layers.adresses: no such layer. Did you mean 'addresses'"),
    ({"poles": 3}, 'is neither a path nor a table. Write poles = "file.gpkg"'),
    ({"poles": {"sauce": "a"}}, "unknown key. Did you mean 'source'"),
    ({"poles": {"crs": "EPSG:4326"}}, "key layers.poles.source: is missing"),
    ({"poles": ""}, "key layers.poles.source: is empty"),
    ({"poles": "a\0b"}, "key layers.poles.source: is no usable path"),
    ({"poles": "p" * 5000}, "key layers.poles.source: is no usable path"),
    (
        {"poles": {"source": "a", "columns": {"hieght": "H"}}},
        "key layers.poles.columns.hieght: no such column. Did you mean 'height'",
    ),
    ({"poles": {"source": "a", "units": {"hight": "ft"}}}, "units.hight: .*'height'"),
    ({"poles": {"source": "a", "columns": "H"}}, "key layers.poles.columns"),
    (
        {"terrain": {"source": "t.tif", "units": {"elevaton": "ft"}}},
        "key layers.terrain.units.elevaton: no such column. Did you mean 'elevation'",
    ),
    (
        {"terrain": {"source": "t.tif", "columns": {"elevation": "b"}}},
        "key layers.terrain.columns.elevation: .*A raster has none",
    ),
]


@pytest.mark.parametrize(("layers", "match"), WRONG_LAYERS)
def test_wrong_layers_are_told_by_their_key(layers: dict[str, Any], match: str) -> None:
    with pytest.raises(ProjectFileError, match=match) as caught:
        _project(layers)
    assert len(str(caught.value)) < 400


def test_a_unit_for_the_terrain_is_taken() -> None:
    terrain = {"source": "t.tif", "units": {"elevation": "ft"}}
    assert _project({"terrain": terrain}).layers["terrain"].units == {"elevation": "ft"}


@pytest.mark.parametrize("missing", sorted(LAYERS))
def test_each_required_layer_is_missed(missing: str) -> None:
    layers = {name: path for name, path in LAYERS.items() if name != missing}
    with pytest.raises(ProjectFileError, match=f"key layers.{missing}: a required layer is miss"):
        project_from_dict({"layers": layers}, base=Path("/data"))


BAD_VALUES = [
    {"name": ""},
    {"name": "n" * 81},
    {"name": "two\nlines"},
    {"name": "\x1b[2J"},
    {"name": "  "},
    {"units": "furlongs"},
    {"costs": {"direct": -1.0}},
    {"costs": {"direct": float("nan")}},
    {"costs": {"direct": float("inf")}},
    {"costs": {"street_crossing": {"residential": -2.0}}},
    {"limits": {"max_air_span": "0 m"}},
    {"limits": {"max_air_span": "-3 m"}},
    {"limits": {"max_spans_passed": -1}},
    {"limits": {"max_spans_passed": 1.5}},
    {"forbidden": {"rail": "sometimes"}},
    {"strands": {"infer": "always"}},
]


@pytest.mark.parametrize("keys", BAD_VALUES, ids=str)
def test_bad_values_are_told_by_their_key(keys: dict[str, Any]) -> None:
    with pytest.raises(ProjectFileError, match=f"key {next(iter(keys))}") as caught:
        _project(**keys)
    assert "\n" not in str(caught.value)
    assert str(caught.value).isprintable()


def test_settings_cannot_be_changed_later() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        _project().limits.max_air_span = 1.0  # type: ignore[misc]


def test_sources_start_from_the_folder_of_the_project() -> None:
    assert _project().layers["poles"].source == "/data/poles.gpkg"
    assert _project({"poles": "/else/p.gpkg"}).layers["poles"].source == "/else/p.gpkg"
    assert _project({"poles": "../p.gpkg"}).layers["poles"].source == "/p.gpkg"


def test_effective_settings_name_no_folder() -> None:
    settings = effective_settings(_project({"poles": "/secret/place/p.gpkg"}))
    assert settings["layers"]["poles"]["source"] == "p.gpkg"
    assert "/secret" not in str(settings)
    assert settings["limits"]["max_air_span"] == 60.0


def test_the_order_of_layers_in_the_file_has_no_effect() -> None:
    turned = dict(reversed(LAYERS.items()))
    assert project_from_dict({"layers": turned}, base=Path("/data")) == _project()


def test_a_section_alone_has_the_defaults_of_a_whole_project() -> None:
    assert Limits.model_validate({}) == _project().limits


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProjectFileError, match=r"'none\.toml': cannot be read .*Check the path"):
        read_project(tmp_path / "none.toml")


def test_a_file_is_read_with_its_byte_order_mark(tmp_path: Path) -> None:
    lines = "\n".join(f'{name} = "{path}"' for name, path in LAYERS.items())
    file = tmp_path / "p.toml"
    file.write_text(f'name = "x"\n[layers]\n{lines}\n', encoding="utf-8-sig")
    project = read_project(file)
    assert project.name == "x"
    assert project.layers["roads"].source == str(tmp_path / "roads.gpkg")


def test_a_rule_set_of_the_users_own_is_looked_for_beside_the_project_file(tmp_path: Path) -> None:
    (tmp_path / "local.toml").write_text('name = "local"\nbase = "us"\n', encoding="utf-8")
    layers = dict.fromkeys(("parcels", "addresses", "poles", "roads"), "x.csv")
    project = project_from_dict({"rule_set": "local.toml", "layers": layers}, base=tmp_path)
    assert Path(project.rule_set) == (tmp_path / "local.toml").resolve()
    assert load_standards(project).rule_set.name == "local"
    assert effective_settings(project)["rule_set"] == "local.toml"
