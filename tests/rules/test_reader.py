"""The reader: whole built-in files, the user's overrides, and refusals that say what to do."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from geoplan.errors import RuleDataError
from geoplan.rules import (
    Status,
    available_rule_sets,
    available_strands,
    available_wires,
    load_rule_set,
    load_strand,
    load_wire,
)
from geoplan.rules.keys import declared_keys
from geoplan.rules.sections import is_covered

CITED = 'document = "Town of Alder Bend permit 7", status = "read"'


def rule_file(folder: Path, text: str, head: str = 'name = "alder_bend"\nbase = "us"\n') -> Path:
    path = folder / "alder_bend.toml"
    path.write_text(head + text, encoding="utf-8")
    return path


def test_three_rule_sets_are_built_in() -> None:
    assert available_rule_sets() == ("california", "metric", "us")


@pytest.mark.parametrize("name", available_rule_sets())
def test_rule_set_says_what_it_is_and_how_far_to_trust_it(name: str) -> None:
    rule_set = load_rule_set(name)
    assert rule_set.name == name
    assert rule_set.title
    assert rule_set.jurisdiction
    assert rule_set.edition_note
    assert "Verify every figure" in rule_set.caution
    assert "Local codes" in rule_set.caution
    assert "licensed practice" in " ".join(rule_set.caution.split())


@pytest.mark.parametrize("name", available_rule_sets())
def test_every_rule_figure_has_document_and_status(name: str) -> None:
    figures = load_rule_set(name).figures
    assert len(figures) > 90
    for key, figure in figures.items():
        assert figure.key == key
        assert figure.document
        assert isinstance(figure.status, Status)
        assert figure.printed
        if figure.status in {Status.PRACTICE, Status.COMPUTED}:
            assert figure.note, key


@pytest.mark.parametrize("name", available_rule_sets())
def test_every_gap_of_a_rule_set_is_listed(name: str) -> None:
    rule_set = load_rule_set(name)
    gaps = [
        key for key in declared_keys(rule_set.districts) if not is_covered(key, rule_set.figures)
    ]
    assert gaps
    bare = f"not covered by rule set '{name}'"
    assert [key for key in gaps if rule_set.why_not_covered(key) == bare] == []


@pytest.mark.parametrize("name", available_rule_sets())
def test_nothing_that_is_covered_is_listed_as_a_gap(name: str) -> None:
    text = (files("geoplan.rules") / "rulesets" / f"{name}.toml").read_text(encoding="utf-8")
    written = set(tomllib.loads(text)["covers_not"])
    assert {item.key for item in load_rule_set(name).not_covered} == written


@pytest.mark.parametrize("name", available_wires())
def test_every_wire_is_complete_and_plausible(name: str) -> None:
    wire = load_wire(name)
    assert wire.height_m <= wire.width_m == wire.diameter_m
    assert 0.2 < wire.weight_n_per_m < 1.0
    assert wire.stiffness_n > 20 * wire.breaking_strength_n  # under 5 % strain at breaking
    assert {figure.file for figure in wire.figures.values()} == {"wires.toml"}
    heavy, light = wire.max_air_span("heavy").value_si, wire.max_air_span("light").value_si
    assert heavy <= wire.max_air_span("medium").value_si <= light < wire.max_total_length_m
    assert wire.max_air_span("coast").value_si == heavy  # a district nobody named: the shortest


@pytest.mark.parametrize("name", available_strands())
def test_every_strand_answers_to_its_aliases(name: str) -> None:
    strand = load_strand(name)
    assert strand.aliases
    for alias in strand.aliases:
        assert load_strand(alias).name == name
        assert load_strand(alias.lower().replace(" ", "")).name == name


def test_inch_marks_do_not_hide_a_strand() -> None:
    assert load_strand('1/4" EHS').name == "6_6m_1_4"
    assert load_strand("5/16 in UG").name == "6m_5_16"


def test_figures_cannot_be_changed_after_loading() -> None:
    figures = load_rule_set("us").figures
    with pytest.raises(TypeError, match="does not support item assignment"):
        figures["clearance.rail.any"] = figures["clearance.pool.any"]  # type: ignore[index]
    assert load_rule_set("us") == load_rule_set("us")


def test_override_changes_only_what_it_names(tmp_path: Path) -> None:
    path = rule_file(tmp_path, f'[clearance.road]\nlocal = {{ value = "17 ft", {CITED} }}\n')
    own, base = load_rule_set(path), load_rule_set("us")
    assert own.base == "us"
    assert own.title == base.title
    assert own.require("clearance.road.local").value_si == pytest.approx(17 * 0.3048)
    assert own.require("clearance.road.local").document == "Town of Alder Bend permit 7"
    assert own.require("clearance.road.local").file == str(path)
    changed = {key for key in base.figures if own.figures[key] != base.figures[key]}
    assert changed == {"clearance.road.local"}
    assert set(own.figures) == set(base.figures)


def test_override_may_be_named_by_a_text_path(tmp_path: Path) -> None:
    path = rule_file(tmp_path, f'[clearance.water]\nany = {{ value = "14 ft", {CITED} }}\n')
    assert load_rule_set(str(path)).require("clearance.water.any").value_si == pytest.approx(4.2672)


def test_override_that_mends_a_gap_takes_it_off_the_list(tmp_path: Path) -> None:
    path = rule_file(tmp_path, f'[clearance.water]\nany = {{ value = "14 ft", {CITED} }}\n')
    assert any(item.key == "clearance.water" for item in load_rule_set("us").not_covered)
    assert not any(item.key == "clearance.water" for item in load_rule_set(path).not_covered)


def test_override_of_one_load_keeps_the_other_loads(tmp_path: Path) -> None:
    text = f'[load_cases.heavy]\ntension_loaded = {{ ice = "1 in", {CITED} }}\n'
    case = load_rule_set(rule_file(tmp_path, text)).load_cases("heavy", "tension")[0]
    assert case.ice_thickness_m == pytest.approx(0.0254)
    assert case.ice.status is Status.READ
    assert case.wind.status is Status.MEMORY
    assert case.wind_pa == load_rule_set("us").load_cases("heavy", "tension")[0].wind_pa


def test_override_may_add_a_district(tmp_path: Path) -> None:
    bare = 'ice = "0 in", wind = "0 psf", constant = "0 lb/ft"'
    text = (
        'districts = ["summit"]\n[load_cases.summit]\n'
        f'tension_loaded = {{ ice = "1 in", wind = "6 psf", temperature = "-10 degF", '
        f'constant = "0.3 lb/ft", {CITED} }}\n'
        f'clearance_hot = {{ {bare}, temperature = "100 degF", clearance_fraction = "1", '
        f"{CITED} }}\n"
        f'stringing = {{ {bare}, temperature = "40 degF", {CITED} }}\n'
    )
    rule_set = load_rule_set(rule_file(tmp_path, text))
    assert rule_set.districts == ("heavy", "medium", "light", "warm_islands", "summit")
    assert [case.name for case in rule_set.load_cases("summit")] == [
        "tension_loaded",
        "clearance_hot",
        "stringing",
    ]


REFUSALS = [
    ("clearance kind", "[clearance.rode.local]", r"clearance\.rode: .*Did you mean 'road'\?"),
    ("class", "[clearance.road.locel]", r"clearance\.road\.locel: .*Did you mean 'local'\?"),
    ("section", "[clearence.road.local]", r"clearence: .*Did you mean 'clearance'\?"),
    ("separation", "[separation.neutrel.pole]", r"Did you mean 'neutral'\?"),
    ("place", "[separation.neutral.poles]", r"Did you mean 'pole'\?"),
    ("band", "[separation.neutral.pole.below_1_kv]", r"is not a voltage band.*to_750_v"),
    ("tension", "[tension.drop_load]", r"Did you mean 'drop_loaded'\?"),
    ("limit", "[limits.ice_densty]", r"Did you mean 'ice_density'\?"),
    ("kerb", "[kerb.egde]", r"Did you mean 'edge'\?"),
    ("district", "[load_cases.hevy.stringing]", r"Did you mean 'heavy'\?"),
    ("case", "[load_cases.heavy.stringin]", r"Did you mean 'stringing'\?"),
    ("load", '[load_cases.heavy.stringing]\nwnd = "4 psf"', r"Did you mean 'wind'\?"),
    ("approach", "[approach.workers.to_300_v]", r"Did you mean 'worker'\?"),
    ("covers_not", '[covers_not]\n"clearance.watr" = "unknown"', r"Did you mean"),
    (
        "figure key",
        f'[clearance.road]\nlocal = {{ valu = "17 ft", {CITED} }}',
        r"clearance\.road\.local\.valu: .*Did you mean 'value'\?",
    ),
    (
        "no value",
        f"[clearance.road]\nlocal = {{ {CITED} }}",
        r"alder_bend\.toml clearance\.road\.local\.value: is missing\. Add value to "
        r"\[clearance\.road\.local\]",
    ),
    (
        "no document",
        '[clearance.road]\nlocal = { value = "17 ft", status = "read" }',
        r"clearance\.road\.local\.document: is missing\. Add document",
    ),
    (
        "no status",
        '[clearance.road]\nlocal = { value = "17 ft", document = "Permit 7" }',
        r"clearance\.road\.local\.status: is missing\. Add status",
    ),
    (
        "status",
        '[clearance.road]\nlocal = { value = "17 ft", document = "P", status = "reed" }',
        r"'reed' is not a status\. Did you mean 'read'\?",
    ),
    (
        "number",
        f"[clearance.road]\nlocal = {{ value = 17, {CITED} }}",
        r"is 17, not text\. .*18 ft",
    ),
    ("bare", "[clearance.road]\nlocal = 17", r"is 17, not a table"),
    ("no unit", f'[clearance.road]\nlocal = {{ value = "17", {CITED} }}', r"has no unit.*18 ft"),
    ("unit", f'[clearance.road]\nlocal = {{ value = "17 psf", {CITED} }}', r"'psf' is not a unit"),
    ("negative", f'[clearance.road]\nlocal = {{ value = "-1 m", {CITED} }}', r"is negative"),
    ("whole", f'[tension]\ndrop_loaded = {{ value = "60", {CITED} }}', r"more than the whole"),
    ("density", f'[limits]\nice_density = {{ value = "57 lb", {CITED} }}', r"is not a density"),
    ("half a kerb", f'[kerb]\nedge = {{ value = "16 ft", {CITED} }}', r"kerb\.strip_width: has no"),
    ("new district", 'districts = ["summit"]', r"load_cases\.summit\.tension_loaded\.ice: has no"),
    ("districts", 'districts = "summit"', r"is 'summit', not a list of names"),
    ("not TOML", "clearance = = 3", r"is not TOML"),
]


@pytest.mark.parametrize(
    ("text", "message"), [row[1:] for row in REFUSALS], ids=[row[0] for row in REFUSALS]
)
def test_wrong_rule_file_is_refused_with_a_cure(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(RuleDataError, match=message) as caught:
        load_rule_set(rule_file(tmp_path, text + "\n"))
    assert "alder_bend.toml" in caught.value.where
    assert "\n" not in str(caught.value)


def test_missing_figure_names_file_key_and_cure() -> None:
    message = (
        "us.toml clearance.water.any: has no figure (not covered by rule set 'us': The rows for "
        "water surfaces could not be read). Give [clearance.water.any] with value, document and "
        "status in your own rule file"
    )
    with pytest.raises(RuleDataError, match=f"^{re.escape(message)}$"):
        load_rule_set("us").require("clearance.water.any")


def test_required_key_that_no_set_has_is_refused_with_the_nearest() -> None:
    with pytest.raises(RuleDataError, match=r"Did you mean 'clearance\.road\.local'\?"):
        load_rule_set("us").require("clearance.road.locale")


def test_unknown_rule_set_is_refused_with_the_nearest() -> None:
    with pytest.raises(RuleDataError, match=r"Did you mean 'california'\?"):
        load_rule_set("californa")


def test_unknown_base_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RuleDataError, match=r"base: 'uss' is not a built-in rule set"):
        load_rule_set(rule_file(tmp_path, "", head='name = "x"\nbase = "uss"\n'))


def test_absent_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RuleDataError, match=r"cannot be read.*Check the path"):
        load_rule_set(tmp_path / "nowhere.toml")


def test_file_without_name_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RuleDataError, match=r"name: is missing\. Add name"):
        load_rule_set(rule_file(tmp_path, "", head='base = "us"\n'))


def test_set_of_its_own_needs_every_case(tmp_path: Path) -> None:
    with pytest.raises(RuleDataError, match=r"districts: is empty"):
        load_rule_set(rule_file(tmp_path, "", head='name = "bare"\n'))


def test_own_wire_changes_a_built_in_one() -> None:
    lighter = {"value": "30 lb/kft", "document": "Data sheet 12", "status": "read"}
    extra = {"thin": {"base": "flat_fibre", "title": "Thin flat drop", "weight": lighter}}
    wire, base = load_wire("thin", extra, file="town.toml"), load_wire("flat_fibre")
    assert wire.title == "Thin flat drop"
    assert wire.weight_n_per_m == pytest.approx(30 * 4.4482216152605 / 304.8)
    assert wire.figures["weight"].file == "town.toml"
    assert wire.stiffness_n == base.stiffness_n
    assert wire.air_spans == base.air_spans
    assert "thin" in available_wires(extra)


def test_own_strand_is_found_by_its_alias_before_a_built_in_one() -> None:
    figure = {"value": "7000 lbf", "document": "Data sheet 3", "status": "read"}
    extra = {"stronger": {"base": "6m_5_16", "aliases": ["6M"], "breaking_strength": figure}}
    strand = load_strand("6M", extra)
    assert strand.name == "stronger"
    assert strand.breaking_strength_n == pytest.approx(7000 * 4.4482216152605)
    assert strand.diameter_m == load_strand("6M").diameter_m


ITEM_REFUSALS = [
    ("unknown", "flat_fiber", None, r"wire 'flat_fiber'.*Did you mean 'flat_fibre'\?"),
    ("key", "mine", {"base": "flat_fibre", "wieght": {}}, r"mine\.wieght: .*'weight'\?"),
    ("base", "mine", {"base": "flat_fiber"}, r"Did you mean 'flat_fibre'\?"),
    ("no base", "mine", {"title": "Mine", "carries": "fibre"}, r"mine\.weight: has no figure\."),
    (
        "carries",
        "mine",
        {"base": "flat_fibre", "carries": "fiber"},
        r"'fiber' is not something a wire carries\. Did you mean 'fibre'\?",
    ),
    (
        "zero",
        "mine",
        {
            "base": "flat_fibre",
            "weight": {"value": "0 kg/km", "document": "D", "status": "read"},
        },
        r"'0 kg/km' is not above zero",
    ),
]


@pytest.mark.parametrize(
    ("name", "entry", "message"),
    [row[1:] for row in ITEM_REFUSALS],
    ids=[row[0] for row in ITEM_REFUSALS],
)
def test_wrong_wire_is_refused_with_a_cure(
    name: str, entry: dict[str, object] | None, message: str
) -> None:
    with pytest.raises(RuleDataError, match=message):
        load_wire(name, None if entry is None else {name: entry})


def test_unknown_strand_is_refused_with_the_nearest() -> None:
    with pytest.raises(RuleDataError, match=r"strand '6m_5_17'.*Did you mean '6m_5_16'\?"):
        load_strand("6m_5_17")


def test_aliases_have_to_be_a_list() -> None:
    with pytest.raises(RuleDataError, match=r"mine\.aliases: is '6M', not a list"):
        load_strand("mine", {"mine": {"base": "6m_5_16", "aliases": "6M"}})


def test_loading_again_gives_the_same_whatever_was_loaded_between() -> None:
    before = (load_rule_set("us"), load_strand("6M"), load_wire("copper_clad_pair"))
    load_wire("own", {"own": {"base": "copper_clad_pair", "title": "Own"}})
    available_strands({"own": {}})
    again = (load_rule_set("us"), load_strand("6M"), load_wire("copper_clad_pair"))
    assert again == before
    assert again[2].title != "Own"


def test_a_file_of_the_user_is_read_anew_each_time(tmp_path: Path) -> None:
    path = rule_file(tmp_path, 'title = "First"')
    assert load_rule_set(path).title == "First"
    rule_file(tmp_path, 'title = "Second"')
    assert load_rule_set(path).title == "Second"
