"""Compare the elastic catenary with chains of links at least potential energy.

Each chain has n massless elastic links with the weight at the joints. Newton steps on its
energy need no formula of the catenary. The error falls with 1 / n^2, so two chains and one
Richardson step give the limit.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solveh_banded

from geoplan.mechanics import height_at, sag_at, solve_catenary


def chain_energy(x, links, length, weight, stiffness, ends):
    """Return energy, gradient and banded Hessian of a chain with free joints x, (n - 1, 2)."""
    rest = length / links
    spring = stiffness / rest
    points = np.vstack([ends[0], x, ends[1]])
    d = np.diff(points, axis=0)
    long = np.sqrt((d * d).sum(axis=1))
    stretch = np.maximum(long - rest, 0.0)
    energy = 0.5 * spring * (stretch**2).sum() + weight * rest * x[:, 1].sum()
    unit = d / long[:, None]
    pull = spring * stretch[:, None] * unit
    gradient = pull[:-1] - pull[1:]
    gradient[:, 1] += weight * rest
    ratio = stretch / long
    block = spring * (
        np.eye(2) * ratio[:, None, None]
        + unit[:, :, None]
        * unit[:, None, :]
        * (np.where(stretch > 0, 1.0, 0.0) - ratio)[:, None, None]
    )
    n = 2 * len(x)
    band = np.zeros((4, n))
    own = block[:-1] + block[1:]
    band[3] = np.stack([own[:, 0, 0], own[:, 1, 1]], axis=1).ravel()
    band[2, 1::2] = own[:, 0, 1]
    link = -block[1:-1]
    band[2, 2::2] = link[:, 1, 0]
    band[1, 2::2], band[1, 3::2] = link[:, 0, 0], link[:, 1, 1]
    band[0, 3::2] = link[:, 0, 1]
    return energy, gradient, band


def stretched_start(links, span, rise, length):
    """Return joints of equal spacing on a parabola that is longer than the chain."""
    part = np.linspace(0.0, 1.0, 20001)
    depth = 0.01 * span
    while True:
        curve = np.stack([span * part, rise * part - 4.0 * depth * part * (1.0 - part)], axis=1)
        run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
        if run[-1] > 1.02 * length:
            break
        depth *= 1.2
    at = np.linspace(0.0, run[-1], links + 1)[1:-1]
    return np.stack([np.interp(at, run, curve[:, 0]), np.interp(at, run, curve[:, 1])], axis=1)


def least_energy(links, span, rise, length, weight, stiffness):
    """Return the joints of the chain at rest, ends included."""
    ends = np.array([[0.0, 0.0], [span, rise]])
    x = stretched_start(links, span, rise, length)
    energy, gradient, band = chain_energy(x, links, length, weight, stiffness, ends)
    for _ in range(400):
        ridge = band.copy()
        ridge[3] += 1e-9 * band[3].max()
        step = solveh_banded(ridge, -gradient.ravel()).reshape(x.shape)
        share = 1.0
        while share > 1e-12:
            new = chain_energy(x + share * step, links, length, weight, stiffness, ends)
            if new[0] <= energy + 1e-14 * abs(energy):
                break
            share *= 0.5
        x = x + share * step
        energy, gradient, band = new
        if np.abs(step).max() < 1e-12 * length:
            break
    assert np.abs(gradient).max() < 1e-7 * weight * length
    return np.vstack([ends[0], x, ends[1]])


def chain_figures(links, case):
    """Return horizontal tension, end tensions, sag, and heights at joints of a chain."""
    span, rise, length, weight, stiffness = case
    points = least_energy(links, *case)
    d = np.diff(points, axis=0)
    long = np.sqrt((d * d).sum(axis=1))
    tension = stiffness * (long * links / length - 1.0)
    horizontal = (tension * d[:, 0] / long).mean()
    half = 0.5 * weight * length / links
    ends = [
        np.hypot(horizontal, (tension[0] * d[0, 1] / long[0]) - half),
        np.hypot(horizontal, (tension[-1] * d[-1, 1] / long[-1]) + half),
    ]
    middle = links // 2
    sag_middle = rise * points[middle, 0] / span - points[middle, 1]
    return np.array([horizontal, *ends, points[middle, 0], sag_middle])


@pytest.mark.parametrize(
    "case",
    [
        pytest.param((30.0, 0.0, 30.1, 0.5, 1.5e5), id="level drop"),
        pytest.param((30.0, -4.0, 30.6, 0.5, 5e4), id="falling drop"),
        pytest.param((25.0, 12.0, 29.0, 3.0, 2e4), id="inclined, soft"),
        pytest.param((20.0, 5.0, 31.0, 2.0, 1e5), id="slack"),
        pytest.param((40.0, 0.5, 39.96, 4.0, 4e6), id="strand"),
        pytest.param((4.0, 10.0, 11.5, 1.0, 1e5), id="steep"),
    ],
)
def test_chain_of_many_links_tends_to_the_catenary(case):
    coarse, fine = chain_figures(400, case), chain_figures(800, case)
    limit = fine + (fine - coarse) / 3.0
    state = solve_catenary(*case)
    sag = float(sag_at(state, [limit[3]])[0])
    ours = np.array(
        [
            float(state.horizontal_tension_n),
            float(state.tension_start_n),
            float(state.tension_end_n),
            limit[3],
            sag,
        ]
    )
    np.testing.assert_allclose(ours, limit, rtol=1e-6)
    # And the chains do get closer, at the rate they should.
    near, far = np.abs(fine - ours)[[0, 4]], np.abs(coarse - ours)[[0, 4]]
    assert (near < far / 3.0).all()
    assert float(height_at(state, [limit[3]])[0]) == pytest.approx(
        case[1] * limit[3] / case[0] - limit[4], abs=1e-6 * case[2]
    )
