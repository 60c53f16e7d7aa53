"""
Makes the sample panels: photos of the decks of an invented boat, and the truth about them.

    python sample_images/make/samples.py [--panel NAME ...] [--variant VARIANT] [--out FOLDER]

Needs mitsuba (pip install .[render]), numpy, scipy, Pillow; reads the card in calibration/. Variants: scalar_rgb,
llvm_ad_rgb (needs libLLVM), cuda_ad_rgb. The scalar one takes an hour or two a photo, a graphics card seconds.
Nothing here comes from texscan.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from dataclasses import asdict, replace
from pathlib import Path

import camera as phone
import decks
import numpy as np
import render
from panel_list import panels
from PIL import Image

HERE = Path(__file__).resolve().parent
TRUTH_STEP_MM = 0.15
QUANTUM_MM = 0.001  # of the truth's 16-bit values
SUN_RADIUS_DEG = 0.267  # the sun's disc is 32 minutes of arc across
SUN_COLOUR = (1.0, 0.97, 0.9)
SKY_COLOUR = (0.93, 1.0, 1.08)
TORCH_EXPOSURE, SUN_EXPOSURE = 3e-6, 2e-9  # EXIF's exposure per gain and radiance: gives the usual times
UPRIGHT_SD_MM = 0.1  # how exactly people fold paper, no source
CONDITIONS = {1: "sound", 2: "worn", 3: "filled"}  # 0: smooth border or fitting
FITTING_REFLECTANCE = 0.3  # weathered metal


def opening(outline):
    """(x0, x1, y0, y1) of the U's opening: between the two corners that turn inward, open at the top."""
    p = np.asarray(outline, float)
    before, after = p - np.roll(p, 1, 0), np.roll(p, -1, 0) - p
    inward = p[before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0] < 0]
    return inward[:, 0].min(), inward[:, 0].max(), inward[:, 1].min(), p[:, 1].max()


def spaced(low, high, edges, steps):
    """Rising coordinates that change their step at the edges: steps[i] between edges[i] and edges[i + 1]."""
    parts = [
        np.arange(a, b - 1e-9, (b - a) / max(1, round((b - a) / s)))
        for a, b, s in zip([low, *edges], [*edges, high], steps, strict=True)
    ]
    return np.unique(np.round(np.concatenate([*parts, [high]]), 5))


def deck_mesh(panel, box, card_outline, detail):
    """Separable grid and heights: fine in the card's opening, coarser around it, far enough for any photo."""
    x0, x1, y0, y1 = box
    low, high = np.min(card_outline, 0), np.max(card_outline, 0)
    steps = np.array([3.0, 0.25, 0.12, 0.06, 0.12, 0.25, 3.0]) * detail
    x, y = (
        spaced(lo - 340, hi + 340, [lo - 160, lo - 60, a - 6, b + 6, max(hi, b + 10) + 60, hi + 160], steps)
        for lo, hi, a, b in ((low[0], high[0], x0, x1), (low[1], high[1], y0, y1))
    )
    y = y[::-1]
    z = decks.height(replace(panel.deck, fitting=None), x, y) + np.float32(decks.levelled_offset(panel.deck, box))
    above = np.argwhere(z > -0.02)
    under_card = inside(card_outline, x[above[:, 1]], y[above[:, 0]])
    z[tuple(above[under_card].T)] = -0.02
    return x, y, z


def inside(polygon, x, y):
    """Even-odd test of points."""
    out = np.zeros(x.shape, bool)
    p = np.asarray(polygon, float)
    for (ax, ay), (bx, by) in zip(p, np.roll(p, -1, 0), strict=True):
        if ay != by:
            out ^= ((ay > y) != (by > y)) & (x < ax + (bx - ax) * (y - ay) / (by - ay))
    return out


