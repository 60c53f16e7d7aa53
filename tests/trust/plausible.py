"""
Wrong but plausible photos: what comes out of each, against the truth.

    python tests/trust/plausible.py [--case NAME ...] [--markdown]

The dangerous kind of input is one from which a number comes out. Each case is a set of photos with one thing wrong:
rendered so (tests/trust/renders.py, tests/trust/photos) or a good photo edited. It passes when it is refused,
or when the intervals of Sq, relief, void depth and contact area hold the truth, with or without a flag. Truth: the
heights that the renderer was given (sample_images/truth), under the same filters; on a deck that is flagged as nearly
smooth, lengths may be wrong by 0.03 mm.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # set before numpy is loaded

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import renders  # noqa: E402
import truth  # noqa: E402

from texscan import files  # noqa: E402
from texscan.errors import InputError  # noqa: E402
from texscan.filters import filtered  # noqa: E402
from texscan.inputs import read_settings  # noqa: E402
from texscan.model import Measured, Photo  # noqa: E402
from texscan.score import Score, score_photos  # noqa: E402
from texscan.texture import figures  # noqa: E402

LOZENGE, GRIT = "foredeck-sound", "bow-grit-sound"  # the sample panels whose decks the rendered scenes show
JUDGED = ("Sq_mm", "relief_mm", "void_depth_mm", "contact_area_fraction")
EVERYDAY = {"not-verified", "coating-not-stated", "one-view", "card-clipped"}  # flags that the good photos carry too
SMOOTH_MM = 0.03  # a deck flagged as nearly smooth may be wrong by this
ROOT = HERE.parents[1]
SHRUNK = 0.97


@dataclass(frozen=True)
class Case:
    """A set of photos with one thing wrong; `true_heights(x, y)` is the deck's height on a grid, in its own mm."""

    name: str
    photos: Callable[[], tuple[Photo, ...]]
    printed_bar_mm: float | None = 100.0
    scale: float = 1.0  # true lengths over those of the scene that was rendered
    is_flat: bool = False  # no relief at all
    deck: str = LOZENGE


def rendered(*names: str) -> tuple[Photo, ...]:
    return tuple(files.load_photo(HERE / "photos" / f"{name}.jpg") for name in names)


def taken(scene: str, views: str = "bd") -> tuple[Photo, ...]:
    """Photos of a rendered scene: b and d have opposed lights, a to d four sides."""
    return rendered(*(f"{scene}-{view}" for view in views))


def clean() -> tuple[Photo, ...]:
    return taken("clean")


def edited(edit: Callable[[np.ndarray], np.ndarray], photos: tuple[Photo, ...] | None = None) -> tuple[Photo, ...]:
    """The good photos with their linear light (rows, columns, 3) changed, and packed as JPEG once more."""
    return tuple(_repacked(photo, _code(edit(_light(photo.pixels)))) for photo in photos or clean())


def edited_last(edit: Callable[[np.ndarray], np.ndarray], views: str) -> tuple[Photo, ...]:
    """Good photos of which only the last one is changed."""
    return (*taken("clean", views[:-1]), *edited(edit, taken("clean", views[-1])))


def _light(pixels: np.ndarray) -> np.ndarray:
    v = pixels / np.float32(255)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)  # IEC 61966-2-1


def _code(light: np.ndarray) -> np.ndarray:
    light = np.clip(light, 0, 1)
    v = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(v * 255).astype(np.uint8)


def _repacked(photo: Photo, pixels: np.ndarray, quality: int = 90) -> Photo:
    _, packed = cv2.imencode(".jpg", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality])
    pixels = np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1])
    return replace(photo, pixels=pixels)


def mirrored(light: np.ndarray) -> np.ndarray:
    return light[:, ::-1]


