"""Distances from power: bands by their edges, and lines laid where they matter."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoplan.model import Plan
from geoplan.rules import load_rule_set
from geoplan.work.approach import STATES, TIGHT_M, build_approach
from geoplan.work.places import is_bucket_job
from geoplan.work.powers import look_up_powers
from geoplan.work.strand_run import StrandRuns, trace_runs
from tests.work.conftest import with_layer

INCH_M = 0.0254
FOOT_M = 0.3048
NO_CONTACT_M = FOOT_M
RULES = load_rule_set("us")


def with_power(plan: Plan, volts: list[float], lines: list, height_m: float = 9.0) -> Plan:
    """Return the plan with other power alone: no drop's record crosses it, no pole's has any."""
    frame = gpd.GeoDataFrame(
        {
            "power_kind": pd.Series(["supply_line"] * len(lines), dtype="str"),
            "voltage_v": np.array(volts, dtype=np.float64),
            "height_m": np.full(len(lines), height_m),
        },
        geometry=gpd.GeoSeries(lines, crs=plan.layers.crs.working_crs),
    )
    frame.index = pd.Index([f"E{n:03d}" for n in range(len(lines))], dtype="str", name="power_id")
    crossings = plan.crossings[plan.crossings["crossing_kind"] != "power"].reset_index(drop=True)
    bare = plan.layers.poles.assign(power_height_m=np.nan)
    return dataclasses.replace(
        plan,
        layers=dataclasses.replace(plan.layers, power=frame, poles=bare),
        crossings=crossings,
        drops=plan.drops.assign(pole_power_basis="none"),
    )


def approach(plan: Plan) -> pd.DataFrame:
    runs = trace_runs(plan.drops, plan.layers.poles, plan.project.heights.strand_height)
    return build_approach(plan, RULES, NO_CONTACT_M, runs)


@pytest.mark.parametrize(
    ("volts", "inches"),
    [
        (301, 12),
        (750, 12),
        (751, 18),
        (2_000, 18),
        (2_001, 24),
        (15_000, 24),
        (15_001, 36),
        (37_000, 36),
        (37_001, 42),
        (87_500, 42),
        (87_501, 48),
        (121_000, 48),
        (121_001, 54),
        (140_000, 54),
    ],
)
def test_worker_distances_change_at_the_edges_of_the_bands(
    demo_plan: Plan, volts: float, inches: float
) -> None:
    far = shapely.LineString([(0, 0), (1, 0)])
    powers = look_up_powers(with_power(demo_plan, [volts], [far]), RULES, NO_CONTACT_M)
    assert powers.worker_m[0] == pytest.approx(inches * INCH_M)
    assert "from memory" in powers.worker_rule[0]


@pytest.mark.parametrize(
    ("volts", "feet"),
    [
        (240, 10),
        (50_000, 10),
        (50_001, 15),
        (200_000, 15),
        (200_001, 20),
        (350_000, 20),
        (350_001, 25),
        (500_000, 25),
        (500_001, 35),
        (750_000, 35),
        (750_001, 45),
        (1_000_000, 45),
    ],
)
def test_bucket_distances_change_at_the_edges_of_the_bands(
    demo_plan: Plan, volts: float, feet: float
) -> None:
    far = shapely.LineString([(0, 0), (1, 0)])
    powers = look_up_powers(with_power(demo_plan, [volts], [far]), RULES, NO_CONTACT_M)
    assert powers.bucket_m[0] == pytest.approx(feet * FOOT_M)
    assert powers.bucket_rule[0].endswith("read")


def test_up_to_300_v_our_own_distance_stands_for_no_contact(demo_plan: Plan) -> None:
    far = shapely.LineString([(0, 0), (1, 0)])
    powers = look_up_powers(with_power(demo_plan, [300.0], [far]), RULES, NO_CONTACT_M)
    assert powers.worker_m[0] == NO_CONTACT_M
    assert "avoid contact" in powers.worker_rule[0]


def beside(plan: Plan, row: int, away_m: float) -> shapely.LineString:
    """Return a line beside the middle of a drop's wire, parallel to it."""
    (x0, y0, *_), (x1, y1, *_) = plan.air_spans.geometry[row].coords
    length = np.hypot(x1 - x0, y1 - y0)
    nx, ny = -(y1 - y0) / length, (x1 - x0) / length
    ends = [(x0 + t * (x1 - x0), y0 + t * (y1 - y0)) for t in (0.45, 0.55)]
    return shapely.LineString([(x + away_m * nx, y + away_m * ny) for x, y in ends])


