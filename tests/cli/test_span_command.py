"""The command ``geoplan span`` as an engineer meets it."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from geoplan.cli import main
from geoplan.reports.caution import CAUTION_LINE

FT, INCH = 0.3048, 0.0254
HIGH = ["span", "--from-height", "22 ft", "--to-height", "18 ft", "--distance", "95 ft"]
LIGHT = [*HIGH, "--district", "light"]
OVER = ["--over", "road:residential@30ft-58ft", "--over", "walk@20ft-25ft"]

OWN_WIRE = """
[check]
title = "check"
construction = "check"
carries = "copper_pair"
""" + "".join(
    f'\n[check.{name}]\nvalue = "{value}"\ndocument = "worked check"\nstatus = "computed"\n'
    for name, value in (
        ("weight", "1 kg/m"),
        ("width", "20 mm"),
        ("height", "20 mm"),
        ("breaking_strength", "1e6 N"),
        ("stiffness", "1e12 N"),
        ("expansion", "1e-12 1/K"),
        ("max_total_length", "2000 m"),
        ("max_air_span.any", "1000 m"),
    )
)


def _json(capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    code = main([*words, "--json"])
    out = json.loads(capsys.readouterr().out)
    return {**out, "code": code}


def test_a_span_that_clears_leaves_zero(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*LIGHT, *OVER]) == 0
    out = capsys.readouterr().out
    assert out.startswith("CLEARS: least margin 0.5")
    assert "over road, residential" in out.splitlines()[0]
    assert " ".join(CAUTION_LINE.split()) in " ".join(out.split())


@pytest.mark.parametrize(
    ("more", "head"),
    [
        (["--to-height", "10 ft"], "MISSES: misses by"),
        (["--over", "water@60ft-62ft"], "CLEARS: .*not checked"),
        (["--sag", "2 in"], "MISSES: .*tension limit is passed"),
        (["--margin", "5 ft", "--sag", "6 in"], "CLEARS WITHOUT THE MARGIN"),
    ],
)
def test_a_span_with_anything_to_say_against_it_leaves_one(
    more: list[str], head: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*LIGHT, *OVER, *more]) == 1
    first = " ".join(capsys.readouterr().out.split("\n\n")[0].split())
    assert re.match(head, first)


def test_printed_check_through_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Reference check 1: 1 kg/m, 10,000 kgf, 500 m, sag 3.125 m."""
    wires = tmp_path / "wires.toml"
    wires.write_text(OWN_WIRE, encoding="utf-8")
    answer = _json(
        capsys, "span", "--from-height", "30 m", "--to-height", "30 m", "--distance", "500 m",
        "--wires", str(wires), "--wire", "check", "--tension", "10000 kgf", "--district", "light",
    )  # fmt: skip
    # The greatest tension is given; at the middle it is less by weight times sag, 0.03 %.
    assert answer["sag_m"] == pytest.approx(3.125, rel=4e-4)
    assert answer["parabola_sag_m"] == pytest.approx(3.125, rel=4e-4)
    assert answer["wire_figures"]["weight"]["source"] == "worked check; computed"


def test_json_is_in_si_and_text_says_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    answer = _json(capsys, *LIGHT, *OVER, "--sag", "18 in")
    assert answer["sag_m"] == pytest.approx(18 * INCH)
    assert answer["written_by"] == "geoplan span"
    road = answer["clearances"][0]
    assert road["start_m"] == pytest.approx(30 * FT)
    assert road["required_m"] == pytest.approx(15.5 * FT)
    main([*LIGHT, *OVER, "--sag", "18 in"])
    text = capsys.readouterr().out
    row = next(line for line in text.splitlines() if line.startswith("road, residential"))
    figures = [float(part) for part in re.findall(r"(-?\d+\.\d\d) ft", row)]
    wanted = [road[key] / FT for key in ("end_m", "required_m", "available_m", "margin_m", "at_m")]
    assert figures == pytest.approx(wanted, abs=0.006)
    hot = next(state for state in answer["states"] if state["name"] == "clearance_hot")
    line = next(line for line in text.splitlines() if line.startswith("clearance_hot  "))
    assert float(line.split()[4]) == pytest.approx(hot["sag_m"] / INCH, abs=0.06)


def test_units_of_the_answer_change_no_figure(capsys: pytest.CaptureFixture[str]) -> None:
    us = _json(capsys, *LIGHT, *OVER, "--sag", "18 in")
    metric = _json(capsys, *LIGHT, *OVER, "--sag", "0.4572 m", "--units", "metric")
    assert metric["clearances"][0]["margin_m"] == us["clearances"][0]["margin_m"]
    assert [row["temperature_c"] for row in metric["stringing"]][:3] == [-20.0, -15.0, -10.0]
    assert len(us["stringing"]) == 13


@pytest.mark.parametrize("units", ["us", "metric"])
def test_text_fits_a_hundred_columns(units: str, capsys: pytest.CaptureFixture[str]) -> None:
    over = ["--over", "road:residential@30ft-58ft", "--over", "power:supply_line=30ft@60ft"]
    main([*LIGHT, *over, "--rules", "california", "--units", units])
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= 100
    assert not any("-0 " in line or line.endswith("-0") for line in lines)


