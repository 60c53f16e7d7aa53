"""
Renders the photos of tests/trust/photos: wrong but plausible scenes, and step standards, beside the scale card.

    python tests/trust/renders.py [--scene NAME ...] [--variant llvm_ad_rgb] [--out FOLDER]

Needs mitsuba (pip install .[render]). Same scene pieces, lens and phone as sample_images/make; nothing comes from
texscan. The decks are those of the sample panels "foredeck-sound" (lozenge) and "bow-grit-sound" (names that begin
with "grit-"), so that their truth holds here too.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "sample_images" / "make"))

import camera as phone  # noqa: E402
import decks  # noqa: E402
import render  # noqa: E402
import samples  # noqa: E402
from panel_list import SUN_DISTANCE_MM, View, panels  # noqa: E402

ROWS = 1500  # of a photo; the samples have 2400
LIFT_MM = 5.0
SKY_SHARE = 0.01  # of the torch's light on a level place
STRIP_WIDTH_MM, STRIP_PITCH_MM, STRIP_LENGTH_MM, STRIPS = 4.0, 10.0, 40.0, 5
STRIP_EDGE_MM = 0.04  # a cut edge of paper card
LEAN_DEG, MOVED_DEG = 9.0, 14.0
SUN_AZIMUTH_DEG, SUN_ELEVATION_DEG = 130.0, 38.0
FOUR = (
    View("a.jpg", 12, 29, 560),
    View("b.jpg", 100, 31, 610),
    View("c.jpg", 195, 27, 540),
    View("d.jpg", 283, 33, 590),
)
TWO, ONE = (FOUR[1], FOUR[3]), (FOUR[1],)
SQUARE, OTHERS, OPPOSITE = (FOUR[0], FOUR[2]), (FOUR[0], FOUR[2], FOUR[3]), (FOUR[3],)
GRIT = "bow-grit-sound"


def _panel(box, name: str = "foredeck-sound"):
    return next(p for p in panels(box) if p.name == name)


FLAT = replace(_panel((0, 1, 0, 1)).deck, height_mm=1e-3)  # only the paint's own waviness is left


@dataclass(frozen=True)
class Scene:
    """What differs from a good set of photos; `second_light` is (azimuth, elevation, share of the torch's light)."""

    name: str
    views: tuple[View, ...] = TWO
    raised_mm: float = 0.0
    curled_mm: float = 0.0
    uprights_out: tuple[str, ...] = ()
    leaning: tuple[tuple[str, float, float], ...] = ()  # upright, degrees towards +x, towards +y
    second_light: tuple[float, float, float] | None = None
    alpha: float = 0.22
    print_only: str | None = None  # "joints" or "lozenge": no relief, only dark lines
    shift_mm: tuple[float, float] = (0.0, 0.0)  # another place of the same mould
    strip_mm: float = 0.0  # a step standard on a flat board, instead of the deck
    deck: str = "foredeck-sound"  # the sample panel whose deck it is
    seed: int = 40
    further: bool = False  # more photos of a scene of the same name and card, from other places


ALL_LEANING = tuple((name, 0.0, 4.0) for name in "ABCDEFG")
MOVED, SUN = (MOVED_DEG, 0.0, 1.0), (SUN_AZIMUTH_DEG, SUN_ELEVATION_DEG, 0.7)
GRIT_ALPHA = 0.26  # the sample panel's own
SCENES = (
    Scene("clean"),
    Scene("other-place", views=(FOUR[2],), shift_mm=(61.3, 37.7), seed=41),
    Scene("flat-card", views=ONE, uprights_out=("A", "B", "C", "D", "E", "F", "G")),
    Scene("fallen-upright", views=ONE, uprights_out=("B",)),
    Scene("leaning-upright", views=ONE, leaning=(("B", LEAN_DEG, 0.0),)),
    Scene("all-leaning", views=ONE, leaning=ALL_LEANING),
    Scene("raised-card", raised_mm=LIFT_MM),
    Scene("curled-card", curled_mm=LIFT_MM),
    Scene("moved-torch", views=ONE, second_light=MOVED),
    Scene("sun-and-torch", views=ONE, second_light=SUN),
    Scene("wet", alpha=0.035),
    Scene("printed-joints", views=ONE, print_only="joints"),
    Scene("printed-lozenge", print_only="lozenge"),
    Scene("step-0.5", views=FOUR, strip_mm=0.5, seed=50),
    Scene("step-1.0", views=(FOUR[0], FOUR[2]), strip_mm=1.0, seed=51),
    Scene("clean", views=SQUARE, further=True),
    Scene("fallen-upright", views=OTHERS, uprights_out=("B",), further=True),
    Scene("leaning-upright", views=OPPOSITE, leaning=(("B", LEAN_DEG, 0.0),), further=True),
    Scene("all-leaning", views=OTHERS, leaning=ALL_LEANING, further=True),
    Scene("moved-torch", views=OTHERS, second_light=MOVED, further=True),
    Scene("sun-and-torch", views=OTHERS, second_light=SUN, further=True),
    Scene("wet", views=SQUARE, alpha=0.035, further=True),
    Scene("grit-clean", deck=GRIT, alpha=GRIT_ALPHA, seed=42),
    Scene("grit-fallen-upright", deck=GRIT, alpha=GRIT_ALPHA, seed=42, uprights_out=("B",)),
    Scene("grit-all-leaning", deck=GRIT, alpha=GRIT_ALPHA, seed=42, leaning=ALL_LEANING),
    Scene("grit-moved-torch", deck=GRIT, alpha=GRIT_ALPHA, seed=42, second_light=MOVED),
    Scene("grit-sun-and-torch", deck=GRIT, alpha=GRIT_ALPHA, seed=42, second_light=SUN),
    Scene("grit-wet", deck=GRIT, alpha=0.035, seed=42),
)


def deck_of(scene: Scene, panel, box, outline, detail: float):
    """x (columns,), y (rows,), heights (rows, columns) [mm] and albedo of what lies under the card."""
    dx, dy = scene.shift_mm
    plain = replace(panel, deck=FLAT) if _is_flat(scene) else panel
    x, y, z = samples.deck_mesh(plain, box, outline, detail)
    if any(scene.shift_mm):
        level = np.float32(decks.levelled_offset(panel.deck, box))
        z = np.minimum(decks.height(panel.deck, x + dx, y + dy) + level, -0.02)
    if scene.strip_mm:
        z = z - np.float32(scene.strip_mm) + strips(scene, box, x, y)
    paint = samples.painted(panel, x, y, step_mm=0.25 if scene.print_only else 0.5)
    if scene.print_only:
        paint = paint * printed(scene.print_only, panel, x, y, paint.shape[:2])[..., None]
    return x, y, z - np.float32(scene.raised_mm), paint


def _is_flat(scene: Scene) -> bool:
    return bool(scene.print_only or scene.strip_mm)


def strips(scene: Scene, box, x, y):
    """Heights of the strips over the board, (rows, columns) [mm]."""
    across = x[None, :] - (box[0] + box[1]) / 2
    along = y[:, None] - (box[2] + box[3]) / 2
    nearest = np.clip(np.rint(across / STRIP_PITCH_MM), -(STRIPS // 2), STRIPS // 2) * STRIP_PITCH_MM
    inside = np.minimum(STRIP_WIDTH_MM / 2 - abs(across - nearest), STRIP_LENGTH_MM / 2 - abs(along))
    return (scene.strip_mm * np.clip(0.5 + inside / STRIP_EDGE_MM, 0, 1)).astype(np.float32)


def printed(kind: str, panel, x, y, shape):
    """What the albedo is multiplied by: dark joints every 45 mm, or the deck's own grooves as dark ink."""
    px, py = np.linspace(x[0], x[-1], shape[1])[None, :], np.linspace(y[0], y[-1], shape[0])[:, None]
    if kind == "joints":
        return np.where(abs((px + 1000) % 45 - 22.5) < 2.5, 0.12, 1.0) + 0 * py
    return 0.25 + 0.75 * decks.height(panel.deck, px[0], py[:, 0]) / panel.deck.height_mm


def card_of(mi, scene: Scene, folder: Path, heights):
    """Card and uprights, with what is wrong about them."""
    things = render.card_shapes(mi, folder, upright_heights=heights)
    card = json.loads((folder / "card.json").read_text(encoding="utf-8"))
    leaning = {name: angles for name, *angles in scene.leaning}
    for i, upright in enumerate(card["uprights"]):
        name, thing = upright["name"], things[f"upright{i}"]
        if name in scene.uprights_out:
            del things[f"upright{i}"]
            continue
        parameters = mi.traverse(thing)
        points = np.array(parameters["vertex_positions"]).reshape(-1, 3)
        if name in leaning:
            points[:, :2] += points[:, 2:] * np.tan(np.radians(leaning[name]))
        if scene.curled_mm:
            points[:, 2] += curl(scene, *points.mean(axis=0)[:2])
        parameters["vertex_positions"] = points.astype(np.float32).ravel()
        parameters.update()
    if scene.curled_mm:
        things["card"] = curled_sheet(mi, scene, card, folder)
    return things


def curl(scene: Scene, x, y):
    """How far the card's left arm rises above the deck [mm]."""
    return np.where(np.asarray(x) < 39.0, scene.curled_mm * np.clip((np.asarray(y) - 95.0) / 120.0, 0, 1) ** 2, 0.0)


def curled_sheet(mi, scene: Scene, card: dict, folder: Path):
    """The U as three rectangles of a fine mesh, its left arm curled up; print as in `render.card_shapes`."""
    art = card["artwork"]
    grey = np.asarray(render.Image.open(folder / art["file"]).convert("RGB"), np.float32) / 255
    paper = card.get("paper_reflectance", render.PAPER_REFLECTANCE)
    linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4) * paper  # IEC 61966-2-1
    points, faces = [], []
    for x0, x1, y0, y1 in ((0, 198, 0, 95), (0, 39, 95, 215), (159, 198, 95, 215)):
        columns, rows = np.linspace(x0, x1, 40), np.linspace(y0, y1, 60)
        x, y = np.meshgrid(columns, rows)
        first = sum(map(len, points)) + (np.arange(59)[:, None] * 40 + np.arange(39)).ravel()
        points.append(np.column_stack([x.ravel(), y.ravel(), curl(scene, x, y).ravel()]))
        faces += [np.stack([first, first + 1, first + 41], 1), np.stack([first, first + 41, first + 40], 1)]
    points = np.concatenate(points)
    uv = np.column_stack(
        [
            (points[:, 0] - art["left"]) * art["px_per_mm"] / linear.shape[1],
            1 - (art["top"] - points[:, 1]) * art["px_per_mm"] / linear.shape[0],
        ]
    )
    face = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": render._texture(mi, linear)}}
    return render._mesh(mi, "card", points, np.concatenate(faces), face, uv=uv)


def second_lamp(scene: Scene, panel, view: View, centre):
    """(position, radius, share) of the other lamp: the moved torch, or a low sun."""
    azimuth, elevation, share = scene.second_light
    if scene.name.endswith("moved-torch"):
        other = replace(view, azimuth_deg=view.azimuth_deg + azimuth)
        return *samples.light_of(panel, other, centre), share
    sun = replace(panel, sun=True)
    other = View("", azimuth, elevation, SUN_DISTANCE_MM)
    return *samples.light_of(sun, other, centre), share


def photograph(mi, scene: Scene, options) -> None:
    """All photos of a scene, into OUT/NAME-a.jpg and so on."""
    folder = ROOT / "calibration"
    card = json.loads((folder / "card.json").read_text(encoding="utf-8"))
    box = samples.opening(card["outline"])
    centre = np.array([(box[0] + box[1]) / 2, (box[2] + box[3]) / 2])
    panel = replace(_panel(box, scene.deck), alpha=scene.alpha, seed=scene.seed)
    rng = np.random.default_rng([scene.seed, 5])
    stated = np.array([max(v[2] for v in u["vertices"]) for u in card["uprights"]])
    things = card_of(mi, scene, folder, stated + rng.normal(0, samples.UPRIGHT_SD_MM, len(stated)))
    if scene.further:
        rng = np.random.default_rng([scene.seed, 6])
    x, y, z, paint = deck_of(scene, panel, box, card["outline"], options.detail)
    things["deck"] = render.deck_shape(mi, x, y, z, paint, alpha=scene.alpha)
    for number, view in enumerate(scene.views):
        pose = samples.pose_for(panel, card["outline"], rng, options.rows)
        file = options.out / f"{scene.name}-{view.file}"
        if file.exists() and not options.again:
            rng.normal(0, 1, (pose.rows, pose.columns, 3))  # its noise: the next photo stays as it would be
            continue
        lamp = samples.light_of(panel, view, centre)
        steady = float(render.lamp_irradiance(*lamp, *centre))
        seed = 1000 * scene.seed + 10 * (number + 2 * scene.further)
        sky = render.sky([c * SKY_SHARE * steady / np.pi for c in samples.SKY_COLOUR])
        lamps = [render.lamp(mi, *lamp)]
        if scene.second_light:
            position, radius, share = second_lamp(scene, panel, view, centre)
            share *= steady / float(render.lamp_irradiance(position, radius, *centre))
            lamps.append(render.lamp(mi, position, radius, colour=(share, share, share)))
        picture = samples.pinhole(mi, things, {"sky": sky}, pose, max(4, options.samples // 2), seed)
        for k, one in enumerate(lamps, 1):  # each by itself: chosen at random among several, they would be noisy
            picture = picture + samples.pinhole(mi, things, {"lamp": one}, pose, options.samples, seed + k)
        lens = phone.through_lens(pose, picture / (steady / np.pi))
        pixels = phone.develop(lens, phone.exposure_for(lens), s_curve=panel.s_curve, rng=rng)
        when = f"2026:05:17 21:1{int(scene.further)}:{10 + 9 * number:02d}"
        phone.save_jpeg(file, pixels, exposure=1e-2, focal_35mm=pose.focal_35mm, when=when)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scene", action="append", help="only this one (may be given again)")
    parser.add_argument("--again", action="store_true", help="also photos that are there")
    parser.add_argument("--variant", default="llvm_ad_rgb")
    parser.add_argument("--samples", type=int, default=64, help="a pixel")
    parser.add_argument("--rows", type=int, default=ROWS)
    parser.add_argument("--detail", type=float, default=1.5, help="mesh steps times this")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "photos")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    mi = render.load_mitsuba(options.variant)
    for scene in SCENES:
        if options.scene is None or scene.name in options.scene:
            start = time.perf_counter()
            photograph(mi, scene, options)
            print(f"{scene.name}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