def on_a_screen() -> tuple[Photo, ...]:
    """A screenshot: the photo shrunk to 1080 columns between black bars with a light status line, no EXIF."""

    def shot(photo: Photo) -> Photo:
        rows, columns = photo.pixels.shape[:2]
        small = cv2.resize(photo.pixels, (1080, round(1080 * rows / columns)), interpolation=cv2.INTER_AREA)
        bar = np.zeros((300, 1080, 3), np.uint8)
        bar[20:60, 40:300] = 230
        page = np.concatenate([bar, small, bar])
        return replace(_repacked(photo, page, 85), focal_35mm=None, exposure=None, taken_s=None)

    return tuple(map(shot, clean()))


def tone_by_region(share: float, detail: float) -> Callable[[np.ndarray], np.ndarray]:
    """A local tone map: broad light and dark to the power `share`, what is finer to the power `detail`."""

    def edit(light: np.ndarray) -> np.ndarray:
        level = np.log(light.mean(axis=2) + 1e-4)
        broad = cv2.GaussianBlur(level, (0, 0), 0.03 * max(level.shape))
        mapped = share * broad + (1 - share) * np.median(broad) + detail * (level - broad)
        return light * np.exp(mapped - level)[..., None]

    return edit


def shadow_of_a_person(light: np.ndarray) -> np.ndarray:
    """A soft shadow over the left half, card and deck: a fifth of the light is left."""
    rows, columns = light.shape[:2]
    x = np.arange(columns)[None, :] + 0.15 * (np.arange(rows)[:, None] - rows / 2)
    t = np.clip((x - 0.45 * columns) / (0.06 * columns) + 0.5, 0, 1)
    return light * (0.2 + 0.8 * t * t * (3 - 2 * t))[..., None].astype(np.float32)


def shadow_on_the_deck(light: np.ndarray) -> np.ndarray:
    """The same on deck alone: a leg or a strap between the card's arms, 35 mm wide."""
    rows, columns = light.shape[:2]
    x = np.arange(columns)[None, :]
    y = np.arange(rows)[:, None]
    along = np.clip((0.45 * rows - y) / (0.02 * rows), 0, 1)
    t = np.clip((0.09 * columns - abs(x - 0.5 * columns)) / (0.02 * columns), 0, 1) * along
    return light * (1 - 0.75 * t)[..., None].astype(np.float32)


def smeared(light: np.ndarray) -> np.ndarray:
    """A greasy lens: a third of the light spread over 4 % of the picture, some of it far, and a streak."""
    side = max(light.shape)
    near, far = (cv2.GaussianBlur(light, (0, 0), share * side) for share in (0.004, 0.04))
    streak = cv2.GaussianBlur(light, (0, 0), sigmaX=0.03 * side, sigmaY=0.002 * side)
    return 0.62 * light + 0.15 * near + 0.13 * far + 0.10 * streak


