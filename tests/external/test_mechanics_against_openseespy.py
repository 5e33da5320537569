"""Compare strand displacement with corotational trusses in OpenSees.

The strand is a row of corotational truss elements with its weight at the nodes, in three
dimensions, and so is the drop where there is one. OpenSees is handed unstressed lengths by an
initial strain that makes each truss as long, without force, as the wire's share.
"""

from __future__ import annotations

import itertools

import numpy as np

# Without OpenSeesPy (which needs the system's BLAS and LAPACK) this file fails, on purpose.
import openseespy.opensees as ops
import pytest

from geoplan.mechanics import (
    Drop,
    LadderLoad,
    Strand,
    displace_strand,
    height_at,
    length_from_horizontal_tension,
    solve_catenary,
    solve_clamp,
    unstressed_length_to,
)

STRAND_PARTS = 40
DROP_PARTS = 24


class Net:
    """A net of cables in OpenSees, built up cable by cable."""

    def __init__(self) -> None:
        """Start an empty three-dimensional model."""
        ops.wipe()
        ops.model("basic", "-ndm", 3, "-ndf", 3)
        ops.timeSeries("Linear", 1)
        ops.pattern("Plain", 1, 1)
        self.nodes = 0
        self.parts = 0

    def node(self, place, *, fixed=False):
        """Add a node and return its tag."""
        self.nodes += 1
        ops.node(self.nodes, *map(float, place))
        if fixed:
            ops.fix(self.nodes, 1, 1, 1)
        return self.nodes

    def load(self, node, force):
        """Add a force to a node."""
        ops.load(node, *map(float, force))

    def cable(self, nodes, places, lengths, weight, stiffness):
        """Join nodes by trusses of given unstressed lengths, weight at the nodes."""
        for (a, b), (p, q), length in zip(
            itertools.pairwise(nodes), itertools.pairwise(places), lengths, strict=True
        ):
            self.parts += 1
            drawn = float(np.linalg.norm(np.subtract(q, p)))
            # Stress E (e - e0) over the drawn length is zero at the unstressed length, and its
            # slope there is that of the unstressed length.
            modulus = stiffness * drawn / length
            ops.uniaxialMaterial("Elastic", 2 * self.parts, modulus)
            ops.uniaxialMaterial(
                "InitStrainMaterial", 2 * self.parts + 1, 2 * self.parts, (drawn - length) / drawn
            )
            ops.element("corotTruss", self.parts, a, b, 1.0, 2 * self.parts + 1)
            for node in (a, b):
                ops.load(node, 0.0, 0.0, -0.5 * weight * length)

    def solve(self, steps=20):
        """Apply all loads in steps; fail loudly if OpenSees doesn't converge."""
        ops.constraints("Plain")
        ops.numberer("RCM")
        ops.system("UmfPack")
        ops.test("NormDispIncr", 1e-9, 200, 0)
        ops.algorithm("Newton")
        ops.integrator("LoadControl", 1.0 / steps)
        ops.analysis("Static", "-noWarnings")
        assert ops.analyze(steps) == 0

    @staticmethod
    def place(node):
        """Return where a node came to rest."""
        return np.array(ops.nodeCoord(node)) + np.array(ops.nodeDisp(node))

    def tension(self):
        """Return the greatest tension of the elements 1 to the last of the strand."""
        return max(ops.basicForce(i + 1)[0] for i in range(STRAND_PARTS))


def strand_nodes(net, span, rise, weight, stiffness, tension, clamp):
    """Build the strand with a node at the clamp; return the clamp's node and unloaded place."""
    length = length_from_horizontal_tension(span, rise, tension, weight, stiffness)
    state = solve_catenary(span, rise, length, weight, stiffness)
    left = max(2, round(STRAND_PARTS * clamp / span))
    left = min(left, STRAND_PARTS - 2)
    x = np.concatenate(
        [np.linspace(0.0, clamp, left + 1)[:-1], np.linspace(clamp, span, STRAND_PARTS - left + 1)]
    )
    places = np.stack([x, 0.0 * x, height_at(state, x)], axis=1)
    lengths = np.diff(unstressed_length_to(state, x))
    last = len(x) - 1
    nodes = [net.node(p, fixed=i in (0, last)) for i, p in enumerate(places)]
    net.cable(nodes, places, lengths, weight, stiffness)
    return nodes[left], places[left]


def opensees_loaded(span, rise, weight, stiffness, tension, clamp, force):
    """Return the displacement by a point force, and the greatest tension."""
    moved = []
    for f in (np.zeros(3), force):
        net = Net()
        node, _ = strand_nodes(net, span, rise, weight, stiffness, tension, clamp)
        net.load(node, f)
        net.solve()
        moved.append(net.place(node))
    return moved[1] - moved[0], net.tension()


