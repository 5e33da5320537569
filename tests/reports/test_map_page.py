"""The map page: one file, no net, data never as markup, the same bytes each time."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.map_settings import Map
from geoplan.model import Plan
from geoplan.reports.caution import CAUTION, CAUTION_LINE
from geoplan.reports.leaflet import leaflet_script, leaflet_style
from geoplan.reports.map.pack import unpack
from geoplan.reports.map.places import degrees
from geoplan.reports.map_page import SCRIPTS, write_map_page
from geoplan.reports.palette import ROUTE_STYLE
from geoplan.reports.sheet_names import sheet_file_name
from geoplan.tables import TABLES, RouteKind, Severity
from geoplan.units import for_report


@pytest.fixture(scope="module")
def page(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_map_page(plan, tmp_path_factory.mktemp("page") / "map.html")


def _block(page: Path, name: str) -> dict[str, Any]:
    text = page.read_text(encoding="utf-8")
    found = re.search(f'<script type="text/plain" id="gp-{name}">([^<]*)</script>', text)
    assert found
    return unpack(found[1])


def test_same_plan_gives_the_same_bytes(
    fenmoor: Any, plan: Plan, page: Path, tmp_path: Path
) -> None:
    again = write_map_page(plan, tmp_path / "a.html").read_bytes()
    mixed = write_map_page(fenmoor.shuffled(plan, 2), tmp_path / "b.html").read_bytes()
    assert again == mixed == page.read_bytes()


def test_no_markup_comes_from_data(fenmoor: Any, page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert fenmoor.SCRIPT not in text
    assert "<img src=x" not in text


def test_our_scripts_never_make_markup_from_text() -> None:
    assets = Path(__file__).resolve().parents[2] / "geoplan" / "reports" / "assets"
    for name in SCRIPTS:
        text = (assets / name).read_text(encoding="utf-8")
        for word in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
            assert word not in text, name
        assert not re.search(r"\bnew Function\b|setTimeout\([\"'`]", text), name


def test_templates_in_the_name_are_not_run(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    named = dataclasses.replace(plan, project=fenmoor.project(name="{{ 7 * 7 }} </title>"))
    text = write_map_page(named, tmp_path / "map.html").read_text(encoding="utf-8")
    assert "<h1>{{ 7 * 7 }} &lt;/title&gt;</h1>" in text
    assert "<title>{{ 7 * 7 }} &lt;/title&gt;: map of planned drops</title>" in text


def test_page_names_no_file_elsewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"<(?:script|link|img)[^>]*(?:src|href)=", text)
    assert "url(images" not in text
    assert "default-src 'none'" in text
    assert "img-src data:;" in text


def test_policy_lets_nothing_run_or_be_asked_for_but_by_hash(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy
    rules = dict(rule.strip().split(" ", 1) for rule in policy[1].split(";"))
    assert set(rules) == {
        "default-src", "script-src", "style-src", "img-src", "object-src", "base-uri", "form-action"
    }  # fmt: skip
    for name in ("default-src", "object-src", "base-uri", "form-action"):
        assert rules[name] == "'none'"
    for name in ("script-src", "style-src"):
        assert all(one.startswith("'sha256-") for one in rules[name].split())
    assert text.index("Content-Security-Policy") < text.index("<style>") < text.index("<script>")
    assert "\r" not in text, "a browser reads it as another line end and gets another hash"
    assert not re.search(r'<[^>]* style="', text), "no hash allows a style that is an attribute"


def test_long_ids_that_begin_alike_stay_apart(plan: Plan, tmp_path: Path) -> None:
    letters = "w" * 200
    long = {
        name: frame.assign(address_id=letters + frame["address_id"])
        for name in ("drops", "air_spans", "hazards", "crossings", "alternatives", "unserved")
        if (frame := getattr(plan, name)) is not None
    }
    shown = _block(write_map_page(dataclasses.replace(plan, **long), tmp_path / "m.html"), "shown")
    assert len(set(shown["drop.id"])) == len(plan.drops)
    assert all(len(one) == 80 and one.startswith("w" * 71) for one in shown["drop.id"])


def test_marks_that_turn_the_direction_of_writing_are_written_out(
    plan: Plan, tmp_path: Path
) -> None:
    turning = plan.drops.assign(label="a\u202etoor\u2066b")
    page = write_map_page(dataclasses.replace(plan, drops=turning), tmp_path / "map.html")
    assert set(_block(page, "shown")["drop.label"]) == {"a<U+202E>toor<U+2066>b"}


def test_a_base_map_opens_the_policy_for_pictures_of_its_host_only(
    plan: Plan, tmp_path: Path
) -> None:
    asked = Map(base_map_url="https://tiles.example.org/{z}/{x}/{y}.png", base_map_credit="<b>")
    project = plan.project.model_copy(update={"map": asked})
    page = write_map_page(dataclasses.replace(plan, project=project), tmp_path / "map.html")
    text = page.read_text(encoding="utf-8")
    assert "img-src data: https://tiles.example.org;" in text
    assert text.count("tiles.example.org") == 1, "the address itself stands in the data"
    assert _block(page, "shown")["base_map"]["credit"] == "<b>"


def test_leaflet_comes_with_its_licence() -> None:
    assert "Leaflet 1.9.4" in leaflet_script()
    assert "Redistributions in binary form must reproduce" in leaflet_script()
    assert leaflet_style().count("url(data:image/png;base64,") == 3


def test_drops_lie_where_the_plan_has_them_to_the_centimetre(plan: Plan, page: Path) -> None:
    shown = _block(page, "shown")
    true = plan.drops.to_crs("EPSG:4326").set_index("address_id").geometry
    x = np.array(shown["drop.x"]) + shown["origin"][0]
    y = np.array(shown["drop.y"]) + shown["origin"][1]
    longitude, latitude = degrees(x, y)
    ends = np.cumsum(shown["drop.n"])
    for address, begin, end in zip(shown["drop.id"], [0, *ends[:-1]], ends, strict=True):
        found = np.column_stack([longitude[begin:end], latitude[begin:end]])
        assert np.abs(found - shapely.get_coordinates(true[address])).max() < 1e-7


def test_every_route_kind_differs_in_colour_and_dashes() -> None:
    assert set(ROUTE_STYLE) == set(RouteKind)
    assert len({style.color for style in ROUTE_STYLE.values()}) == len(RouteKind)
    assert len({style.dashes for style in ROUTE_STYLE.values()}) == len(RouteKind)


def test_figures_are_those_of_the_table_in_the_reader_s_units(plan: Plan, page: Path) -> None:
    shown, told = _block(page, "shown"), _block(page, "told")
    drops = plan.drops.sort_values("address_id", ignore_index=True)
    for block, name, column, quantity in (
        (shown, "drop.margin", "margin_m", "sag"),
        (shown, "drop.cost", "cost", "cost"),
        (told, "drop.hook_height", "hook_height_m", "length"),
        (told, "drop.tension_worst", "tension_worst_n", "force"),
        (told, "drop.ladder_sag", "ladder_sag_m", "sag"),
    ):
        scale = 10 ** shown["units"][quantity][1]
        for packed, true in zip(block[name], drops[column], strict=True):
            if packed is None:
                assert np.isnan(true)
            else:
                figure = true if quantity == "cost" else for_report(true, quantity, "us")
                assert packed / scale == pytest.approx(figure, abs=0.501 / scale)


def test_marks_point_at_the_drop_of_their_address_and_lie_on_it(plan: Plan, page: Path) -> None:
    shown, told = _block(page, "shown"), _block(page, "told")
    hazards = plan.hazards.sort_values(list(TABLES["hazards"].key), ignore_index=True)
    assert [shown["drop.id"][row] for row in shown["flag.row"]] == hazards["address_id"].tolist()
    order = [severity.value for severity in Severity]
    assert [order[one] for one in shown["flag.severity"]] == hazards["severity"].tolist()
    assert len(told["flag.what"]) == len(hazards)
    assert len(shown["crossing.row"]) == len(plan.crossings)


def test_every_flag_lies_where_its_distance_says(demo_plan: Plan) -> None:
    """The page draws a flag at its distance along the air span: the last part of the route."""
    lines = demo_plan.drops.set_index("address_id").geometry
    for name in ("hazards", "crossings"):
        frame = getattr(demo_plan, name)
        own = lines.loc[frame["address_id"]].to_numpy()
        ends = np.stack([shapely.get_point(own, -2), shapely.get_point(own, -1)], axis=1)
        air = shapely.linestrings(
            np.stack([shapely.get_coordinates(ends[:, 0]), shapely.get_coordinates(ends[:, 1])], 1)
        )
        at = shapely.line_interpolate_point(air, frame["at_m"].to_numpy())
        assert shapely.distance(at, frame.geometry.to_numpy()).max() < 0.01


def test_runners_up_tell_their_difference_once(plan: Plan, page: Path) -> None:
    told = _block(page, "told")
    assert len(told["other.row"]) == len(plan.alternatives)
    assert sum(told["other.n"]) == len(told["other.pole"]) + len(told["other.end_x"])
    assert told["other.cost"] == [None] * len(plan.alternatives)
    assert set(told["other.extra_cost"]) == {1250, 2500}


def test_page_names_the_rules_and_counts_what_was_raised(page: Path) -> None:
    notes = "\n".join(_block(page, "shown")["notes"])
    assert "all must be verified against the code in force" in notes
    assert "Raised hooks: 2; raised attachments: 4; bucket jobs: 3; routes changed" in notes


def test_caution_is_on_the_page(page: Path) -> None:
    assert CAUTION_LINE in page.read_text(encoding="utf-8")
    assert _block(page, "shown")["caution"] == list(CAUTION)


def test_far_surroundings_are_left_out_and_said(plan: Plan, tmp_path: Path) -> None:
    far = plan.layers.parcels.iloc[:1].rename(index={"L00": "L99"})
    far = far.set_geometry(far.translate(xoff=5000.0))
    parcels = pd.concat([plan.layers.parcels, far])
    layers = dataclasses.replace(plan.layers, parcels=parcels)
    page = write_map_page(dataclasses.replace(plan, layers=layers), tmp_path / "map.html")
    shown = _block(page, "shown")
    assert len(shown["parcels.n"]) == len(plan.layers.parcels)
    assert any(note.startswith("1 features farther than 492.1 ft") for note in shown["notes"])


def test_long_text_is_cut(page: Path) -> None:
    labels = [text for text in _block(page, "shown")["drop.label"] if text]
    assert max(len(text) for text in labels) == 120
    assert any(text == "n" * 119 + "\u2026" for text in labels)
    assert not any("\x00" in text for text in labels)


def test_sheets_are_named_only_when_they_were_written(plan: Plan, tmp_path: Path) -> None:
    without = _block(write_map_page(plan, tmp_path / "a.html"), "told")
    assert "drop.sheet" not in without
    page = write_map_page(plan, tmp_path / "b.html", sheets=True)
    shown, told = _block(page, "shown"), _block(page, "told")
    assert told["drop.sheet"] == [sheet_file_name(address) for address in shown["drop.id"]]


def test_crews_are_there_when_they_were_worked_out(
    fenmoor: Any, plan: Plan, tmp_path: Path
) -> None:
    rows = [
        {"address_id": address, "crew_size": 1 + number % 2, "crew_day_id": f"D{number % 3}"}
        for number, address in enumerate(plan.drops["address_id"].iloc[:5])
    ]
    rows = [{**row, "geometry": shapely.Point(0, 0)} for row in rows]
    jobs = fenmoor.table("jobs", rows, plan.layers.crs.working_crs)
    page = write_map_page(dataclasses.replace(plan, jobs=jobs), tmp_path / "map.html")
    shown = _block(page, "shown")
    assert shown["drop.crew_size"] == [1, 2, 1, 2, 1] + [None] * 7
    assert shown["drop.crew_day_id"] == ["D0", "D1", "D2", "D0", "D1"] + [None] * 7


def test_an_empty_plan_has_a_page(fenmoor: Any, plan: Plan, tmp_path: Path) -> None:
    crs = plan.layers.crs.working_crs
    empty = dataclasses.replace(plan, **{name: fenmoor.table(name, [], crs) for name in TABLES})
    page = write_map_page(empty, tmp_path / "map.html")
    assert _block(page, "shown")["drop.id"] == []


# --- a plan by areas -----------------------------------------------------------------------


def test_a_large_plan_has_an_index_and_a_page_per_area(plan: Plan, tmp_path: Path) -> None:
    index = write_map_page(plan, tmp_path / "map.html", most_drops=5)
    areas = sorted((tmp_path / "map").iterdir())
    assert [path.name for path in areas] == [f"area-00{n}.html" for n in (1, 2, 3)]
    shown = _block(index, "shown")
    found: list[str] = []
    for number, path in enumerate(areas):
        block = _block(path, "shown")
        own = block["drop.id"] + block["unserved.id"]
        assert 1 <= len(own) <= 5
        assert shown["areas"][number]["file"] == f"map/{path.name}"
        assert shown["areas"][number]["served"] == len(block["drop.id"])
        at = [shown["row.area"][shown["row.id"].index(address)] for address in own]
        assert set(at) == {number}
        found += own
        lines = _block(path, "told")
        assert len(lines["flag.what"]) == len(block["flag.row"])
    ids = [*plan.drops["address_id"], *plan.unserved["address_id"]]
    assert sorted(found) == sorted(ids), "each address is on one page"
    assert set(shown["pole.id"]) == set(plan.layers.poles.index)


def test_areas_are_the_same_bytes_whatever_the_order(
    fenmoor: Any, plan: Plan, tmp_path: Path
) -> None:
    for name, one in (("a", plan), ("b", fenmoor.shuffled(plan, 3))):
        (tmp_path / name).mkdir()
        write_map_page(one, tmp_path / name / "map.html", most_drops=5)
    files = sorted(path.relative_to(tmp_path / "a") for path in (tmp_path / "a").rglob("*.html"))
    assert len(files) == 4
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()
