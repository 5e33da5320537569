"""README.md and DEVELOPERS.md say what is so, and the generated parts are fresh.

Run as a program, ``python tests/test_docs.py`` writes the generated parts of DEVELOPERS.md anew.
"""

from __future__ import annotations

import ast
import itertools
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from geoplan.errors import ProjectFileError
from geoplan.layers.check_geometry import REFUSED
from geoplan.model import Plan
from geoplan.project import Project, project_from_dict
from geoplan.reference import describe_tables

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"

ROOMS = (
    ("", "Ground floor and the middle's spine"),
    ("layers", "Layers"),
    ("rules", "Figures of the trade"),
    ("routes", "Routes"),
    ("mechanics", "Mechanics"),
    ("clearance", "Clearance"),
    ("choice", "Choice"),
    ("work", "Work"),
    ("audit", "Audit"),
    ("reports", "Reports"),
    ("reports/map", "Map page"),
    ("reports/sheets", "Job sheets"),
)
"""Rooms in the order of the flow; one that is not listed comes last, by its name."""

CODE_ARGUMENT = {
    "build_findings": 2,
    "build_set_aside": 2,
    "_in_carriageway": 2,
    "_of_crossings": 2,
}
"""Calls that name a code, and the position of that argument."""

SEVERITIES = {"Severity.NOTE", "Severity.WARNING", "Severity.ERROR", "note", "warning", "error"}
"""How a severity is written in a call; the argument before it is a code."""

COMPOSED = re.compile(r"[a-z_]+_(assumed|unit_assumed|unreadable|unknown)")
"""Codes made of a column's name and a word."""


# --- what is generated -----------------------------------------------------------------------


def list_modules() -> str:
    """List the modules, room by room, with the first sentence of each."""
    paths = [path.relative_to(ROOT / "geoplan") for path in (ROOT / "geoplan").rglob("*.py")]
    known = [room for room, _ in ROOMS]
    found = sorted({path.parent.as_posix().removeprefix(".") for path in paths})
    titles = dict(ROOMS) | {room: room for room in found if room not in known}
    lines = []
    for room, title in titles.items():
        if room not in found:
            continue
        lines += [f"**{title}**" + (f" (`{room}/`)" if room else ""), ""]
        here = sorted(path for path in paths if path.parent.as_posix() == (room or "."))
        for path in here:
            text = ast.get_docstring(ast.parse((ROOT / "geoplan" / path).read_text("utf-8")))
            assert text, f"{path} has no docstring"
            lines.append(f"- `{path.as_posix()}`: {text.splitlines()[0]}")
        lines.append("")
    return "\n".join(lines).strip()


def list_codes() -> str:
    """List the codes of findings, rows set aside, flags and unserved addresses by module."""
    by_module: dict[str, set[str]] = {}
    for path in sorted((ROOT / "geoplan").rglob("*.py")):
        codes = set(_codes(ast.parse(path.read_text(encoding="utf-8")), path.stem))
        if codes:
            by_module[path.relative_to(ROOT / "geoplan").as_posix()] = codes
    by_module.setdefault("layers/check_geometry.py", set()).update(REFUSED)
    lines = [
        f"- `{module}`: " + ", ".join(f"`{code}`" for code in sorted(codes))
        for module, codes in sorted(by_module.items())
    ]
    lines.append("- of any column: `<column>_assumed`, `_unit_assumed`, `_unreadable`, `_unknown`")
    return "\n".join(lines)


def _codes(tree: ast.Module, module: str) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            place = CODE_ARGUMENT.get(name)
            given = [keyword.value for keyword in node.keywords if keyword.arg == "code"]
            if place is not None:
                given += node.args[place : place + 1]
            given += [
                code
                for code, severity in itertools.pairwise(node.args)
                if ast.unparse(severity) in SEVERITIES
            ]
        elif isinstance(node, ast.For | ast.comprehension) and "code" in _names(node.target):
            place = _names(node.target).index("code")
            given = [row.elts[place] for row in getattr(node.iter, "elts", [])]
        elif module == "explain" and isinstance(node, ast.Return):
            given = node.value.elts[:1] if isinstance(node.value, ast.Tuple) else []
        else:
            continue
        for value in given:
            if isinstance(value, ast.Constant) and "_" in str(value.value):
                yield value.value


def _names(target: ast.expr) -> list[str]:
    """Name what a loop fills, in order."""
    return [getattr(name, "id", "") for name in getattr(target, "elts", [target])]


GENERATED: dict[str, Callable[[], str]] = {
    "modules": list_modules,
    "tables": lambda: describe_tables().strip(),
    "codes": list_codes,
}


