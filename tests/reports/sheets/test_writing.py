"""Sheets on paper: what is printed is what the plan holds."""

from __future__ import annotations

import dataclasses
import html
import json
import re

import numpy as np
import pikepdf
import pypdf
import pytest

from geoplan.errors import MissingExtraError, OutputError, UsageError
from geoplan.reports.caution import CAUTION_SHEET
from geoplan.reports.sheets import page as page_module
from geoplan.reports.sheets import writing
from geoplan.reports.sheets.content import load_case_words
from geoplan.reports.sheets.front_tables import NOT_THEN
from geoplan.reports.sheets.selection import Selection
from geoplan.reports.sheets.wording import margin
from geoplan.reports.sheets.writing import SheetOptions, write_sheets
from geoplan.standards import load_standards
from geoplan.units import say
from tests.reports.sheets.conftest import read_back


def _missing(text: str, wanted: dict[str, str]) -> list[str]:
    """Name labels that aren't followed by their figure."""
    return [
        f"{label} {figure}"
        for label, figure in wanted.items()
        if not re.search(rf"{re.escape(label)}\s*{re.escape(figure)}(?![\d.])", text)
    ]


def test_each_drop_has_one_leaf_of_two_pages(demo_work, demo_paper):
    assert set(demo_paper.starts) == set(demo_work.drops["address_id"])
    pages = {name: demo_paper.pages(name) for name in demo_paper.starts}
    assert {name: count for name, count in pages.items() if count != 2} == {}


def test_fullest_sheets_have_two_pages_on_a4_too(demo_work, tmp_path):
    count = demo_work.hazards.groupby("address_id").size()
    fullest = tuple(count.sort_values(kind="stable").index[-12:])
    options = SheetOptions(paper="a4")
    write_sheets(demo_work, tmp_path / "out", Selection(addresses=fullest), options)
    paper = read_back(tmp_path / "out")
    assert [paper.pages(name) for name in fullest] == [2] * len(fullest)
    box = pypdf.PdfReader(paper.path).pages[-1].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((595.28, 841.89), abs=0.1)


def test_figures_on_paper_are_those_of_the_geopackage(demo_work, demo_paper, demo_tables):
    cases = load_case_words(load_standards(demo_work.project), "us")
    drops = demo_tables["drops"].set_index("address_id")
    faults = {}
    for job in demo_tables["jobs"].itertuples():
        drop = drops.loc[job.address_id]
        clamp = np.isfinite(drop["clamp_at_m"])
        wanted = {
            f"{'Clamp' if clamp else 'Hook'}, above ground": (drop["hook_height_m"], "length"),
            "House, above ground": (drop["attachment_height_m"], "length"),
            "Air span, level": (drop["air_span_m"], "length"),
            "Wire: hanging": (job.air_arc_m, "length"),
            "Wire: building run": (job.building_run_m, "length"),
            "Wire: at the pole": (job.pole_run_m, "length"),
            "Wire in all": (job.wire_m, "length"),
            "Length to cut": (job.cut_length_m, "length"),
            "Hand line, at least": (job.hand_line_m, "length"),
            f"Worst sag, {cases[drop['sag_worst_case']]}": (drop["sag_worst_m"], "sag"),
            "Time on site": (job.work_s, "duration"),
        }
        told = {label: say(*figure, "us") for label, figure in wanted.items()}
        at = say(drop["stringing_temperature_c"], "temperature", "us")
        told[f"Sag to leave at {at}"] = say(drop["stringing_sag_m"], "sag", "us")
        if clamp and np.isfinite(drop["ladder_sag_m"]) and not job.is_bucket_job:
            told["Sag, ladder on strand"] = say(drop["ladder_sag_m"], "sag", "us")
        if job.strand_wire_m > 0.01:
            told["Wire: on the strand"] = say(job.strand_wire_m, "length", "us")
        told["Least margin"] = margin(drop["margin_m"], "us")
        there = say(drop["margin_available_m"], "length", "us").removesuffix(" ft")
        asked = say(drop["margin_required_m"], "length", "us")
        told["Clearance there / asked"] = f"{there} / {asked}"
        told[_pull_label(drop)] = (
            say(drop["tension_worst_n"], "force", "us").removesuffix(" lbf")
            + f" of {say(drop['tension_limit_n'], 'force', 'us')}"
        )
        told["Terminal"] = job.terminal_id
        told["Port"] = str(job.first_port)
        missing = _missing(demo_paper.sheet(job.address_id), told)
        if missing:
            faults[job.address_id] = missing
    assert faults == {}