def with_low_strand(plan: Plan) -> Plan:
    """Return the plan with strands, and so terminals, far below any power: hooks count alone."""
    return with_layer(plan, "poles", strand_height_m=np.full(len(plan.layers.poles), 2.0))


def without_run(plan: Plan) -> int:
    """Return a drop that leaves from its own terminal's pole."""
    return int(np.flatnonzero(plan.drops["strand_run_m"] == 0)[0])


@pytest.mark.parametrize(
    ("away_m", "state"), [(0.60, "within"), (0.62, "close"), (0.92, "close"), (0.93, "clear")]
)
def test_wire_beside_power_is_judged_at_the_distance_of_its_voltage(
    demo_plan: Plan, away_m: float, state: str
) -> None:
    """7.2 kV asks for 24 in, 0.6096 m, and up to 3.0 ft, as told, it is measured on site."""
    row = without_run(demo_plan)
    plan = with_power(demo_plan, [7200.0], [beside(demo_plan, row, away_m)], height_m=3.0)
    job = approach(plan).iloc[row]
    assert job["power_approach"] == state
    assert job["power_approach_m"] == pytest.approx(24 * INCH_M)
    assert "E000" in job["power_approach_note"]
    assert pd.notna(job["power_tight"]) == (state != "clear")


def test_height_counts_as_well_as_plan(demo_plan: Plan) -> None:
    lines = [beside(demo_plan, 12, 0.3)]
    top = demo_plan.drops["hook_height_m"][12] + 4.0
    low, high = (with_power(demo_plan, [7200.0], lines, height_m=z) for z in (3.0, top))
    assert approach(low)["power_approach"][12] == "within"
    assert approach(high)["power_approach"][12] == "clear"


def test_power_that_meets_the_wire_in_plan_at_an_unknown_height_is_not_checked(
    demo_plan: Plan,
) -> None:
    (x0, y0, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[12].coords
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    line = shapely.LineString([(x - (y1 - y0), y + (x1 - x0)), (x + (y1 - y0), y - (x1 - x0))])
    job = approach(with_power(demo_plan, [7200.0], [line], height_m=3.0)).iloc[12]
    assert job["power_approach"] == "not_checked"
    assert "distance not known" in job["power_approach_note"]


def test_a_voltage_beyond_the_table_is_not_checked(demo_plan: Plan) -> None:
    plan = with_power(demo_plan, [230_000.0], [beside(demo_plan, 12, 0.5)], height_m=3.0)
    job = approach(plan).iloc[12]
    assert job["power_approach"] == "not_checked"
    assert "no distance" in job["power_approach_note"]


def test_a_bucket_keeps_the_distance_of_lifting_plant(demo_plan: Plan) -> None:
    row = int(np.flatnonzero(is_bucket_job(demo_plan.drops))[0])
    (x, y, *_), (x1, y1, *_) = demo_plan.air_spans.geometry[row].coords
    hook = float(demo_plan.drops["hook_height_m"][row])
    back = np.array([x - x1, y - y1]) / np.hypot(x - x1, y - y1)
    for away_m, state in ((3.0, "within"), (3.1, "close"), (3.4, "clear")):
        line = shapely.LineString([(x, y) + t * back for t in (away_m, away_m + 0.1)])
        plan = with_power(demo_plan, [240.0], [line], height_m=hook)
        no_run = np.zeros(len(plan.drops), dtype=bool)
        found = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan), None, no_run)
        job = found.iloc[row]
        assert job["power_approach"] == state
        if state == "within":
            assert job["power_lines"].endswith(" up: keep 1.0 ft away, 10.0 ft with the bucket")


def test_power_recorded_on_the_pole_is_judged_by_the_record(demo_plan: Plan) -> None:
    found = approach(demo_plan)
    drops, poles = demo_plan.drops, demo_plan.layers.poles
    on_pole = drops["pole_power_basis"] == "computed"
    assert on_pole.sum() > 20
    assert (
        found.loc[on_pole, "power_approach"].isin(["clear", "close", "within", "not_checked"]).all()
    )
    low = poles["power_height_m"].where(poles["power_height_m"].isna(), 6.0)
    lowered = with_layer(demo_plan, "poles", power_height_m=low)
    assert (approach(lowered).loc[on_pole, "power_approach"] == "within").all()
    unknown = dataclasses.replace(
        demo_plan,
        drops=drops.assign(
            pole_power_basis=drops["pole_power_basis"].replace("computed", "not_checked")
        ),
    )
    blank = with_layer(unknown, "poles", power_height_m=np.full(len(poles), np.nan))
    states = approach(blank).loc[on_pole, "power_approach"]
    assert (states == "not_checked").any()
    recorded = approach(unknown).loc[on_pole, "power_approach"]
    assert (states[recorded != "within"] != "none").all()