def test_folder_holds_text_json_and_drawing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "job"
    assert main([*LIGHT, *OVER, "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert {path.name for path in out.iterdir()} == {"span.txt", "span.json", "span.svg"}
    assert (out / "span.txt").read_text(encoding="utf-8").strip() in printed
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    for text in (out / "span.json", out / "span.svg"):
        assert CAUTION_LINE in text.read_text(encoding="utf-8")
    assert ET.parse(out / "span.svg").getroot().tag.endswith("svg")
    assert main([*LIGHT, *OVER, "--out", str(out)]) == 0
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["job"]


@pytest.mark.parametrize("name", ["notes.txt", "span.json", "span.svg"])
def test_what_others_wrote_is_not_replaced(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / name).write_text("{}", encoding="utf-8")
    assert main([*LIGHT, "--out", str(tmp_path)]) == 2
    assert "Name another folder" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text(encoding="utf-8") == "{}"


def test_a_file_in_the_folders_place_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "x").write_text("", encoding="utf-8")
    assert main([*LIGHT, "--out", str(tmp_path / "x")]) == 2
    assert "is a file. Name a folder" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--distance", "-5 ft"], "distance: is -1.524, not above zero"),
        (["--distance", "95"], "--distance: '95' has no unit"),
        (["--distance", "95 lbf"], "--distance: 'lbf' is not a unit of length"),
        (["--distance", "far"], "--distance: 'far' has no number"),
        (["--from-height", "inf ft"], "--from-height: 'inf ft' is not a finite number"),
        (["--temperature", "60"], "--temperature: '60' has no unit"),
        (["--sag", "0.01 in"], "breaking strength"),
        (["--sag", "300 ft"], "lie on the ground"),
        (["--tension", "1e-6 lbf"], "has no solution"),
        (["--wire", "coper_clad_pair"], "Did you mean 'copper_clad_pair'"),
        (["--rules", "uss"], "Did you mean 'us'"),
        (["--district", "lihgt"], "--district: .*Did you mean 'light'"),
        (["--wires", "none.toml"], "--wires 'none.toml': cannot be read"),
        (["--over", "road"], "can't be read. Write KIND"),
        (["--over", "raod:residential@1ft-2ft"], "Did you mean 'road'"),
        (["--over", "road:residental@1ft-2ft"], "Did you mean 'residential'"),
        (["--over", "road@1ft-2ft"], "needs a class"),
        (["--over", "walk:wide@1ft-2ft"], "has a class, 'wide', where there is none"),
        (["--over", "walk@1ft"], "needs two places"),
        (["--over", "walk@5ft-2ft"], "near end outward"),
        (["--over", "walk@1-2ft"], "'1-2ft'|has no unit|needs two places"),
        (["--over", "walk@90ft-99ft"], "not within the span"),
        (["--over", "walk=3ft@1ft-2ft"], "takes no height"),
        (["--over", "roof@1ft-2ft"], "needs a height"),
        (["--over", "power:supply_drop=20ft@1ft-2ft"], "needs one place"),
        (["--over", "walk@1ft-2ft\x1b[31m"], r"--over 'walk@1ft-2ft\?\[31m'"),
    ],
)
def test_a_wrong_word_is_told_in_one_line(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*LIGHT, *words]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert len(shown.err.splitlines()) == 1
    assert shown.err.startswith("geoplan: ")
    assert shown.err.rstrip("\n").isprintable()
    assert re.search(said, shown.err)


def test_sag_and_tension_together_are_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main([*LIGHT, "--sag", "1 ft", "--tension", "60 lbf"])
    assert "not allowed with" in capsys.readouterr().err


def test_too_many_things_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*LIGHT, *["--over", "walk@1ft-2ft"] * 26]) == 2
    assert "--over: is given 26 times" in capsys.readouterr().err


def test_places_may_carry_spaces_and_exponents(capsys: pytest.CaptureFixture[str]) -> None:
    one = _json(capsys, *LIGHT, "--sag", "6 in", "--over", "walk@20ft-25ft")
    two = _json(capsys, *LIGHT, "--sag", "6 in", "--over", " walk @ 2e1 ft - 250e-1 ft ")
    assert two["clearances"] == one["clearances"]


def test_hostile_names_of_a_users_wire_stay_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wires = tmp_path / "wires.toml"
    name = r'"<b>\u001b[31m&\u202e"'
    wires.write_text(OWN_WIRE.replace("[check", f"[{name}"), encoding="utf-8")
    out = tmp_path / "out"
    words = ["--wires", str(wires), "--wire", "<b>\x1b[31m&\u202e", "--sag", "1 m"]
    assert main([*LIGHT, *words, "--out", str(out)]) in {0, 1}
    shown = capsys.readouterr().out + "".join(
        path.read_text(encoding="utf-8") for path in out.iterdir()
    )
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert "<b>" not in (out / "span.svg").read_text(encoding="utf-8")
    ET.parse(out / "span.svg")
