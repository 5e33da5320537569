"""Matching of columns and units."""

from __future__ import annotations

import pytest

from geoplan.errors import ColumnError, ProjectFileError
from geoplan.layers.columns import SHAPEFILE_NAME_LENGTH, Match, check_units_known, match_columns
from geoplan.project import LayerSource
from geoplan.tables import LAYERS


def matched(
    layer: str, fields: list[str], *, shp: bool = False, **source: object
) -> dict[str, Match]:
    entry = LayerSource.model_validate({"source": "x", **source})
    found = match_columns(LAYERS[layer], fields, entry, is_truncated=shp)
    return {match.column.name: match for match in found}


@pytest.mark.parametrize(
    ("field", "unit", "basis"),
    [
        ("height_m", "m", "name"),
        ("HEIGHT_M", "m", "name"),
        ("height", "m", "assumed"),
        ("Height_ft", "ft", "name"),
        ("height_us_ft", "ftUS", "name"),
        ("height_feet", "ft", "name"),
    ],
)
def test_height_is_found_with_its_unit(field: str, unit: str, basis: str) -> None:
    match = matched("poles", [field, "ports_total"])["height_m"]
    assert (match.field, match.unit, match.unit_basis) == (field, unit, basis)


@pytest.mark.parametrize(("field", "unit"), [("speed_mph", "mph"), ("speed_kmh", "km/h")])
def test_speed_is_found_with_its_unit(field: str, unit: str) -> None:
    assert matched("roads", [field])["speed_m_per_s"].unit == unit


@pytest.mark.parametrize("layer", list(LAYERS))
def test_every_column_is_found_cut_to_ten_letters(layer: str) -> None:
    names = [column.name for column in LAYERS[layer].columns]
    cut = [name[:SHAPEFILE_NAME_LENGTH] for name in names]
    found = matched(layer, cut, shp=True)
    assert [found[name].field for name in names] == cut


def test_cut_names_count_in_shapefiles_only() -> None:
    assert matched("poles", ["ports_total", "strand_hei"])["strand_height_m"].field is None


def test_unit_that_was_cut_off_is_not_guessed() -> None:
    match = matched("poles", ["ports_tota", "strand_hei"], shp=True)["strand_height_m"]
    assert match.unit_basis == "assumed"
    note = check_units_known(LAYERS["poles"], [match])
    assert note["code"].tolist() == ["strand_height_unit_assumed"]
    assert "column 'strand_hei' says no unit: m assumed" in note.loc[0, "reason"]


def test_project_names_column_and_unit() -> None:
    match = matched(
        "poles",
        ["HGT", "ports_total"],
        columns={"height": "HGT"},
        units={"height": "ftUS"},
    )["height_m"]
    assert (match.field, match.unit, match.unit_basis) == ("HGT", "ftUS", "project")


def test_mapped_column_says_its_unit_by_its_own_name() -> None:
    match = matched("poles", ["hgt_ft", "ports_total"], columns={"height": "hgt_ft"})["height_m"]
    assert (match.unit, match.unit_basis) == ("ft", "name")


def test_mapped_column_is_not_taken_twice() -> None:
    found = matched("poles", ["height", "ports_total"], columns={"strand_height": "height"})
    assert found["strand_height_m"].field == "height"
    assert found["height_m"].field is None


def test_exact_name_wins_over_other_units() -> None:
    assert (
        matched("poles", ["height_ft", "height_m", "ports_total"])["height_m"].field == "height_m"
    )


def test_several_fitting_columns_are_refused() -> None:
    with pytest.raises(
        ColumnError, match=r"'height', 'height_ft'\. Name one under \[layers\.poles"
    ):
        matched("poles", ["height", "height_ft", "ports_total"])


def test_mapped_column_that_is_not_there_is_refused_with_the_nearest() -> None:
    with pytest.raises(ColumnError, match=r"no column 'hieght'\. Did you mean 'height'\?"):
        matched("poles", ["height", "ports_total"], columns={"height": "hieght"})


def test_poles_without_ports_are_refused() -> None:
    with pytest.raises(ColumnError, match=r"no pole has a terminal\. Map it .*'cap', 'pole_id'"):
        matched("poles", ["pole_id", "cap"])


def test_unit_of_a_column_without_unit_is_refused() -> None:
    with pytest.raises(ProjectFileError, match=r"units\.ports_total: this column has no unit"):
        matched("poles", ["ports_total"], units={"ports_total": "ft"})


@pytest.mark.parametrize("unit", ["furlongish", "kg"])
def test_wrong_unit_is_refused(unit: str) -> None:
    with pytest.raises(ProjectFileError, match=r"is not a unit of length\. Valid: .*ftUS"):
        matched("poles", ["ports_total", "height"], units={"height": unit})
