"""The paper estimate multiplies what was measured, and shows it."""

from __future__ import annotations

from typing import Any

from tests.benchmarks.paper_estimate import estimate

MEASURED: dict[str, Any] = {
    "addresses": 1_000_000,
    "files_to_layers_s": [20.0, 30.0],
    "planning_stages_s": {"candidates": [30.0, 50.0], "choice": [15.0, 18.0]},
    "plan_to_geoparquet_s": [10.0, 10.0],
    "peak_memory_mb": 4_300,
    "input_mb": 180.0,
    "output_mb": 400.0,
}


def test_core_hours_follow_from_seconds_and_halo() -> None:
    lines = "\n".join(estimate(MEASURED))
    assert "90.0 s / 1,000,000 = 90.0 microseconds" in lines
    assert "18.0 us x 100,000,000 = 0.5 core hours" in lines
    # 90 s x 100 / 3600 = 2.5 h; halo ((4.75 + 0.73) / 4.75)^2 = 1.331
    assert "x 1.331 = 3.3 core hours" in lines
    assert "(3.3 + 0.5) / (16 x 0.7) = 0.3 h; 1 such machine for" in lines
    assert "4300 MB for 1,000,000. So 100,000,000 addresses" in lines


def test_a_small_region_carries_a_caution() -> None:
    assert "Caution" not in estimate(MEASURED)[0]
    assert "Caution" in estimate({**MEASURED, "addresses": 1_000})[0]
