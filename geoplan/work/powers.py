"""What is known of power: height, voltage, and the distance to keep by the rules.

Enters: a plan with its layers, approach distances of the rule set.
Leaves: `Powers`.
Does not do: measure distances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoplan.model import Plan
from geoplan.rules import Approach, RuleSet, approach_table
from geoplan.text_columns import joined, texts, worded
from geoplan.work.power_pairs import ARM_REACH_M

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

POLE_VOLTAGE_V = 15_000.0
"""Power recorded on a pole has no voltage; the greatest that the plan takes poles for."""
HIGH_VOLTAGE_V = 1_000.0
"""Above it the distance asked for has to be kept from heads too; our own default, no source."""
NO_CONTACT = " (avoid contact; the distance is common practice, no source)"


@dataclass(frozen=True)
class Powers:
    """What is known of power, by row of its layer, and after those by row of the poles.

    The latter stand for power that is recorded on a pole.
    """

    names: Any
    """Ids of lines, and poles by name."""
    label: Any
    """Names of lines with their kind."""
    voltage_v: FloatArray
    voltage_is_assumed: BoolArray
    height_m: FloatArray
    height_is_assumed: BoolArray
    is_service: BoolArray
    """Whether it is a drop to a building."""
    worker_m: FloatArray
    """Distance asked for by voltage; NaN: the rule set has none."""
    bucket_m: FloatArray
    worker_rule: Any
    bucket_rule: Any
    worker_reach_m: float
    """Greatest distance of the rule set's table, whatever the voltage."""
    bucket_reach_m: float
    lines: int
    """Rows of the layer."""

    @property
    def look_within_m(self) -> float:
        """Return how far from where somebody works power is looked for, m in plan."""
        asked = self.worker_m[: self.lines]
        most = float(asked[~np.isnan(asked)].max(initial=0.0))
        return max(self.worker_reach_m, most + ARM_REACH_M)

    def is_near(self, line: IntArray, plan_m: FloatArray) -> BoolArray:
        """Tell which lines are near somebody at work, at a distance in plan.

        Parameters
        ----------
        line : ndarray of int64, shape (m,)
            Rows of the layer.
        plan_m : ndarray of float64, shape (m,)
            Distance in plan, m.

        Returns
        -------
        ndarray of bool, shape (m,)
            Within the greatest distance of the rules' table, or the one asked for and an arm's
            reach.
        """
        asked = np.nan_to_num(self.worker_m[line], nan=0.0)
        return np.asarray(plan_m <= np.maximum(self.worker_reach_m, asked + ARM_REACH_M))


def look_up_powers(plan: Plan, rule_set: RuleSet, no_contact_m: float) -> Powers:
    """Look up height, voltage and approach distances of all power.

    Parameters
    ----------
    plan : Plan
        A plan with its layers.
    rule_set : RuleSet
        Rules in force.
    no_contact_m : float
        As in `build_approach`.

    Returns
    -------
    Powers
        By row of the layer, and after those by row of the poles.
    """
    power, heights = plan.layers.power, plan.project.heights
    kind = power["power_kind"]
    recorded = power["voltage_v"].to_numpy(dtype=np.float64)
    default = kind.map(heights.power_voltage).to_numpy(dtype=np.float64)
    poles = plan.layers.poles
    volts = np.append(
        np.where(np.isnan(recorded), default, recorded), np.full(len(poles), POLE_VOLTAGE_V)
    )
    height = power["height_m"].to_numpy(dtype=np.float64)
    usual = kind.map(heights.power_height).to_numpy(dtype=np.float64)
    spaced = kind.str.replace("_", " ", regex=False)
    ids = texts(power.index)
    on_poles = joined("power on pole ", texts(poles.index))
    labels = joined(ids, ", ", texts(spaced.fillna("kind unknown")))
    distances = [
        _distances(rule_set, who, volts, no_contact_m)
        for who in (Approach.WORKER, Approach.LIFTING_PLANT)
    ]
    return Powers(
        _both(ids, on_poles),
        _both(labels, on_poles),
        volts,
        np.append(np.isnan(recorded), np.ones(len(poles), dtype=bool)),
        np.append(
            np.where(np.isnan(height), usual, height),
            poles["power_height_m"].to_numpy(dtype=np.float64),
        ),
        np.append(np.isnan(height), np.zeros(len(poles), dtype=bool)),
        np.append(kind == "supply_drop", np.zeros(len(poles), dtype=bool)),
        distances[0][0],
        distances[1][0],
        distances[0][1],
        distances[1][1],
        distances[0][2],
        distances[1][2],
        len(power),
    )


def _both(lines: Any, poles: Any) -> Any:
    parts = [pd.Series(lines, dtype="str"), pd.Series(poles, dtype="str")]
    return pd.concat(parts, ignore_index=True).array


def _distances(
    rule_set: RuleSet, who: Approach, volts: FloatArray, no_contact_m: float
) -> tuple[FloatArray, Any, float]:
    """Return the distance at each voltage, the rule it comes from, and the greatest of all."""
    table = approach_table(rule_set)
    code = table.row_codes([who.value])
    distance = table.distance(code, volts)
    place, distinct = pd.factorize(volts)
    figures = [rule_set.approach_distance(float(value), who.value) for value in distinct]
    rules = [
        f"rule set {rule_set.name} has no distance"
        if figure is None
        else figure.citation() + ("" if figure.value_si else NO_CONTACT)
        for figure in figures
    ]
    words = worded(np.where(place < 0, len(rules), place), [*rules, "voltage unknown"])
    greatest = max((figure.value_si for _, figure in rule_set.bands(f"approach.{who}")), default=0)
    return np.where(distance == 0, no_contact_m, distance), words, max(greatest, no_contact_m)