def _pull_label(drop):
    load = drop["tension_case_load"].replace(", ", " and ")
    return f"Pull nearest its limit: {say(drop['tension_case_c'], 'temperature', 'us')}, {load}"


def test_stringing_table_on_paper_is_that_of_the_geopackage(demo_paper, demo_tables):
    for address_id, some in demo_tables["stringing"].groupby("address_id"):
        text = demo_paper.sheet(address_id)
        rows = some.sort_values("temperature_c")
        for head, column, quantity in (
            ("At, degF", "temperature_c", "temperature"),
            ("Sag, in", "sag_m", "sag"),
            ("Pull, lbf", "tension_n", "force"),
        ):
            cells = [
                say(v, quantity, "us").split()[0].replace("-0", "0") if np.isfinite(v) else NOT_THEN
                for v in rows[column]
            ]
            assert f"{head} {' '.join(cells)}" in text, (address_id, head)
        heights = rows.loc[rows["sag_m"].notna(), "height_there_m"]
        if heights.notna().any():
            cells = [
                say(v, "length", "us").split()[0] if np.isfinite(v) else NOT_THEN
                for v in rows["height_there_m"]
            ]
            assert re.search(rf"Height, \w+, ft {re.escape(' '.join(cells))}", text), address_id


def test_crossings_on_paper_are_those_of_the_geopackage(demo_paper, demo_tables):
    crossings = demo_tables["crossings"]
    checked = crossings[crossings["clearance_basis"].eq("computed")]
    assert len(checked) > 200
    for row in checked.itertuples():
        figures = [say(row.required_m, "length", "us"), say(row.available_m, "length", "us"),
                   margin(row.margin_m, "us")]  # fmt: skip
        assert " ".join(figures) in demo_paper.sheet(row.address_id), row.address_id
    for row in crossings[crossings["clearance_basis"].eq("not_checked")].itertuples():
        assert "NOT CHECKED" in demo_paper.sheet(row.address_id)


def test_reel_cuts_on_paper_are_those_of_the_geopackage(demo_paper, demo_tables):
    cuts = demo_tables["reel_cuts"]
    assert len(cuts) > 200
    for row in cuts.itertuples():
        start, end = say(row.from_m, "length", "us"), say(row.to_m, "length", "us")
        words = f"Cut {row.cut} from reel {row.reel_id}: {start} to {end}."
        assert words in demo_paper.sheet(row.address_id)


def test_each_sheet_carries_the_cautions_and_how_it_was_decided(demo_work, demo_paper):
    jobs = demo_work.jobs.set_index("address_id")
    for address_id in demo_paper.starts:
        text = demo_paper.sheet(address_id)
        assert all(sentence in text for sentence in CAUTION_SHEET)
        job = jobs.loc[address_id]
        assert ("ONE PERSON" if job["crew_size"] == 1 else f"{job['crew_size']} PEOPLE") in text
        for heading in ("Check on site first", "Steps", "As built", "Today's temperature"):
            assert heading in text


def test_index_tells_the_page_of_each_sheet(demo_work, demo_paper):
    terminals = demo_work.drops.set_index("address_id")["terminal_id"]
    first = min(demo_paper.starts.values()) - 1
    index = " ".join(demo_paper.texts[:first])
    for address_id, page in demo_paper.starts.items():
        line = rf"\b{address_id}\b.{{0,60}}?{page} {terminals[address_id]}\b"
        assert re.search(line, index), address_id
        assert f"Address {address_id}" in demo_paper.texts[page - 1]


