"""
Render the decks of `recipe.py` and take them through a phone, as sample_images/make/patches.py does for small ones.

    python calibration/zones/pictures.py FOLDER --seeds 3000:3040 [--variant cuda_ad_rgb]

Writes FOLDER/SEED.npz: the four views and the torch-off picture of the deck and of its reference as JPEG bytes. Needs
mitsuba (pip install .[render]).
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import recipe

patches = recipe.patches
SAMPLES = 512  # paths a pixel
REFERENCE_SEED = 100_000  # added to the seed for the reference's noise


def meshes(seed):
    """(x, mesh) of the deck and of its reference."""
    deck, _, _ = recipe.recipe(seed)
    first = patches.heights(deck, recipe.SIDE_MM, step_mm=recipe.STEP_MM)
    second = patches.heights(
        recipe.sound_patch(deck), recipe.REFERENCE_SIDE_MM, step_mm=recipe.STEP_MM, shift_mm=recipe.REFERENCE_SHIFT_MM
    )
    return [(x, mesh) for x, _, _, mesh in (first, second)]


def store(folder, seed, lit, lights):
    """Phone pictures of the deck and of its reference as one .npz."""
    out = {}
    for name, (torch, ambient), light, more in zip(
        ("deck", "reference"), lit, lights, (0, REFERENCE_SEED), strict=True
    ):
        blur_px = light["blur_mm"] / recipe.STEP_MM
        jpegs, full = patches.phone_pictures(torch, ambient, blur_px, seed + more)
        out |= {f"{name}_{i}": jpeg for i, jpeg in enumerate(jpegs)} | {f"{name}_full": full}
    np.savez(folder / f"{seed}.npz", **out)


def main():
    parse = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parse.add_argument("folder", type=Path)
    parse.add_argument("--seeds", required=True, help="FIRST:END")
    parse.add_argument("--variant", default="scalar_rgb")
    parse.add_argument("--samples", type=int, default=SAMPLES)
    parse.add_argument("--jobs", type=int, default=2, help="processes beside the renderer")
    options = parse.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    seeds = range(*map(int, options.seeds.split(":")))
    with ProcessPoolExecutor(options.jobs) as pool:
        made = pool.map(meshes, seeds)
        mi = patches.render.load_mitsuba(options.variant)
        stored = []
        for seed, both in zip(seeds, made, strict=True):
            begun = time.perf_counter()
            deck, *lights = recipe.recipe(seed)
            lit = [
                patches.lit(mi, deck, light, x, mesh, samples=options.samples, seed=seed + more)
                for (x, mesh), light, more in zip(both, lights, (0, REFERENCE_SEED), strict=True)
            ]
            stored.append(pool.submit(store, options.folder, seed, lit, lights))
            print(f"{seed} {time.perf_counter() - begun:.1f} s", flush=True)
        for each in stored:
            each.result()


if __name__ == "__main__":
    main()
