"""Addresses by which a house is found, and texts by which it is not."""

from __future__ import annotations

import pytest

from geoplan.work.address_titles import is_usual_title


@pytest.mark.parametrize(
    "label",
    ["12 Mill Lane", "12B St. Mary's Road", "12-14 Oak", "Rue de la Paix 5", "Apt 4, 12 Oak",
     "7 Zażółć Straße", "12 Oak (rear)", "W12N4 Main St", "12 5th Ave"],
)  # fmt: skip
def test_addresses_in_usual_form_pass(label: str) -> None:
    assert is_usual_title(label)


@pytest.mark.parametrize(
    "label",
    ["", " ", "=1+1", "12", "12 !", "-12 Oak", "@A1 Oak", "<b>12 Oak</b>", '12 "The Oaks" Way',
     "The yard", "12 Oak\x00", "12 Oak; 14 Oak", "{12} Oak", "12_Oak"],
)  # fmt: skip
def test_what_no_street_has_does_not(label: str) -> None:
    assert not is_usual_title(label)
