"""The catalogue of materials: what it holds, and what is refused with which hint."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from geoplan.errors import RuleDataError
from geoplan.project import effective_settings, project_from_dict
from geoplan.rules.figures import Status
from geoplan.rules.materials_reader import Catalogue, Counter, load_catalogue

LAYERS = {name: f"{name}.gpkg" for name in ("parcels", "addresses", "poles", "roads")}
GOOD = '[items.clip]\ntitle = "Clip"\nunit = "each"\ncount_by = "drop"\nstatus = "practice"\n'


def _load(catalogue: str, base: Path = Path("/x")) -> Catalogue:
    raw = {"layers": LAYERS, "materials": {"catalogue": catalogue}}
    return load_catalogue(project_from_dict(raw, base=base))


def _own(tmp_path: Path, text: str) -> Catalogue:
    (tmp_path / "own.toml").write_text(f'name = "own"\n{text}', encoding="utf-8")
    return _load("own.toml", tmp_path)


def test_the_built_in_catalogue_is_complete_and_says_what_it_rests_on() -> None:
    catalogue = _load("generic")
    counted = {item.counter for item in catalogue.items.values()}
    assert counted == set(Counter) - {Counter.COIL}
    assert {item.status for item in catalogue.items.values()} == {Status.PRACTICE}
    assert all(math.isnan(item.unit_cost) for item in catalogue.items.values())
    assert list(catalogue.items) == sorted(catalogue.items)


def test_a_catalogue_of_ones_own_lies_beside_the_project_file(tmp_path: Path) -> None:
    catalogue = _own(tmp_path, GOOD)
    assert list(catalogue.items) == ["clip"]
    item = catalogue.items["clip"]
    assert (item.times, item.pack, item.spare, item.spacing_m) == (1.0, 1.0, 0.0, 0.0)


def test_with_a_base_only_what_changes_is_given(tmp_path: Path) -> None:
    catalogue = _own(tmp_path, 'base = "generic"\n[items.wire_clip]\nspacing = "1 ft"\n' + GOOD)
    assert catalogue.items["wire_clip"].spacing_m == 0.3048
    assert catalogue.items["wire_clip"].title == "Wire clip for the wall"
    assert set(catalogue.items) == {*_load("generic").items, "clip"}


def test_settings_name_the_file_and_no_folder(tmp_path: Path) -> None:
    raw = {"layers": LAYERS, "materials": {"catalogue": "own.toml"}}
    project = project_from_dict(raw, base=tmp_path)
    assert effective_settings(project)["materials"]["catalogue"] == "own.toml"


WRONG = [
    ("", "items: holds no item"),
    ("itmes = 3\n", "Did you mean 'items'"),
    ('base = "other"\n' + GOOD, "base: 'other' is no catalogue. Write 'generic'"),
    (GOOD + "pakc = 3\n", "items.clip.pakc: is not a key that is read. Did you mean 'pack'"),
    (GOOD.replace('"drop"', '"dorp"'), "items.clip.count_by: 'dorp' is not known.*'drop'"),
    (GOOD.replace('"practice"', '"sure"'), "items.clip.status: 'sure' is not known"),
    (GOOD.replace('title = "Clip"\n', ""), "items.clip.title: is missing"),
    (GOOD.replace("Clip", r"a\nb"), "key, title or unit that can't be shown"),
    (GOOD + "pack = 0\n", "items.clip.pack: is 0, not a number above 0"),
    (GOOD + "pack = true\n", "items.clip.pack: is True, not a number"),
    (GOOD + "pack = nan\n", "items.clip.pack: is nan, not a number"),
    (GOOD + 'unit_cost = "3"\n', "items.clip.unit_cost: is '3', not a number"),
    (GOOD + 'spare = "-1 %"\n', "items.clip.spare: '-1 %' is out of range"),
    (GOOD + 'spare = "3 m"\n', "items.clip.spare: .*Write for example spare = '0 %'"),
    (GOOD + 'spacing = "1 m"\n', "items.clip.spacing: has no use where count_by is 'drop'"),
    (GOOD.replace('"drop"', '"building_run"'), "items.clip.spacing: is missing"),
    (
        GOOD.replace('"drop"', '"building_run"') + 'spacing = "0 m"\n',
        "items.clip.spacing: '0 m' is out of range",
    ),
    (GOOD.replace('"drop"', '"bulk_wire"'), "items.clip.unit: is 'each'. Wire on reels is count"),
    (
        GOOD.replace('"drop"', '"bulk_wire"').replace('"each"', '"m"') + "pack = 500\n",
        "is wire, which is sold by the reel",
    ),
    ("[items]\nclip = 3\n", "items.clip: is 3, not a table"),
]


@pytest.mark.parametrize(("text", "match"), WRONG)
def test_wrong_catalogues_are_told_by_their_key(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(RuleDataError, match=match) as caught:
        _own(tmp_path, text)
    assert "\n" not in str(caught.value)


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(RuleDataError, match=r"'genric': is no catalogue. Write 'generic', or"):
        _load("genric")


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(RuleDataError, match=r"cannot be read.*Check the path"):
        _load("none.toml", tmp_path)