def painted(panel, x, y, *, step_mm=0.5):
    """(rows, columns, 3) albedo over the mesh: blotches of dirt, and the worn lane's tint."""
    px, py = np.arange(x[0], x[-1], step_mm)[None, :], np.arange(y[0], y[-1], -step_mm)[:, None]
    rng = np.random.default_rng([panel.seed, 3])
    blotch = np.zeros((py.size, px.size))
    waves, directions, phases = rng.uniform(8, 60, 9), rng.uniform(0, np.pi, 9), rng.uniform(0, 6.28, 9)
    for wave, a, phase in zip(waves, directions, phases, strict=True):
        blotch += np.sin(2 * np.pi / wave * (px * np.cos(a) + py * np.sin(a)) + phase)
    shade = 1 - panel.stain / (1 + np.exp(-1.5 * blotch))
    if panel.deck.wear is not None:
        shade = shade * (1 + (panel.worn_tint - 1) * panel.deck.wear.where.weight(px, py))
    return (shade[..., None] * panel.albedo).astype(np.float32)


def light_of(panel, view, centre):
    """Position (3,) and radius of the lamp [mm]."""
    position = np.array([*centre, 0.0]) + render.lamp_position(view.azimuth_deg, view.elevation_deg, view.distance_mm)
    radius = view.distance_mm * np.tan(np.radians(SUN_RADIUS_DEG)) if panel.sun else panel.lamp_radius_mm
    return position, float(radius)


def photograph(mi, panel, out, card_folder, options):
    """Render every photo of a panel into out/panels/NAME and return what is true of them."""
    card = json.loads((card_folder / "card.json").read_text(encoding="utf-8"))
    box = opening(card["outline"])
    centre = np.array([(box[0] + box[1]) / 2, (box[2] + box[3]) / 2])
    rng = np.random.default_rng([panel.seed, 5])
    stated = np.array([max(v[2] for v in u["vertices"]) for u in card["uprights"]])
    folded = stated + rng.normal(0, UPRIGHT_SD_MM, len(stated))
    x, y, z = deck_mesh(panel, box, card["outline"], options.detail)
    things = render.card_shapes(mi, card_folder, upright_heights=folded)
    things["deck"] = render.deck_shape(mi, x, y, z, painted(panel, x, y), alpha=panel.alpha)
    things |= fitting_shape(mi, panel.deck, box)
    folder = out / "panels" / panel.name
    folder.mkdir(parents=True, exist_ok=True)
    shots = [*panel.views]
    if panel.ambient_photo is not None:
        shots.append(replace(panel.views[-1], file=panel.ambient_photo))
    photos, gain, steady = [], None, None
    for number, view in enumerate(shots):
        pose = pose_for(panel, card["outline"], rng, options.rows)
        if steady is None or panel.ambient_photo is None:
            steady = level_of(panel, view, centre)  # a torch-off photo needs the first photo's sky and exposure
        picture, photo = expose(mi, panel, view, pose, (things, centre, steady, options.samples, number))
        lens = phone.through_lens(pose, picture)
        if gain is None or panel.ambient_photo is None:
            gain = gain_for(panel, lens, pose.project([(a, b, 0) for a in box[:2] for b in box[2:]]))
        pixels = phone.develop(lens, gain, s_curve=panel.s_curve, rng=rng)
        phone.save_jpeg(
            folder / view.file,
            pixels,
            exposure=gain * np.pi / steady * (SUN_EXPOSURE if panel.sun else TORCH_EXPOSURE),
            focal_35mm=pose.focal_35mm,
            when=f"2026:05:16 21:{10 + panel.seed:02d}:{10 + 9 * number:02d}",
            orientation=panel.orientation,
        )
        photos.append(photo)
        print(panel.name, view.file, flush=True)
    return {"photos": photos, "upright_heights_mm": folded.round(3).tolist(), "opening_mm": list(map(float, box))}


def fitting_shape(mi, deck, box):
    """The deck's fitting, if it has one, standing on the floor of the pattern."""
    if deck.fitting is None:
        return {}
    disc, floor = deck.fitting, decks.levelled_offset(deck, box)
    top = floor + disc.height_mm
    shape = render.disc_shape(mi, (disc.x_mm, disc.y_mm), disc.radius_mm, floor, top, reflectance=FITTING_REFLECTANCE)
    return {"fitting": shape}


