"""Errors a user can cause: one line, three fields, an exit code, a hint that names what is near."""

from __future__ import annotations

import inspect
import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoplan import errors
from geoplan.errors import (
    EXIT_CANNOT_PLAN,
    EXIT_CLEAN,
    EXIT_INTERNAL,
    EXIT_WARNINGS,
    ColumnError,
    CrsError,
    GeometryError,
    GeoplanError,
    LayerError,
    nearest_name,
)

CLASSES = [
    kind
    for _, kind in inspect.getmembers(errors, inspect.isclass)
    if issubclass(kind, GeoplanError)
]


def test_the_text_is_made_of_place_problem_and_remedy() -> None:
    error = LayerError("poles row P-17", "height_ft is 'tall', not a number", "Correct it.")
    assert str(error) == "poles row P-17: height_ft is 'tall', not a number. Correct it"
    assert (error.where, error.problem) == ("poles row P-17", "height_ft is 'tall', not a number")


@pytest.mark.parametrize("kind", CLASSES)
def test_an_error_comes_whole_out_of_another_process(kind: type) -> None:
    error = kind("poles row P-17", "height_ft is 'tall'", "Correct it.")
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is kind
    assert vars(again) == vars(error)
    assert str(again) == str(error)


@pytest.mark.parametrize("kind", CLASSES)
def test_every_error_is_one_line_and_means_that_nothing_could_be_planned(kind: type) -> None:
    error = kind("a\nb", "c\r\n\td", " e ")
    assert str(error) == "a b: c d. e"
    assert error.exit_code == EXIT_CANNOT_PLAN
    with pytest.raises(GeoplanError, match=r"^a b: c d\. e$"):
        raise error


def test_every_error_has_its_own_meaning() -> None:
    meanings = [kind.__doc__ for kind in CLASSES]
    assert all(meanings)
    assert len(set(meanings)) == len(CLASSES)


def test_faults_of_layers_are_layer_errors() -> None:
    for kind in (CrsError, ColumnError, GeometryError):
        assert issubclass(kind, LayerError)


def test_exit_codes_can_be_told_apart() -> None:
    assert EXIT_CLEAN == 0
    assert len({EXIT_CLEAN, EXIT_WARNINGS, EXIT_CANNOT_PLAN, EXIT_INTERNAL}) == 4


@given(st.text(max_size=30), st.text(max_size=30), st.text(max_size=30))
@settings(max_examples=80, deadline=None)
def test_no_text_breaks_the_line(where: str, problem: str, remedy: str) -> None:
    text = str(GeoplanError(where, problem, remedy))
    assert len(text.splitlines()) == 1


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("polse", "Did you mean 'poles'?"),
        ("road", "Did you mean 'roads'?"),
        ("qqq", "Valid: addresses, parcels, poles, roads."),
        ("", "Valid: addresses, parcels, poles, roads."),
    ],
)
def test_the_hint_names_the_nearest_word_or_all_of_them(name: str, hint: str) -> None:
    assert nearest_name(name, ["roads", "poles", "parcels", "addresses"]) == hint


def test_the_hint_does_not_depend_on_the_order_of_words() -> None:
    words = ["pool", "poll", "pole"]
    assert nearest_name("po1e", words) == nearest_name("po1e", words[::-1])
