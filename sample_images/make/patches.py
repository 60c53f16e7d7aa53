"""
Small rendered patches for building and calibrating a height solver: straight down, no card, light known exactly.

Each patch is one invented deck (`decks.py`) under lamps at known places, rendered with bounced light (`render.py`),
and then the same through a phone's optics: blur, noise, 8-bit JPEG.

    python patches.py render --seeds 0:24 --out PACK.npz [--side 32] [--variant cuda_ad_rgb]
    python patches.py unpack PACK.npz --out FOLDER

`brightness` is radiance over that of level matt paper of reflectance 0.8 lit by the same lamp at the same place, so
that such paper reads 1; the ambient part is one picture in the same unit, and stands added in `brightness`.
"""

from __future__ import annotations

import argparse
import io
import json
import time
from dataclasses import asdict
from pathlib import Path

import decks
import numpy as np
import render
from PIL import Image
from scipy.ndimage import gaussian_filter

STEP_MM = 0.1
MESH_A_PIXEL = 2  # mesh steps in a pixel
MARGIN_MM = 15.0
FULL_WELL = 12_000  # electrons at a phone pixel's white, from memory
READ_NOISE = 4  # electrons, from memory
WHITE = 0.92  # where the 99.7 % level of the brightness goes, of the sensor's range
JPEG_QUALITY = 90
CONDITIONS = ("sound", "worn", "filled", "sound", "worn", "filled", "both")