def gain_for(panel, lens, opening_px):
    """Exposure for the whole picture, or for the deck in the card's opening."""
    return phone.exposure_for_deck(lens, opening_px) if panel.exposed_for_deck else phone.exposure_for(lens)


def pose_for(panel, outline, rng, rows):
    """The next hand-held camera of the panel."""
    return phone.hand_held(
        rng, outline, distance_mm=panel.distance_mm, tilt_deg=panel.tilt_deg, k1=panel.k1, rows=rows
    )


def level_of(panel, view, centre):
    """Irradiance of the view's lamp on the level middle of the patch."""
    return float(render.lamp_irradiance(*light_of(panel, view, centre), *centre))


def expose(mi, panel, view, pose, setting):
    """The pinhole picture, 1 being a white that `steady` lights from the lamp; and the photo's truth."""
    things, centre, steady, samples, number = setting
    position, radius = light_of(panel, view, centre)
    torch_off = view.file == panel.ambient_photo
    sky = steady / np.pi * panel.ambient_share / (1 - panel.ambient_share)
    seed = 100 * panel.seed + 2 * number
    picture = sky * pinhole(mi, things, {"sky": render.sky(SKY_COLOUR)}, pose, samples // 2, seed)
    if not torch_off:
        lit = render.lamp(mi, position, radius, colour=SUN_COLOUR if panel.sun else (1, 1, 1))
        picture = picture + pinhole(mi, things, {"lamp": lit}, pose, samples, seed + 1)
    photo = photo_truth(panel, view, pose, None if torch_off else (position, radius), centre)
    level = level_of(panel, view, centre)
    photo["ambient_share"] = 1.0 if torch_off else np.pi * sky / (np.pi * sky + level)
    return picture / (steady / np.pi), photo


def pinhole(mi, things, light, pose, samples, seed):
    """Radiance through a pinhole, with the margin that the lens needs."""
    columns, rows = pose.margin
    scene = {
        "type": "scene",
        "integrator": render.integrator(),
        "sensor": {
            "type": "perspective",
            "fov": float(np.degrees(2 * np.arctan(columns / 2 / pose.focal_px))),
            "fov_axis": "x",
            "to_world": mi.ScalarTransform4f().look_at(
                origin=list(pose.position), target=list(pose.target), up=list(pose.up)
            ),
            "near_clip": 10.0,
            "far_clip": 5000.0,
            "film": render.film(columns, rows),
            "sampler": {"type": "independent"},
        },
        **things,
        **light,
    }
    return render.picture(mi, mi.load_dict(scene), samples=samples, seed=seed)


def photo_truth(panel, view, pose, lamp, centre):
    """What is true of one photo; angles at the middle of the card's opening on z = 0."""
    out = {
        "file": view.file,
        "camera": {**asdict(pose), "focal_px": pose.focal_px},
        "tone": {"curve": "sRGB", "s_curve": panel.s_curve},
        "exif_orientation": panel.orientation,
    }
    if lamp is not None:
        out |= {
            "azimuth_deg": view.azimuth_deg,
            "elevation_deg": view.elevation_deg,
            "at_mm": centre.tolist(),
            "light_position_mm": None if panel.sun else lamp[0].tolist(),
            "lamp_radius_mm": None if panel.sun else lamp[1],
        }
    return out


def write_truth(panel, out, seen):
    """truth/NAME.png (heights), NAME-zones.png and NAME.json, over the card's opening."""
    x0, x1, y0, y1 = seen["opening_mm"]
    x = np.arange(x0 + TRUTH_STEP_MM / 2, x1, TRUTH_STEP_MM)
    y = np.arange(y1 - TRUTH_STEP_MM / 2, y0, -TRUTH_STEP_MM)
    z = decks.height(panel.deck, x, y) + decks.levelled_offset(panel.deck, (x0, x1, y0, y1))
    zones = decks.conditions(panel.deck, x, y)
    offset = round(float(np.floor(z.min() * 100) / 100), 2)
    folder = out / "truth"
    folder.mkdir(exist_ok=True)
    Image.fromarray(np.round((z - offset) / QUANTUM_MM).astype(np.uint16)).save(folder / f"{panel.name}.png")
    Image.fromarray(zones).save(folder / f"{panel.name}-zones.png")
    truth = {
        "panel": panel.name,
        "invented": True,
        "grid": {
            "x0_mm": round(float(x[0]), 6),
            "y1_mm": round(float(y[0]), 6),
            "step_mm": TRUTH_STEP_MM,
            "rows": len(y),
            "columns": len(x),
        },
        "heights": {"file": f"{panel.name}.png", "offset_mm": offset, "mm_per_count": QUANTUM_MM},
        "zones": {
            "file": f"{panel.name}-zones.png",
            "values": {0: "border or fitting", **CONDITIONS},
            "shares": {name: float((zones[zones > 0] == value).mean()) for value, name in CONDITIONS.items()},
        },
        "deck": asdict(panel.deck),
        "paint": {"pigment_reflectance": panel.albedo, "roughness": panel.alpha, "index": render.PAINT_INDEX},
        **seen,
    }
    (folder / f"{panel.name}.json").write_text(json.dumps(truth, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def write_lists(out, every):
    """panels.toml and registry.txt over what lies in the folder."""
    lines = ["# Sample panels of an invented boat; written by make/samples.py.", ""]
    for panel in every:
        photos = ", ".join(f'"{view.file}"' for view in panel.views)
        lines += ["[[panel]]", f'name = "{panel.name}"', f'title = "{panel.title}"', f'story = "{panel.story}"']
        lines += [f"photos = [{photos}]"]
        if panel.ambient_photo is not None:
            lines += [f'ambient = "{panel.ambient_photo}"']
        lines += [f'existing = "{panel.existing}"', f'planned = "{panel.planned}"']
        lines += [f"printed_bar_mm = {panel.printed_bar_mm}", f'truth = "truth/{panel.name}.json"', ""]
    (out / "panels.toml").write_text("\n".join(lines), encoding="utf-8")
    write_registry(out)


def write_registry(out):
    """registry.txt: name and SHA-256 of every file that a program may fetch."""
    files = [p for kind in ("panels", "truth", "heic") for p in sorted((out / kind).rglob("*")) if p.is_file()]
    rows = [f"{p.relative_to(out).as_posix()} {hashlib.sha256(p.read_bytes()).hexdigest()}" for p in files]
    rows += [f"panels.toml {hashlib.sha256((out / 'panels.toml').read_bytes()).hexdigest()}"]
    (out / "registry.txt").write_text("\n".join(rows) + "\n", encoding="utf-8")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--panel", action="append", help="only this one (may be given again)")
    parser.add_argument("--variant", default="scalar_rgb")
    parser.add_argument("--samples", type=int, default=256, help="a pixel")
    parser.add_argument("--rows", type=int, default=2400, help="of a photo; three quarters as many columns")
    parser.add_argument("--detail", type=float, default=1.0, help="mesh steps times this: 3 for a quick look")
    parser.add_argument("--card", type=Path, default=HERE.parents[1] / "calibration", help="folder with card.json")
    parser.add_argument("--out", type=Path, default=HERE.parent)
    parser.add_argument(
        "--lists-only", action="store_true", help="render nothing, write panels.toml and registry.txt"
    )
    options = parser.parse_args()
    card = json.loads((options.card / "card.json").read_text(encoding="utf-8"))
    every = panels(opening(card["outline"]))
    if options.lists_only:
        write_lists(options.out, every)
        return
    mi = render.load_mitsuba(options.variant)
    for panel in every:
        if options.panel is None or panel.name in options.panel:
            start = time.perf_counter()
            seen = photograph(mi, panel, options.out, options.card, options)
            write_truth(panel, options.out, seen)
            print(f"{panel.name}: {time.perf_counter() - start:.0f} s", flush=True)
    write_lists(options.out, every)


if __name__ == "__main__":
    main()
