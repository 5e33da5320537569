"""A paper estimate for 100 million addresses, from the measured costs of one region.

Nothing here is measured beyond the region it is given: each line shows what it multiplies. Work
of one place (reading, checking, candidates, final mechanics, tables, writing) grows in proportion
to addresses and is done by tile, each with a halo of other people's ground around it. The choice
of ports is one flow for each component of terminals that share candidates, which no tile may cut;
components are solved side by side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

ADDRESSES = 100_000_000
TILE_ADDRESSES = 25_000
HALO_M = 365.0
"""As `geoplan.tiles.reach_m` gives it for these regions and the usual limits."""
ADDRESSES_PER_KM2 = 24 / (0.255 * 0.085)
"""As in `data_samples/make_town.py`: 24 lots on each tile of 255 m by 85 m."""
CORES = 16
EFFICIENCY = 0.7
"""Part of the cores' time that does work; a guess, no source."""
START_MB = 300.0
"""A process with all its packages loaded; a whole plan of 300 addresses was measured at 309 MB."""
PAIR_BYTES = 24
PAIRS_PER_ADDRESS = 5.0
"""Address, terminal and price as 8 bytes each; 4.9 pairs an address were measured at 10,000."""
NETWORK_BITS_PER_S = 10e9
CHOICE_STAGES = ("choice", "port values")
"""Stages of `make_plan` that look at all addresses of a component at once."""
LARGE = 100_000


def estimate(result: Mapping[str, Any], addresses: int = ADDRESSES) -> list[str]:
    """Work out machines, hours, memory per worker and network; one line of arithmetic each."""
    n = int(result["addresses"])
    stages = {"reading and checking": result["files_to_layers_s"], "writing": None}
    stages |= result["planning_stages_s"]
    stages["writing"] = result["plan_to_geoparquet_s"]
    cpu = {name: float(seconds[1]) for name, seconds in stages.items()}
    choice_s = sum(seconds for name, seconds in cpu.items() if name in CHOICE_STAGES)
    local_s = sum(cpu.values()) - choice_s
    side_km = math.sqrt(TILE_ADDRESSES / ADDRESSES_PER_KM2)
    halo = ((side_km + 2 * HALO_M / 1000) / side_km) ** 2
    tiles = math.ceil(addresses / TILE_ADDRESSES)
    all_local_h = local_s / n * addresses * halo / 3600
    all_choice_h = choice_s / n * addresses / 3600
    hours = (all_local_h + all_choice_h) / (CORES * EFFICIENCY)
    machines = math.ceil(hours)
    longest_s = choice_s * (addresses / n) * math.log(addresses) / math.log(n)
    tile_mb = START_MB + (result["peak_memory_mb"] - START_MB) / n * TILE_ADDRESSES * halo
    sent_gb = result["input_mb"] / n * addresses * halo / 1e3
    back_gb = result["output_mb"] / n * addresses / 1e3
    pairs_gb = PAIR_BYTES * PAIRS_PER_ADDRESS * addresses / 1e9
    network_s = (sent_gb + back_gb + 2 * pairs_gb) * 8e9 / NETWORK_BITS_PER_S
    micro = 1e6 / n
    caution = [] if n >= LARGE else [f"Caution: {n:,} is few; what a run costs once weighs in."]
    return [
        *caution,
        f"Estimate for {addresses:,} addresses, from {n:,} measured; not a measurement.",
        "Processor time an address: "
        + ", ".join(f"{name} {seconds * micro:.1f}" for name, seconds in cpu.items())
        + " microseconds.",
        f"Work by place: {local_s:.1f} s / {n:,} = {local_s * micro:.1f} microseconds an address; "
        f"choice of ports: {choice_s:.1f} s / {n:,} = {choice_s * micro:.1f} microseconds.",
        f"Tiles: {addresses:,} / {TILE_ADDRESSES:,} = {tiles}; each {side_km:.1f} km square at "
        f"{ADDRESSES_PER_KM2:.0f} addresses per km2; with {HALO_M:.0f} m of halo on each side "
        f"(({side_km:.1f} + {2 * HALO_M / 1000:.2f}) / {side_km:.1f})^2 = {halo:.3f} times the "
        "ground.",
        f"By place in all: {local_s * micro:.1f} us x {addresses:,} x {halo:.3f} = "
        f"{all_local_h:.1f} core hours.",
        f"Choice in all, components no larger than the region measured: {choice_s * micro:.1f} us "
        f"x {addresses:,} = {all_choice_h:.1f} core hours. Were all of it one component, its flow "
        f"would take one core {choice_s:.1f} s x {addresses / n:.0f} x ln({addresses:,}) / "
        f"ln({n:,}) = {longest_s / 3600:.1f} h, while others wait.",
        f"One machine of {CORES} cores, {EFFICIENCY:.0%} of their time used: ({all_local_h:.1f} + "
        f"{all_choice_h:.1f}) / ({CORES} x {EFFICIENCY}) = {hours:.1f} h; {machines} such "
        f"machine{'s' if machines > 1 else ''} for a plan within an hour.",
        f"Memory per worker: {START_MB:.0f} MB + ({result['peak_memory_mb']} - {START_MB:.0f}) MB "
        f"/ {n:,} x {TILE_ADDRESSES:,} x {halo:.3f} = {tile_mb:.0f} MB; {CORES} workers on a "
        f"machine: {CORES * tile_mb / 1000:.0f} GB. The choice holds its pairs: "
        f"{PAIRS_PER_ADDRESS} x {PAIR_BYTES} B x {n:,} = "
        f"{PAIR_BYTES * PAIRS_PER_ADDRESS * n / 1e9:.2f} GB a component, several times that in "
        "the flow.",
        f"Network: layers out {result['input_mb']} MB / {n:,} x {addresses:,} x {halo:.3f} = "
        f"{sent_gb:.0f} GB, tables back {back_gb:.0f} GB, pairs to the choice and its answer "
        f"2 x {pairs_gb:.0f} GB; together {network_s:.0f} s of one "
        f"{NETWORK_BITS_PER_S / 1e9:.0f} Gbit/s line.",
        "As it stands one process reads, checks and chooses; it puts shapes away, layer by layer, "
        f"and holds ids, offers and what is settled: {result['peak_memory_mb']} MB for {n:,}. So "
        f"{addresses:,} addresses are to be given as regions of about {n:,}, "
        f"{math.ceil(addresses / n)} of them; where two meet, ports near the border are shared out "
        "by hand.",
    ]