def test_without_a_layer_of_power_nothing_is_called_clear(demo_plan: Plan) -> None:
    bare = with_power(demo_plan, [], [])
    assert (approach(bare)["power_approach"] == "none").all()
    absent = dataclasses.replace(bare, layers=dataclasses.replace(bare.layers, absent=("power",)))
    found = approach(absent)
    assert (found["power_approach"] == "not_checked").all()
    assert (found["power_approach_note"] == "no layer of power was brought").all()


def runs_of(plan: Plan) -> StrandRuns:
    return trace_runs(plan.drops, plan.layers.poles, plan.project.heights.strand_height)


def long_leg(plan: Plan) -> tuple[int, np.ndarray]:
    """Return a drop whose strand run has a leg of more than 20 m, and that leg."""
    runs = runs_of(plan)
    length = np.hypot(*(runs.segment[:, 2:] - runs.segment[:, :2]).T)
    leg = int(np.flatnonzero(length > 20)[0])
    return int(runs.drop[leg]), runs.segment[leg]


def across(leg: np.ndarray, away_m: float = 0.0) -> shapely.LineString:
    """Return a line over the middle of a leg, square to it, or one that ends short of it."""
    begin, end = leg[:2], leg[2:]
    way = (end - begin) / np.hypot(*(end - begin))
    side = np.array([-way[1], way[0]])
    middle = (begin + end) / 2
    return shapely.LineString(
        [middle + away_m * side - (5 * side if away_m == 0 else 0), middle + (5 + away_m) * side]
    )