@pytest.mark.parametrize(
    ("span", "tension", "part", "force"),
    list(
        itertools.product(
            (20.0, 40.0, 75.0),
            (2000.0, 8000.0),
            (0.1, 0.3, 0.5),
            ((0.0, 150.0, 0.0), (0.0, -240.0, -65.0), (80.0, 60.0, -900.0)),
        )
    ),
)
def test_point_load_displaces_the_strand_as_in_opensees(span, tension, part, force):
    clamp, weight, stiffness, rise = part * span, 4.0, 5e6, 0.01 * span
    theirs, their_tension = opensees_loaded(
        span, rise, weight, stiffness, tension, clamp, np.array(force)
    )
    ours = displace_strand(
        Strand(span, rise, weight, stiffness, tension), [clamp], force[1], -force[2], force[0]
    )
    assert ours.converged.all()
    lateral, up = float(ours.lateral_m[0, 0]), float(ours.up_m[0, 0])
    size = np.hypot(theirs[1], theirs[2])
    assert abs(lateral - theirs[1]) <= 0.003 * abs(theirs[1]) + 1e-6
    assert np.hypot(lateral - theirs[1], up - theirs[2]) <= 0.003 * size
    assert float(ours.tension_max_n[0]) == pytest.approx(their_tension, rel=0.003)


def opensees_coupled(strand, clamp, house, drop_length, drop_wire, force):
    """Return clamp displacement, drop sag and strand tension of strand and drop together."""
    bare = Net()
    node, unloaded = strand_nodes(bare, *strand, clamp)
    bare.solve()
    reference = bare.place(node)
    net = Net()
    node, _ = strand_nodes(net, *strand, clamp)
    house = unloaded + np.array(house)
    # Drawn as a hanging wire between clamp and house, so that no truss starts slack.
    reach = house - unloaded
    across = float(np.hypot(reach[0], reach[1]))
    drawn = max(drop_length, 1.0002 * float(np.linalg.norm(reach)))
    state = solve_catenary(across, reach[2], drawn, *drop_wire)
    part = np.linspace(0.0, 1.0, DROP_PARTS + 1)
    z = unloaded[2] + height_at(state, part * across)
    places = np.stack([unloaded[0] + part * reach[0], part * reach[1], z], axis=1)
    lengths = np.diff(unstressed_length_to(state, part * across))
    lengths *= drop_length / lengths.sum()
    nodes = [node, *(net.node(p) for p in places[1:-1]), net.node(places[-1], fixed=True)]
    net.cable(nodes, places, lengths, *drop_wire)
    net.load(node, force)
    net.solve(steps=60)
    rest = np.array([net.place(i) for i in nodes])
    along = np.hypot(*(rest - rest[0])[:, :2].T)
    chord = rest[0, 2] + (rest[-1, 2] - rest[0, 2]) * along / along[-1]
    # Greatest sag of a polygon is at a joint; a parabola through three joints gives the curve's.
    below = chord - rest[:, 2]
    top = int(np.argmax(below))
    fit = np.polyfit(along[top - 1 : top + 2], below[top - 1 : top + 2], 2)
    sag = fit[2] - fit[1] ** 2 / (4 * fit[0])
    return rest[0] - reference, float(sag), net.tension()


@pytest.mark.parametrize(
    ("span", "tension", "part", "skew", "toward_house"),
    [
        *itertools.product(
            (25.0, 60.0), (2500.0, 8000.0), (0.08, 0.35, 0.5), (0.0, 0.6), (-240.0,)
        ),
        *itertools.product((25.0, 60.0), (2500.0, 8000.0), (0.08, 0.5), (0.0, 0.6), (240.0,)),
    ],
)
def test_clamp_with_drop_and_ladder_rests_as_in_opensees(span, tension, part, skew, toward_house):
    clamp, lateral, house_rise, drop_wire = part * span, 18.0, -1.5, (0.5, 1.5e5)
    strand = (span, 0.2, 4.0, 5e6, tension)
    push = np.array([0.0, toward_house, -65.0])
    states = solve_clamp(
        Strand(*strand),
        clamp,
        Drop(skew * lateral, lateral, house_rise, *drop_wire),
        LadderLoad(toward_house, 65.0),
        sag_m=0.35,
    )
    length = float(states.drop_length_m[0])
    house = (skew * lateral, lateral, house_rise)
    for ours, force in ((states.with_ladder, push), (states.ladder_gone, np.zeros(3))):
        moved, sag, their_tension = opensees_coupled(strand, clamp, house, length, drop_wire, force)
        assert ours.converged.all()
        size = float(np.linalg.norm(moved))
        gap = np.array([ours.along_m[0], ours.lateral_m[0], ours.up_m[0]]) - moved
        assert float(np.linalg.norm(gap[1:])) <= 0.003 * size
        assert float(ours.sag_m[0]) == pytest.approx(sag, rel=0.003)
        assert float(ours.strand_tension_max_n[0]) == pytest.approx(their_tension, rel=0.003)