def same_light_twice(photos: tuple[Photo, ...] | None = None) -> tuple[Photo, ...]:
    """One photo, and it again as if from another hand: turned, moved, packed anew."""
    photo = (photos or clean())[0]
    rows, columns = photo.pixels.shape[:2]
    turn = cv2.getRotationMatrix2D((columns / 2, rows / 2), 1.5, 0.98)
    moved = cv2.warpAffine(photo.pixels, turn, (columns, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return photo, replace(_repacked(photo, moved), file="again.jpg")


def another_panel() -> tuple[Photo, ...]:
    return clean()[0], files.load_photo(ROOT / "sample_images" / "panels" / "side-deck-worn-lane" / "c.jpg")


def in_sets(what: str, scene: str) -> tuple[Case, ...]:
    """A rendered fault in every photo of sets of two and four, and in a set of two of the other deck."""
    return (
        Case(f"{what}, two photos", lambda: taken(scene)),
        Case(f"{what}, four photos", lambda: taken(scene, "abcd")),
        Case(f"{what}, grit, two photos", lambda: taken(f"grit-{scene}"), deck=GRIT),
    )


def edits_in_sets(what: str, edit: Callable[[np.ndarray], np.ndarray]) -> tuple[Case, ...]:
    """An edit of every photo: of one, of four, and of two of the other deck."""
    return (
        Case(f"{what}, one photo", lambda: edited(edit, taken("clean", "b"))),
        Case(f"{what}, four photos", lambda: edited(edit, taken("clean", "abcd"))),
        Case(f"{what}, grit, two photos", lambda: edited(edit, taken("grit-clean")), deck=GRIT),
    )


MORE_PHOTOS = (
    Case("good photos, one", lambda: taken("clean", "b")),
    Case("good photos, four", lambda: taken("clean", "abcd")),
    Case("good photos, grit, two", lambda: taken("grit-clean"), deck=GRIT),
    *in_sets("an upright fallen", "fallen-upright"),
    Case(
        "an upright fallen before the last of two photos",
        lambda: (*taken("clean", "b"), *taken("fallen-upright", "d")),
    ),
    Case("an upright leaning by 9 degrees, two photos", lambda: taken("leaning-upright")),
    *in_sets("all uprights leaning by 4 degrees", "all-leaning"),
    *in_sets("torch moved by 14 degrees in each exposure", "moved-torch"),
    Case("torch moved in one of two photos", lambda: (*taken("clean", "b"), *taken("moved-torch", "d"))),
    Case("torch moved in one of four photos", lambda: (*taken("clean", "abc"), *taken("moved-torch", "d"))),
    *in_sets("sun and torch", "sun-and-torch"),
    Case("sun in one of two photos", lambda: (*taken("clean", "b"), *taken("sun-and-torch", "d"))),
    Case("sun in one of four photos", lambda: (*taken("clean", "abc"), *taken("sun-and-torch", "d"))),
    Case("wet deck, one photo", lambda: taken("wet", "b")),
    Case("wet deck, four photos", lambda: taken("wet", "abcd")),
    Case("wet deck, grit, two photos", lambda: taken("grit-wet"), deck=GRIT),
    Case("one of four photos mirrored", lambda: edited_last(mirrored, "abcd")),
    Case("mirrored photos, grit", lambda: edited(mirrored, taken("grit-clean")), deck=GRIT),
    *edits_in_sets("tone mapped by region, weak", tone_by_region(0.7, 1.0)),
    *edits_in_sets("tone mapped by region, strong, detail raised", tone_by_region(0.5, 1.35)),
    *edits_in_sets("detail lowered by the phone", tone_by_region(1.0, 0.7)),
    *edits_in_sets("lens smeared", smeared),
    Case("lens smeared in one of two photos", lambda: edited_last(smeared, "bd")),
    *edits_in_sets("a person's shadow over half of it", shadow_of_a_person),
    Case("a shadow on the deck in one of four photos", lambda: edited_last(shadow_on_the_deck, "abcd")),
    Case(
        "two photos with the same light, printed",
        lambda: same_light_twice(rendered("printed-lozenge-b")),
        is_flat=True,
    ),
)

CASES = (
    Case("good photos", clean),
    Case("card printed at 97 %, bar not measured", clean, printed_bar_mm=None, scale=SHRUNK),
    Case("card printed at 97 %, bar measured", clean, printed_bar_mm=100 * SHRUNK, scale=SHRUNK),
    Case("uprights not folded", lambda: rendered("flat-card-b")),
    Case("an upright fallen", lambda: rendered("fallen-upright-b")),
    Case("an upright leaning by 9 degrees", lambda: rendered("leaning-upright-b")),
    Case("all uprights leaning by 4 degrees", lambda: rendered("all-leaning-b")),
    Case("card 5 mm above the deck", lambda: rendered("raised-card-b", "raised-card-d")),
    Case("an arm of the card curled up by 5 mm", lambda: rendered("curled-card-b", "curled-card-d")),
    Case("torch moved by 14 degrees in an exposure", lambda: rendered("moved-torch-b")),
    Case("sun and torch", lambda: rendered("sun-and-torch-b")),
    Case("two panels in one set", another_panel),
    Case("two places of one mould in one set", lambda: (*clean(), *rendered("other-place-c"))),
    Case("two photos with the same light", same_light_twice),
    Case("mirrored photos", lambda: edited(mirrored)),
    Case("one of two photos mirrored", lambda: (clean()[0], edited(mirrored)[1])),
    Case("screenshots of the photos", on_a_screen),
    Case("tone mapped by region, weak", lambda: edited(tone_by_region(0.7, 1.0))),
    Case("tone mapped by region, strong, detail raised", lambda: edited(tone_by_region(0.5, 1.35))),
    Case("detail lowered by the phone", lambda: edited(tone_by_region(1.0, 0.7))),
    Case("a person's shadow over half of it", lambda: edited(shadow_of_a_person)),
    Case("a shadow on the deck alone", lambda: edited(shadow_on_the_deck)),
    Case("a shadow on the deck in one of two photos", lambda: (clean()[0], edited(shadow_on_the_deck)[1])),
    Case("a shadow on the deck in the only photo", lambda: edited(shadow_on_the_deck)[:1]),
    Case("wet deck", lambda: rendered("wet-b", "wet-d")),
    Case("lens smeared", lambda: edited(smeared)),
    Case("dark joints, no relief", lambda: rendered("printed-joints-b"), is_flat=True),
    Case("pattern printed, no relief, one photo", lambda: rendered("printed-lozenge-b"), is_flat=True),
    Case(
        "pattern printed, no relief, two photos",
        lambda: rendered("printed-lozenge-b", "printed-lozenge-d"),
        is_flat=True,
    ),
    *MORE_PHOTOS,
)


def true_figures(case: Case, score: Score) -> dict[str, float]:
    """The figures of the true heights where the score has heights, under the same filters."""
    grid = score.grid
    known = truth.read(case.deck, grid.x_mm / case.scale, grid.y_mm / case.scale).height_mm * case.scale
    if case.is_flat:
        known = renders.decks.height(renders.FLAT, grid.x_mm, grid.y_mm)
    both = np.isfinite(score.relief.height_mm) & np.isfinite(known)
    z = filtered(np.where(both, known, np.nan), grid.step_mm, score.settings.filters)
    return figures(z, grid.step_mm, score.settings.filters)


def outcome(case: Case) -> tuple[str, bool]:
    """What came out, in words, and whether that is well."""
    photos = case.photos()  # a photo that is missing here is no refusal
    try:
        score = score_photos(photos, read_settings(printed_bar_mm=case.printed_bar_mm))
    except InputError as error:
        return f"refused: {error}", True
    true = true_figures(case, score)
    slack = SMOOTH_MM if "nearly-smooth" in score.flags else 0.0
    held = {key: _holds(score.figures[key], true[key], slack if key.endswith("_mm") else 0.0) for key in JUDGED}
    relief = score.figures["relief_mm"]
    flags = ", ".join(flag for flag in score.flags if flag not in EVERYDAY) or "none"
    left_out = "".join(f" Left out {file}: {reason}" for file, reason in score.refused)
    missed = [key for key, good in held.items() if not good]
    words = f"relief {relief.value:.2f} ({relief.low:.2f} to {relief.high:.2f}), true {true['relief_mm']:.2f} mm"
    words += f"; not held: {', '.join(missed)}" if missed else ""
    return f"{words}; flags: {flags}.{left_out}", not missed


def _holds(found: Measured, true: float, slack: float) -> bool:
    return found.low - slack <= true <= found.high + slack


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--case", action="append", help="only cases whose name holds this (may be given again)")
    parser.add_argument("--markdown", action="store_true", help="print the table for DEVELOPERS.md")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    bad = 0
    for case in CASES:
        if options.case and not any(part in case.name for part in options.case):
            continue
        start = time.perf_counter()
        words, is_well = outcome(case)
        bad += not is_well
        verdict = "ok" if is_well else "NOT"
        if options.markdown:
            print(f"| {case.name} | {words} | {verdict} |", flush=True)
        else:
            print(f"{verdict:3} {case.name} ({time.perf_counter() - start:.0f} s)\n    {words}", flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