def test_power_across_the_strand_run_at_an_unknown_height_is_not_checked(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    low = approach(with_power(demo_plan, [240.0], [across(leg)], height_m=4.8)).iloc[row]
    assert low["power_approach"] == "not_checked"
    assert "distance not known from the strand run" in low["power_approach_note"]
    assert low["run_power"] == "E000, supply line, 240 V"


def test_power_well_above_the_strand_run_is_clear_and_told_all_the_same(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    high = approach(with_power(demo_plan, [240.0], [across(leg)], height_m=9.0)).iloc[row]
    assert high["power_approach"] == "clear"
    assert high["run_power"] == "E000, supply line, 240 V"
    assert high["power_lines"] == (
        "E000, supply line, 240 V, from about 29.5 ft up: keep 1.0 ft away"
    )


@pytest.mark.parametrize(
    ("away_m", "state"), [(0.60, "within"), (0.62, "close"), (1.60, "close"), (1.62, "none")]
)
def test_power_beside_the_strand_run_is_judged_at_the_distance_of_its_voltage(
    demo_plan: Plan, away_m: float, state: str
) -> None:
    row, leg = long_leg(demo_plan)
    plan = with_power(demo_plan, [7200.0], [across(leg, away_m)], height_m=3.0)
    job = approach(plan).iloc[row]
    assert job["power_approach"] == state
    assert (job["run_power"] == "E000, supply line, 7200 V") == (state == "within")


def test_a_neutral_never_hides_the_line_above_it_and_never_reads_as_dead(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    along = shapely.LineString([leg[:2], leg[2:]])
    plan = with_power(demo_plan, [np.nan, 7200.0], [along, along])
    kinds = pd.Series(["neutral", "supply_line"], index=plan.layers.power.index, dtype="str")
    plan = with_layer(plan, "power", power_kind=kinds, height_m=np.array([6.4, 9.2]))
    job = approach(plan).iloc[row]
    assert job["power_approach_m"] == pytest.approx(24 * INCH_M)
    assert "E001, supply line, 7200 V" in job["power_approach_note"]
    assert job["power_lines"] == (
        "E001, supply line, 7200 V, along the strand from about 30.2 ft up: keep 2.0 ft away;"
        "E000, neutral, voltage not recorded, treat as live, along the strand from about 21.0 ft"
        " up: keep 1.0 ft away"
    )
    assert " 0 V" not in job["power_lines"] + job["power_approach_note"]


def test_a_line_of_unknown_voltage_has_no_distance_and_is_told_first(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    plan = with_power(demo_plan, [240.0, np.nan], [across(leg), across(leg)], height_m=9.0)
    kinds = pd.Series(["supply_line", None], index=plan.layers.power.index, dtype="str")
    job = approach(with_layer(plan, "power", power_kind=kinds)).iloc[row]
    assert job["power_approach"] == "not_checked"
    assert np.isnan(job["power_approach_m"])
    assert job["power_approach_note"].startswith("E001, kind unknown, voltage not recorded")
    first, second = job["power_lines"].split(";")
    assert first.endswith("the rules have no distance: keep away")
    assert second.startswith("E000, supply line, 240 V")


def test_a_line_on_the_drops_own_pole_counts(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    x, y, *_ = demo_plan.air_spans.geometry[row].coords[0]
    hook = float(demo_plan.drops["hook_height_m"][row])
    line = shapely.LineString([(x + 0.1, y), (x + 0.1, y + 0.1)])
    for above_m, state in (
        (0.6, "within"),
        (1.1, "within"),
        (1.12, "close"),
        (1.60, "close"),
        (1.62, "clear"),
    ):
        plan = with_power(demo_plan, [7200.0], [line], height_m=hook + above_m)
        job = approach(with_low_strand(plan)).iloc[row]
        assert job["power_approach"] == state
        assert "E000, supply line, 7200 V" in job["power_lines"]


def test_no_power_is_said_for_the_distance_looked_at(demo_plan: Plan) -> None:
    job = approach(with_power(demo_plan, [], [])).iloc[0]
    assert job["power_approach"] == "none"
    assert job["power_approach_note"] == (
        "no power in the layers within 4.5 ft of wire, hook, ladders and run: look up, and stop if"
        " there is any"
    )
    assert pd.isna(job["power_lines"])
    assert pd.isna(job["run_power"])


def test_notes_read_as_sentences(demo_work: Plan) -> None:
    notes = demo_work.jobs["power_approach_note"].dropna()
    assert notes.str.contains(" ft asked for, there is at least ", regex=False).any()
    assert notes.str.contains("supply drop", regex=False).any()
    assert not notes.str.contains("supply_", regex=False).any()


def test_a_higher_voltage_is_told_besides_the_line_that_falls_shortest(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    near, far = across(leg, 0.4), across(leg, 1.0)
    plan = with_power(demo_plan, [240.0, 7200.0], [near, far], height_m=3.0)
    note = approach(plan).iloc[row]["power_approach_note"]
    assert note.startswith("E000, supply line, 240 V: 1.0 ft asked for")
    assert "; highest known voltage: E001, supply line, 7200 V: 2.0 ft asked for" in note
    lower = with_power(demo_plan, [240.0, 120.0], [near, far], height_m=3.0)
    assert "highest" not in approach(lower).iloc[row]["power_approach_note"]


@pytest.mark.parametrize(
    ("above_m", "state"), [(0.30, "within"), (0.31, "close"), (1.30, "close"), (1.31, "clear")]
)
def test_low_voltage_over_the_hook_is_close_while_somebody_can_reach_it(
    demo_plan: Plan, above_m: float, state: str
) -> None:
    row = without_run(demo_plan)
    x, y, *_ = demo_plan.air_spans.geometry[row].coords[0]
    hook = float(demo_plan.drops["hook_height_m"][row])
    line = shapely.LineString([(x + 0.1, y), (x + 0.1, y + 0.1)])
    plan = with_power(demo_plan, [240.0], [line], height_m=hook + above_m)
    job = approach(with_low_strand(plan)).iloc[row]
    assert job["power_approach"] == state
    reached = "in reach of head and hands: keep both below it" in job["power_approach_note"]
    assert reached == (state == "close")
    is_near = state == "close" and above_m < 0.8
    assert pd.notna(job["power_tight"]) == (state == "within" or is_near)


def test_over_1_kv_a_head_too_near_is_told_as_such(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    x, y, *_ = demo_plan.air_spans.geometry[row].coords[0]
    hook = float(demo_plan.drops["hook_height_m"][row])
    line = shapely.LineString([(x + 0.1, y), (x + 0.1, y + 0.1)])
    plan = with_power(demo_plan, [7200.0], [line], height_m=hook + 0.8)
    job = approach(with_low_strand(plan)).iloc[row]
    assert job["power_approach"] == "within"
    assert (
        "there is at least 2.6 ft from hook or clamp but 1.0 ft from a head there"
        in (job["power_approach_note"])
    )


def test_a_distance_that_is_short_never_reads_as_the_one_asked_for(demo_plan: Plan) -> None:
    row = without_run(demo_plan)
    plan = with_power(demo_plan, [240.0], [beside(demo_plan, row, 0.302)], height_m=3.0)
    job = approach(plan).iloc[row]
    assert job["power_approach"] == "within"
    assert (
        "1.0 ft asked for, there is just under 1.0 ft from the wire" in (job["power_approach_note"])
    )


def test_states_of_the_demo_are_the_declared_ones_and_all_but_none_name_power(
    demo_work: Plan,
) -> None:
    jobs = demo_work.jobs
    assert set(jobs["power_approach"]) <= set(STATES)
    is_none = jobs["power_approach"] == "none"
    assert jobs.loc[~is_none, "power_lines"].notna().all()
    assert jobs.loc[is_none, ["power_lines", "run_power"]].isna().all(axis=None)
    assert not jobs["power_approach_note"].str.contains("there is none", regex=False).any()


@pytest.mark.parametrize(
    ("above_m", "state"), [(0.30, "within"), (0.31, "close"), (1.30, "close"), (1.31, "clear")]
)
def test_the_terminal_of_a_direct_drop_is_judged_at_the_strands_height(
    demo_plan: Plan, above_m: float, state: str
) -> None:
    row = without_run(demo_plan)
    pole = demo_plan.layers.poles.index.get_loc(demo_plan.drops["terminal_id"][row])
    at = demo_plan.layers.poles.geometry.iloc[pole]
    strand = float(demo_plan.drops["hook_height_m"][row]) + 3.0
    line = shapely.LineString([(at.x + 0.1, at.y), (at.x + 0.1, at.y + 0.1)])
    plan = with_power(demo_plan, [240.0], [line], height_m=strand + above_m)
    heights = plan.layers.poles["strand_height_m"].to_numpy(dtype=float).copy()
    heights[pole] = strand
    job = approach(with_layer(plan, "poles", strand_height_m=heights)).iloc[row]
    assert job["power_approach"] == state
    if state != "clear":
        assert "from the terminal on its pole" in job["power_approach_note"]


def test_one_pole_is_not_clear_for_one_drop_and_close_for_the_next(demo_work: Plan) -> None:
    jobs = demo_work.jobs
    recorded = jobs["power_approach_note"].str.contains(
        "from (?:the terminal on its pole|the strand at a pole of the run)", regex=True
    )
    close = jobs.loc[recorded & jobs["power_approach"].eq("close"), "terminal_id"]
    assert len(close) > 10
    at_them = jobs[jobs["terminal_id"].isin(close) & jobs["run_poles"].isna()]
    told = at_them["power_approach_note"].str.extract(r"power on pole (\w+)")[0]
    assert at_them.loc[told.notna(), "power_approach"].ne("clear").all()


def test_lifting_plants_distance_holds_along_a_run_by_bucket(demo_plan: Plan) -> None:
    row, leg = long_leg(demo_plan)
    by_bucket = np.zeros(len(demo_plan.drops), dtype=bool)
    by_bucket[row] = True
    for away_m, state in ((3.0, "within"), (3.4, "clear")):
        plan = with_power(demo_plan, [240.0], [across(leg, away_m)], height_m=3.0)
        found = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan), None, by_bucket)
        job = found.iloc[row]
        assert job["power_approach"] == state
        assert approach(plan).iloc[row]["power_approach"] == "none"
    assert job["power_lines"].endswith("keep 1.0 ft away, 10.0 ft with the bucket")


@pytest.mark.parametrize(("away_m", "is_told"), [(2.5, True), (4.0, False)])
def test_a_line_along_a_run_by_bucket_is_power_on_the_run(
    demo_plan: Plan, away_m: float, is_told: bool
) -> None:
    row, leg = long_leg(demo_plan)
    way = (leg[2:] - leg[:2]) / np.hypot(*(leg[2:] - leg[:2]))
    off = away_m * np.array([-way[1], way[0]])
    line = shapely.LineString([leg[:2] + 8 * way + off, leg[2:] - 8 * way + off])
    plan = with_power(demo_plan, [240.0], [line], height_m=5.0)
    for by_bucket in (False, True):
        bucket = np.full(len(plan.drops), by_bucket)
        job = build_approach(plan, RULES, NO_CONTACT_M, runs_of(plan), None, bucket).iloc[row]
        assert (job["run_power"] == "E000, supply line, 240 V") == (is_told and by_bucket)


def test_distances_that_read_alike_are_all_measured_or_none(demo_work: Plan) -> None:
    jobs = demo_work.jobs
    bound = f"{1.0 + TIGHT_M / FOOT_M:.1f} ft"
    notes = jobs[jobs["power_approach"].eq("close")]
    told = notes["power_approach_note"].str.extract(
        r"^(E\d+), supply drop.*?: 1\.0 ft asked for, there is (?:at least )?([\d.]+ ft) from"
    )
    told = told[told[1].eq(bound)]
    assert len(told) > 3
    for row, name in told[0].items():
        assert f"{name}: " in str(jobs["power_tight"][row])
