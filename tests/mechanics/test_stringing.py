"""Tests of the stringing table."""

from __future__ import annotations

import numpy as np
import pytest

from geoplan.mechanics import Wire, build_stringing_table, length_from_sag


def table():
    """Return a table of two drops at four temperatures, hung at 15 C."""
    span, rise = np.array([25.0, 45.0]), np.array([-1.0, 0.5])
    wire = Wire([0.4, 0.5], 0.008, 1.5e5, 8e-6)
    length = length_from_sag(span, rise, [0.5, 1.2], [0.4, 0.5], 1.5e5)
    return build_stringing_table(span, rise, length, 15.0, wire, [-10.0, 5.0, 15.0, 35.0])


def test_table_has_a_row_per_drop_and_a_column_per_temperature():
    t = table()
    assert t.sag_m.shape == t.tension_max_n.shape == t.horizontal_tension_n.shape == (2, 4)
    assert t.converged.all()
    np.testing.assert_allclose(t.sag_m[:, 2], [0.5, 1.2], rtol=1e-9)


def test_sag_rises_and_tension_falls_with_temperature():
    t = table()
    assert (np.diff(t.sag_m, axis=1) > 0.0).all()
    assert (np.diff(t.tension_max_n, axis=1) < 0.0).all()
    assert (t.tension_max_n >= t.horizontal_tension_n).all()


def test_temperatures_must_be_finite():
    with pytest.raises(ValueError, match="temperature_c must be finite"):
        build_stringing_table(25.0, 0.0, 25.1, 15.0, Wire(0.4, 0.008, 1e5, 8e-6), [0.0, np.nan])
