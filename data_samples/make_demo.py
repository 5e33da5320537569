"""Write the demo place: an invented town with about 300 new addresses.

Enters: a seed and a folder.
Leaves: layers in several formats, ``project.toml`` and ``README.md``; same seed, same bytes.
Does not do: plan.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from demo_cases import add_obstacles, add_wishes, find_cases, make_addresses
from demo_files import write_layers, write_terrain
from demo_ground import make_ground
from demo_messy import spoil
from demo_plant import make_plant
from demo_streets import Row
from demo_text import project_text, readme_text

SEED = 20250
OWNERS = ("Aldwick", "Brennow", "Castrel", "Dunmarsh", "Ellowby", "Farrant-Quill", "Gossamer")


def make_demo(out: Path, seed: int = SEED) -> dict[str, list[Row]]:
    """Build the town and write it.

    Parameters
    ----------
    out : pathlib.Path
        Folder; made if missing, files of the same name are replaced.
    seed : int
        Seed of the only generator of chance.

    Returns
    -------
    dict of str to list of dict
        Rows of each layer in local metres, bad rows included.
    """
    rng = np.random.default_rng(seed)
    ground = make_ground(rng)
    plant = make_plant(ground, rng)
    addresses = make_addresses(ground, rng)
    cases = find_cases(ground, plant)
    cases |= add_obstacles(ground, plant)
    cases |= add_wishes(addresses, cases, plant)
    parcels: list[Row] = [
        {
            "parcel_id": lot.parcel_id,
            "owner": f"{OWNERS[k % len(OWNERS)]} {k // len(OWNERS) + 1}",
            "geometry": lot.outline,
        }
        for k, lot in enumerate(ground.lots)
    ]
    layers: dict[str, list[Row]] = {
        "parcels": parcels,
        "addresses": addresses,
        "poles": plant.poles,
        "roads": ground.roads,
        "buildings": ground.buildings,
        "strands": plant.strands,
        "power": plant.power,
        "trees": ground.trees,
        "rail": ground.rail,
        "water": ground.water,
        "sidewalks": ground.sidewalks,
        "driveways": ground.driveways,
        "pools": ground.pools,
        "existing_drops": plant.existing_drops,
    }
    messy = spoil(layers)
    out.mkdir(parents=True, exist_ok=True)
    write_layers(layers, out)
    write_terrain(out / "terrain.tif")
    (out / "project.toml").write_text(project_text(), encoding="utf-8", newline="\n")
    (out / "README.md").write_text(
        readme_text(layers, cases, messy, seed), encoding="utf-8", newline="\n"
    )
    return layers


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Write geoplan's demo town.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "demo")
    parser.add_argument("--seed", type=int, default=SEED)
    arguments = parser.parse_args()
    layers = make_demo(arguments.out, arguments.seed)
    counts = ", ".join(f"{name} {len(rows)}" for name, rows in layers.items())
    sys.stdout.write(f"{arguments.out.name}: {counts}\n")


if __name__ == "__main__":
    main()