def test_outline_leads_to_the_sheets(demo_paper):
    reader = pypdf.PdfReader(demo_paper.path)
    leaves = {}
    for line in reader.outline:
        for item in line if isinstance(line, list) else []:
            leaves[item.title.split()[0]] = reader.get_destination_page_number(item) + 1
    assert leaves == demo_paper.starts


def test_joined_file_is_sound_for_strict_readers(demo_work, demo_paper):
    with pikepdf.Pdf.open(demo_paper.path) as opened, opened.open_outline() as outline:
        assert list(opened.check_pdf_syntax()) == []
        assert outline.root[0].title == "Index"
        assert all(item.is_closed for item in outline.root[1:])
    reader = pypdf.PdfReader(demo_paper.path, strict=True)
    assert len(reader.pages) == len(demo_paper.texts)
    assert reader.metadata.title == demo_work.project.name


def test_sheets_are_in_the_order_of_work(demo_work, demo_paper):
    stops = demo_work.crew_stops.sort_values(["crew_day_id", "stop"])["address_id"].tolist()
    assert [name for name in demo_paper.starts if name in set(stops)] == stops


def test_fonts_are_embedded(demo_paper):
    fonts = pypdf.PdfReader(demo_paper.path).pages[-1]["/Resources"]["/Font"]
    for font in fonts.values():
        descriptor = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(descriptor)


def test_same_plan_gives_the_same_bytes_for_any_number_of_processes(
    demo_work, tmp_path, monkeypatch
):
    monkeypatch.setattr("geoplan.reports.sheets.writing.BATCH", 2)
    some = Selection(addresses=tuple(demo_work.drops["address_id"][:3]))
    found = []
    for name, workers in (("a", 1), ("b", 2), ("c", 1)):
        write_sheets(demo_work, tmp_path / name, some, SheetOptions(workers=workers))
        found.append((tmp_path / name / "sheets.pdf").read_bytes())
    assert found[0] == found[1] == found[2]