def freshened(text: str) -> str:
    """Return the text with every generated part made anew."""
    for name, build in GENERATED.items():
        start, end = f"<!-- {name} -->\n", f"<!-- end of {name} -->"
        before, found_start, rest = text.partition(start)
        _, found_end, after = rest.partition(end)
        assert found_start, f"DEVELOPERS.md has no {start.strip()}"
        assert found_end, f"DEVELOPERS.md has no {end}"
        text = f"{before}{start}\n{build()}\n\n{end}{after}"
    return text


# --- tests -----------------------------------------------------------------------------------


def _blocks(path: Path, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", path.read_text(encoding="utf-8"), re.DOTALL)


def _commands() -> list[list[str]]:
    lines = [line for block in _blocks(README, "bash") for line in block.splitlines()]
    parts = [part for line in lines for part in line.split(" && ")]
    return [shlex.split(part) for part in parts if part.strip()]


@pytest.mark.parametrize("name", sorted(GENERATED))
def test_generated_parts_are_fresh(name: str) -> None:
    text = DEVELOPERS.read_text(encoding="utf-8")
    part = text.partition(f"<!-- {name} -->\n")[2].partition(f"<!-- end of {name} -->")[0]
    assert part.strip() == GENERATED[name](), (
        f"the part '{name}' of DEVELOPERS.md is stale: run python tests/test_docs.py"
    )


def test_every_code_of_the_demo_is_listed(demo_plan: Plan) -> None:
    listed = set(re.findall(r"`([a-z_]+)`", list_codes()))
    seen: set[str] = set()
    for table in (demo_plan.findings, demo_plan.set_aside, demo_plan.hazards, demo_plan.unserved):
        seen |= set(table["code"])
    assert len(seen) > 20
    assert sorted(code for code in seen - listed if not COMPOSED.fullmatch(code)) == []


def test_readme_names_only_files_that_exist() -> None:
    for path in (README, DEVELOPERS):
        text = path.read_text(encoding="utf-8")
        links = [link.partition("#")[0] for link in re.findall(r"\]\(([^)]+)\)", text)]
        assert [link for link in links if link and not (ROOT / link).exists()] == []
        named = re.findall(r"\b(?:data_samples|tests|maps/make_maps|geoplan)/[\w./]+\.\w+", text)
        assert named
        assert [name for name in named if not (ROOT / name).exists()] == []


def test_both_commands_come_first_in_the_readme() -> None:
    set_up, test = _blocks(README, "bash")[:2]
    assert "geoplan plan data_samples/demo/project.toml" in set_up
    assert test.strip() == "bash tests/run.sh"


def test_readme_installs_only_extras_that_exist() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
        "optional-dependencies"
    ]
    wanted = {
        extra
        for words in _commands()
        if "install" in words
        for word in words
        for extra in re.sub(r".*\[(.*)\]", r"\1", word).split(",")
        if "[" in word
    }
    assert wanted == {"terrain", "sheets", "test"}
    assert wanted <= set(extras)


def test_the_command_line_has_what_the_readme_lists() -> None:
    text = README.read_text(encoding="utf-8")
    rows = re.findall(r"^\| `geoplan (\w+)( [a-z]+)?([^`]*)`", text, re.MULTILINE)
    used = {words[1] for words in _commands() if words[0].endswith("/geoplan")}
    top = _help()
    assert used <= {name for name, *_ in rows}
    assert {name for name, *_ in rows} == set(re.findall(r"^    (\w+)  ", top, re.MULTILINE))
    for name, what, usage in rows:
        shown = set(re.findall(r"--[\w-]+", usage))
        assert shown | {"--help"} == set(re.findall(r"--[\w-]+", _help(name, *what.split())))


def _help(*words: str) -> str:
    command = [sys.executable, "-m", "geoplan.cli", *words, "--help"]
    return subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout


def test_project_files_of_the_readme_are_valid() -> None:
    blocks = _blocks(README, "toml")
    assert len(blocks) == 2
    for block in blocks:
        assert isinstance(project_from_dict(tomllib.loads(block), base=ROOT), Project)
    wrong = blocks[0].replace("parcels", "parcel")
    with pytest.raises(ProjectFileError, match="parcels"):
        project_from_dict(tomllib.loads(wrong), base=ROOT)


def test_the_python_of_the_readme_runs(tmp_path: Path) -> None:
    (code,) = _blocks(README, "python")
    (tmp_path / "data_samples").symlink_to(ROOT / "data_samples")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert "terminal_id" in done.stdout
    assert (tmp_path / "maps" / "from-python" / "map.html").is_file()


def test_documents_name_no_path_of_a_machine() -> None:
    for path in (README, DEVELOPERS, ROOT / "maps" / "README.md"):
        assert not re.search(r"(?<![\w.])/(?:home|tmp|work|root|usr)/", path.read_text("utf-8"))


if __name__ == "__main__":
    DEVELOPERS.write_text(
        freshened(DEVELOPERS.read_text(encoding="utf-8")), encoding="utf-8", newline="\n"
    )