def recipe(seed):
    """Deck, light and phone of one patch, all drawn from the seed."""
    rng = np.random.default_rng([seed, 7])
    pattern = decks.PATTERNS[seed % 4]
    condition = CONDITIONS[(seed // 4) % len(CONDITIONS)]
    pitch = {"lozenge": (5, 8), "square": (2.6, 4.5), "pebble": (1.8, 3.2), "grit": (1.2, 2.2)}[pattern]
    height = rng.uniform(0.25, 0.8)
    flank = rng.uniform(32, 60)
    pitch_mm = max(rng.uniform(*pitch), height / np.tan(np.radians(flank)) * (4.5 if pattern == "lozenge" else 2.5))

    def region(whole_chance):
        kind = "all" if rng.random() < whole_chance else str(rng.choice(["lane", "half"]))
        x, y, angle, width, edge = rng.uniform((-8, -8, 0, 14, 3), (8, 8, 180, 22, 10))
        return decks.Region(kind, x, y, angle, width, edge, 1.0)

    worn, filled = region(0.6), region(0.6)
    wear = decks.Wear(rng.uniform(0.2, 0.6), rng.uniform(0.01, 0.05), worn)
    fill = decks.Fill(rng.uniform(0.25, 0.65), rng.uniform(0.02, 0.06), rng.uniform(0.02, 0.06), filled)
    deck = decks.Deck(
        pattern,
        seed,
        height_mm=height,
        flank_deg=flank,
        pitch_mm=pitch_mm,
        pitch_ratio=rng.uniform(0.5, 0.7),
        groove_mm=rng.uniform(0.4, 1.1),
        angle_deg=rng.uniform(0, 180),
        round_mm=rng.uniform(0.012, 0.03),
        peel_mm=rng.uniform(0.001, 0.005),
        wear=wear if condition in ("worn", "both") else None,
        fill=fill if condition in ("filled", "both") else None,
    )
    azimuths = np.array([0, 90, 180, 270]) + rng.uniform(-15, 15, 4)
    elevations, distances = rng.uniform(18, 32, 4), rng.uniform(350, 700, 4)
    return deck, {
        "condition": condition,
        "albedo": float(rng.choice([rng.uniform(0.15, 0.5), rng.uniform(0.5, 0.93)])),
        "alpha": float(rng.uniform(0.15, 0.3)),
        "stain": float(rng.choice([0.0, rng.uniform(0.1, 0.35)])),
        "ambient_share": float(rng.choice([0.0, rng.uniform(0.0, 0.08)])),
        "azimuth_deg": azimuths.tolist(),
        "elevation_deg": elevations.tolist(),
        "distance_mm": distances.tolist(),
        "blur_mm": float(rng.uniform(0.05, 0.1)),
        "lamp_radius_mm": float(rng.uniform(4, 12)),
    }


def axes(side_mm, step_mm=STEP_MM):
    """x rising and y falling so that the patch's pixel centres lie symmetrically about 0."""
    n = round(side_mm / step_mm)
    x = (np.arange(n) - (n - 1) / 2) * step_mm
    return x, -x


def stained(deck, light, x_mm, y_mm):
    """(rows, columns, 3) albedo: blotches of 5 to 20 mm that take away up to the stain's share."""
    rng = np.random.default_rng([deck.seed, 3])
    x, y = x_mm[None, :], y_mm[:, None]
    blotch = np.zeros((y.size, x.size), np.float32)
    for wave, a, phase in zip(rng.uniform(5, 20, 6), rng.uniform(0, np.pi, 6), rng.uniform(0, 6.28, 6), strict=True):
        blotch += np.sin(2 * np.pi / wave * (x * np.cos(a) + y * np.sin(a)) + phase)
    albedo = light["albedo"] * (1 - light["stain"] / (1 + np.exp(-2 * blotch)))
    return np.repeat(albedo[..., None], 3, -1).astype(np.float32)


def heights(deck, side_mm, *, step_mm=STEP_MM, shift_mm=0.0):
    """
    Truth at the pixel centres, and the mesh (x, y, z) around them, levelled to the patch's own top plane; the patch
    shows the deck about (shift_mm, 0) on axes of its own.
    """
    half, mesh_step = side_mm / 2, step_mm / MESH_A_PIXEL
    offset = decks.levelled_offset(deck, (shift_mm - half, shift_mm + half, -half, half))
    x, y = axes(side_mm, step_mm)
    pad = np.arange(1, round((MARGIN_MM + step_mm) / mesh_step) + 1) * mesh_step
    inner = x[0] + np.arange(round((x[-1] - x[0]) / mesh_step) + 1) * mesh_step
    mesh_x = np.concatenate([inner[0] - pad[::-1], inner, inner[-1] + pad])
    z = decks.height(deck, mesh_x + shift_mm, -mesh_x) + np.float32(offset)
    inside = slice(len(pad), -len(pad), MESH_A_PIXEL)
    return x, y, z[inside, inside], (mesh_x, -mesh_x, z)


def render_patch(mi, seed, side_mm, samples):
    """Brightness of the torch alone (views, n, n) and of the sky (n, n), linear, in units of lit paper; the truth."""
    deck, light = recipe(seed)
    x, _, truth, mesh = heights(deck, side_mm)
    return *lit(mi, deck, light, x, mesh, samples=samples, seed=seed), truth


def lit(mi, deck, light, x, mesh, *, samples, seed):
    """Brightness of the torch alone (views, n, n) and of the sky (n, n), pixels at x, -x; a mesh as of `heights`."""
    mx, my, mz = mesh
    side_mm = len(x) * (x[1] - x[0])
    shape = render.deck_shape(mi, mx, my, mz, stained(deck, light, mx[::8], my[::8]), alpha=light["alpha"])
    look = mi.ScalarTransform4f().look_at(origin=[0, 0, 300], target=[0, 0, 0], up=[0, 1, 0])
    sensor = {
        "type": "orthographic",
        "to_world": look @ mi.ScalarTransform4f().scale([side_mm / 2, side_mm / 2, 1]),
        "near_clip": 1.0,
        "far_clip": 1000.0,
        "film": render.film(len(x), len(x)),
        "sampler": {"type": "independent"},
    }
    base = {"type": "scene", "integrator": render.integrator(), "sensor": sensor, "deck": shape}
    torch = []
    for i, place in enumerate(lamps(light)):
        scene = mi.load_dict({**base, "lamp": render.lamp(mi, place, light["lamp_radius_mm"])})
        radiance = render.picture(mi, scene, samples=samples, seed=10 * seed + i)[..., 0]
        level = render.lamp_irradiance(place, light["lamp_radius_mm"], x[None, :], -x[:, None])
        torch.append(radiance / (level * render.PAPER_REFLECTANCE / np.pi))
    ambient = np.zeros((len(x), len(x)))
    if light["ambient_share"] > 0:
        scene = mi.load_dict({**base, "sky": render.sky()})
        ambient = render.picture(mi, scene, samples=samples // 2, seed=10 * seed + 9)[..., 0]
        ambient *= light["ambient_share"] / (1 - light["ambient_share"]) / render.PAPER_REFLECTANCE
    return np.stack(torch), ambient


def lamps(light):
    """(views, 3) mm"""
    angles = zip(light["azimuth_deg"], light["elevation_deg"], light["distance_mm"], strict=True)
    return np.array([render.lamp_position(*each) for each in angles])


def encode(brightness, *, blur_px, full, rng):
    """One phone picture as JPEG bytes; `full` is the brightness that just clips."""
    electrons = np.clip(gaussian_filter(brightness, blur_px) / full, 0, None) * FULL_WELL
    seen = (rng.poisson(electrons) + rng.normal(0, READ_NOISE, electrons.shape)) / FULL_WELL
    seen = np.clip(seen, 0, 1)
    grey = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    out = io.BytesIO()
    Image.fromarray(np.round(255 * grey).astype(np.uint8)).save(out, "JPEG", quality=JPEG_QUALITY)
    return np.frombuffer(out.getvalue(), np.uint8)


def decode(data, full):
    """Linear brightness back from `encode`, NaN where it clipped."""
    grey = np.asarray(Image.open(io.BytesIO(data.tobytes())), np.float32) / 255
    linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4)
    return np.where(grey >= 254 / 255, np.nan, linear * full).astype(np.float32)


def phone_pictures(torch, ambient, blur_px, seed):
    """The views and, last, the ambient picture as JPEG bytes, and the brightness that just clips in each."""
    rng = np.random.default_rng([seed, 11])
    pictures = [*(torch + ambient), ambient]
    full = [float(np.quantile(p, 0.997) / WHITE) for p in pictures[:-1]]
    full.append(float(np.mean(full)))
    return [encode(p, blur_px=blur_px, full=f, rng=rng) for p, f in zip(pictures, full, strict=True)], np.array(full)


def pack(mi, seeds, *, side_mm, samples, linear, limit_s=np.inf):
    """Arrays for one .npz: phone pictures as JPEG bytes, linear ones as float16 if asked for; ends after limit_s."""
    out, done, begin = {"side_mm": np.array(side_mm)}, [], time.perf_counter()
    for seed in seeds:
        start = time.perf_counter()
        if start - begin > limit_s:
            break
        torch, ambient, truth = render_patch(mi, seed, side_mm, samples)
        _, light = recipe(seed)
        pictures, full = phone_pictures(torch, ambient, light["blur_mm"] / STEP_MM, seed)
        for i, picture in enumerate(pictures):
            out[f"{seed}_jpeg{i}"] = picture
        out[f"{seed}_full"] = full
        out[f"{seed}_check"] = truth[::16, ::16].astype(np.float32)
        if linear:
            out[f"{seed}_torch"] = torch.astype(np.float16)
            out[f"{seed}_ambient"] = ambient.astype(np.float16)
        done.append(seed)
        print(f"{seed} {time.perf_counter() - start:.1f} s", flush=True)
    return {**out, "seeds": np.array(done)}


def unpack(packed, folder):
    """One NNN.npz a patch, with everything that a solver and its judge need."""
    side = float(packed["side_mm"])
    for seed in packed["seeds"].tolist():
        deck, light = recipe(seed)
        x, y, truth, _ = heights(deck, side)
        if np.abs(truth[::16, ::16] - packed[f"{seed}_check"]).max() > 1e-4:
            raise ValueError(f"Patch {seed} was rendered from another deck than this recipe gives. Render it again.")
        full = packed[f"{seed}_full"]
        phone = np.stack([decode(packed[f"{seed}_jpeg{i}"], full[i]) for i in range(len(full))])
        extra = {}
        if f"{seed}_torch" in packed:
            extra["ambient"] = packed[f"{seed}_ambient"].astype(np.float32)
            extra["brightness"] = packed[f"{seed}_torch"].astype(np.float32) + extra["ambient"]
        np.savez_compressed(
            folder / f"{seed:04d}.npz",
            brightness_phone=phone[:-1],
            ambient_phone=phone[-1],
            height_mm=truth.astype(np.float32),
            condition=decks.conditions(deck, x, y),
            lamps_mm=lamps(light),
            x_mm=x,
            y_mm=y,
            params=json.dumps({"seed": seed, **light, "deck": asdict(deck)}),
            **extra,
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    steps = parser.add_subparsers(dest="step", required=True)
    make = steps.add_parser("render")
    make.add_argument("--seeds", default="0:24", help="FIRST:END[:STEP]")
    make.add_argument("--out", type=Path, required=True)
    make.add_argument("--side", type=float, default=48.0, help="mm")
    make.add_argument("--samples", type=int, default=512, help="a pixel")
    make.add_argument("--variant", default="scalar_rgb")
    make.add_argument("--jpeg-only", action="store_true")
    make.add_argument("--limit-s", type=float, default=np.inf, help="write what is done after so many seconds")
    spread = steps.add_parser("unpack")
    spread.add_argument("pack", type=Path)
    spread.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    if options.step == "unpack":
        options.out.mkdir(parents=True, exist_ok=True)
        unpack(np.load(options.pack), options.out)
        return
    mi = render.load_mitsuba(options.variant)
    seeds = list(range(*map(int, options.seeds.split(":"))))
    arrays = pack(
        mi,
        seeds,
        side_mm=options.side,
        samples=options.samples,
        linear=not options.jpeg_only,
        limit_s=options.limit_s,
    )
    np.savez_compressed(options.out, **arrays)


if __name__ == "__main__":
    main()
