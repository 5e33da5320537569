"""The profile of one span worked out, and the folder with text, JSON and drawing.

Enters: a `SpanAnswer`, the `Standards` that it was worked out with, a folder.
Leaves: ``span.txt``, ``span.json``, ``span.svg``, or an `OutputError` and what was there before.
Does not do: compute; every figure is in the answer.
"""

from __future__ import annotations

import json
import secrets
import shutil
from pathlib import Path

import numpy as np

from geoplan.errors import OutputError
from geoplan.reports.caution import CAUTION_LINE
from geoplan.reports.profile_drawing import (
    ClearanceMark,
    ProfileDrawing,
    WireLine,
    draw_profile,
)
from geoplan.reports.span_sheet import (
    WRITTEN_BY,
    span_facts,
    span_json,
    span_text,
    verdict_words,
)
from geoplan.reports.svg_page import wrapped
from geoplan.span import SpanAnswer
from geoplan.standards import Standards
from geoplan.units import ReportUnits, say

TEXT_FILE, JSON_FILE, DRAWING_FILE = "span.txt", "span.json", "span.svg"
SPAN_FILES = (TEXT_FILE, JSON_FILE, DRAWING_FILE)


def span_drawing(answer: SpanAnswer, standards: Standards, units: ReportUnits) -> str:
    """Draw the profile of an answer.

    Parameters
    ----------
    answer : SpanAnswer
        A span worked out.
    standards : Standards
        What it was worked out with.
    units : {'us', 'metric'}
        System of the report.

    Returns
    -------
    str
        An SVG document.
    """
    checked = [state for state in answer.states if state.purpose == "clearance"]
    worst = max(checked, key=lambda state: state.sag_m)
    governing = {item.case for item in answer.clearances} & {state.name for state in checked}
    others = [state for state in checked if state.name in governing - {worst.name}]
    shown = [(answer.states[0], "stringing"), *((state, "other") for state in others)]
    wires = tuple(
        WireLine(
            f"{state.name.replace('_', ' ')}, {say(state.temperature_c, 'temperature', units)}",
            style,
            answer.shape.wire_z_m[state.name],
            state.sag_m,
            _sag_place(answer, state.name),
        )
        for state, style in [*shown, (worst, "worst")]
    )
    marks = tuple(
        ClearanceMark(
            item.over,
            item.kind,
            item.start_m,
            item.end_m,
            item.asked_x_m,
            item.surface_z_m,
            item.asked_z_m,
            item.at_m,
            item.required_m,
            item.available_m,
            item.margin_m,
            item.case,
            item.rule,
            item.note,
        )
        for item in answer.clearances
    )
    ask = answer.question
    return draw_profile(
        ProfileDrawing(
            "Span profile",
            tuple(
                line
                for fact in span_facts(answer, standards, units)[1:3]
                for line in wrapped(fact, 180)
            ),
            verdict_words(answer, units),
            CAUTION_LINE,
            answer.shape.x_m,
            answer.shape.ground_z_m,
            wires,
            marks,
            ask.from_height_m,
            ask.to_height_m,
            units,
        )
    )


def _sag_place(answer: SpanAnswer, name: str) -> float:
    """Return where a wire is deepest below its chord."""
    x, z = answer.shape.x_m, answer.shape.wire_z_m[name]
    chord = z[0] + (z[-1] - z[0]) * x / x[-1]
    return float(x[int(np.argmax(chord - z))])


def write_span(
    answer: SpanAnswer, standards: Standards, units: ReportUnits, out: Path
) -> list[Path]:
    """Write text, JSON and drawing to a folder.

    Parameters
    ----------
    answer : SpanAnswer
        A span worked out.
    standards : Standards
        What it was worked out with.
    units : {'us', 'metric'}
        System of the report.
    out : pathlib.Path
        Folder: absent, empty, or written by this function before.

    Returns
    -------
    list of pathlib.Path
        The three files.

    Raises
    ------
    OutputError
        If the folder holds anything else, or cannot be written.
    """
    name = f"output folder '{out.name or out}'"
    texts = {
        TEXT_FILE: span_text(answer, standards, units) + "\n",
        JSON_FILE: span_json(answer, standards, units) + "\n",
        DRAWING_FILE: span_drawing(answer, standards, units),
    }
    try:
        _refuse_foreign(out, name)
        out.parent.mkdir(parents=True, exist_ok=True)
        draft = out.parent / f".geoplan-{secrets.token_hex(6)}"
        draft.mkdir()
        try:
            for file, text in texts.items():
                (draft / file).write_text(text, encoding="utf-8", newline="\n")
            out.mkdir(exist_ok=True)
            for file in texts:
                (draft / file).replace(out / file)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        reason = error.strerror or str(error)
        remedy = "Check the path, its rights and the free space"
        raise OutputError(name, f"cannot be written ({reason})", remedy) from error
    return [out / file for file in texts]


def _refuse_foreign(out: Path, name: str) -> None:
    """Refuse a folder with anything that `write_span` did not write."""
    if not out.exists():
        return
    if not out.is_dir():
        raise OutputError(name, "is a file", "Name a folder")
    names = sorted(entry.name for entry in out.iterdir())
    foreign = [entry for entry in names if entry not in SPAN_FILES]
    remedy = "Name another folder, or move those files away"
    if foreign:
        problem = f"holds what geoplan span did not write: '{foreign[0]}'"
        raise OutputError(name, problem, remedy)
    if not names:
        return
    try:
        content = json.loads((out / JSON_FILE).read_text(encoding="utf-8"))
    except (FileNotFoundError, IsADirectoryError, ValueError):
        content = None
    if not (isinstance(content, dict) and content.get("written_by") == WRITTEN_BY):
        raise OutputError(name, f"holds files but no {JSON_FILE} of geoplan span", remedy)