def test_very_many_sheets_go_to_several_files_with_one_index(hostile_work, tmp_path, monkeypatch):
    for module in (page_module, writing):
        monkeypatch.setattr(module, "MOST_IN_FILE", 2)
    monkeypatch.setattr(writing, "BATCH", 1)
    count = len(hostile_work.drops)
    assert count > 2
    written = write_sheets(hostile_work, tmp_path / "out", options=SheetOptions(paper="a4"))
    files = [f"sheets-{number:03d}.pdf" for number in range(1, -(-count // 2) + 1)]
    assert [path.name for path in written] == sorted(["index.pdf", "sheets.json", *files])
    places = json.loads((tmp_path / "out" / "sheets.json").read_text(encoding="utf-8"))["sheets"]
    index = " ".join(one.extract_text() for one in pypdf.PdfReader(written[0]).pages)
    index = index.replace("\x00", "")  # pypdf takes codes of two bytes apart
    for rank, (name, place) in enumerate(places.items()):
        file, number = place.split("#page=")
        assert file == files[rank // 2]
        reader = pypdf.PdfReader(tmp_path / "out" / file)
        text = reader.pages[int(number) - 1].extract_text().replace("\x00", "")
        assert f"page {number} of the file" in text
        assert f"Sheet {rank + 1} of {count}" in text
        assert f"{rank // 2 + 1}: {number}" in index
        days = [item for item in reader.outline if not isinstance(item, list)]
        assert days, name
    write_sheets(hostile_work, tmp_path / "out", options=SheetOptions(is_html=True))
    assert not (tmp_path / "out" / files[0]).exists()


def test_one_file_each_is_named_by_its_address(demo_work, tmp_path):
    some = Selection(addresses=("A001", "A006"))
    write_sheets(demo_work, tmp_path / "out", some, SheetOptions(is_each=True))
    told = json.loads((tmp_path / "out" / "sheets.json").read_text())["sheets"]
    for address_id, name in told.items():
        pages = pypdf.PdfReader(tmp_path / "out" / "sheets" / name).pages
        assert len(pages) == 2
        assert f"Address {address_id}" in re.sub(r"\s+", " ", pages[0].extract_text())
    assert len(pypdf.PdfReader(tmp_path / "out" / "index.pdf").pages) == 1


@pytest.mark.parametrize("is_each", [False, True])
def test_hostile_words_stay_words(hostile_work, tmp_path, is_each):
    options = SheetOptions(is_html=True, is_each=is_each)
    write_sheets(hostile_work, tmp_path / "out", options=options)
    files = sorted((tmp_path / "out").rglob("*.html"))
    text = "".join(file.read_text(encoding="utf-8") for file in files)
    tags = set(re.findall(r"<\s*([a-zA-Z0-9]+)", text))
    known = {"html", "head", "meta", "title", "style", "body", "section", "table", "tr", "td", "th",
             "h1", "h2", "br", "b", "p", "svg", "line", "path", "polyline", "polygon", "circle",
             "text", "span", "rect", "div", "ul", "ol", "li", "DOCTYPE"}  # fmt: skip
    assert tags <= known
    assert not re.search(r"\son\w+\s*=\s*['\"]", re.sub(r">[^<]*<", "><", text))
    assert html.escape("<script>window.bad = 1</script>") in text
    assert "{{ 7 * 7 }}" in text


def test_hostile_words_make_a_pdf_and_fetch_nothing(hostile_work, tmp_path):
    write_sheets(hostile_work, tmp_path / "out")
    paper = read_back(tmp_path / "out")
    assert len(paper.starts) == len(hostile_work.drops)
    assert "<script>window.bad = 1</script>" in " ".join(paper.texts)


def test_metric_sheets_are_in_metres(metric_plan, tmp_path):
    from tests.reports.sheets.handmade import with_hand_work

    work = with_hand_work(metric_plan)
    some = Selection(addresses=("A01",))
    write_sheets(work, tmp_path / "out", some, SheetOptions(paper="a4"))
    text = read_back(tmp_path / "out").sheet("A01")
    drop = work.drops.set_index("address_id").loc["A01"]
    assert (
        _missing(text, {"Clamp, above ground": say(drop["hook_height_m"], "length", "metric")})
        == []
    )
    assert " ft" not in text.replace("Fenmoor", "")


def test_folder_of_a_plan_is_not_replaced(hostile_work, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "plan.gpkg").write_text("x")
    with pytest.raises(OutputError, match=r"did not write: 'plan\.gpkg'"):
        write_sheets(hostile_work, tmp_path / "out", options=SheetOptions(is_html=True))
    assert (tmp_path / "out" / "plan.gpkg").read_text() == "x"


def test_sheets_replace_their_own_folder_whole(hostile_work, tmp_path):
    for each in (True, False):
        write_sheets(
            hostile_work, tmp_path / "out", options=SheetOptions(is_html=True, is_each=each)
        )
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"sheets.html", "sheets.json"}


def test_missing_library_is_told_with_its_remedy(hostile_work, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    with pytest.raises(MissingExtraError, match=r"pip install geoplan\[sheets\], or use --html"):
        write_sheets(hostile_work, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_unknown_word_names_the_nearest(hostile_work, tmp_path):
    with pytest.raises(UsageError, match="--address: no drop has 'A0l'"):
        write_sheets(hostile_work, tmp_path / "out", Selection(addresses=("A0l",)))


def test_plan_without_a_drop_is_refused(hostile_work, tmp_path):
    empty = dataclasses.replace(hostile_work, drops=hostile_work.drops.iloc[:0])
    with pytest.raises(UsageError, match="the plan has no drop"):
        write_sheets(empty, tmp_path / "out")
