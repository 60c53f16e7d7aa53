"""What one light leaves open: is it relief, or is it print, joints or grooves that look like it?"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy import fft

from texscan.deck import coarser
from texscan.errors import ReliefError
from texscan.model import Grid, LitView, Relief
from texscan.relief import arrangement

ALONG_BAND_MM = (0.8, 8.0)  # wavelengths of texture, joints and print
ACROSS_DEG = 20.0
MOST_ACROSS = 0.5  # relief under one light has 0.21 at most on the samples, joints that run along the light 0.96

LEVEL_MM = 4.0  # standard deviation of the window of the paint's level, wider than cells of texture
NOISE_MM = 0.12  # standard deviation of the blur that takes out noise and packing
LONGEST_MM = 4.0  # order is looked for between places no farther apart
LEAST_ORDER = 0.13  # relief has 0.15 and more, prints mostly under 0.1; see calibration/relief/README.md
PRINT = "print-not-excluded"


def across_light_share(view: LitView, grid: Grid) -> float:
    """
    Share of the picture's changes that run across the light, within ACROSS_DEG: 0 to 1.

    Small relief h under one light at azimuth a changes the picture as dh/da does, so a wave across the light leaves
    no trace (Kube and Pentland 1988). What is dark all along the light is print, a joint, or grooves that this light
    cannot tell from print.
    """
    (view,), grid = coarser((view,), grid)
    change = _over_level(view, grid, ALONG_BAND_MM[1] / 2)
    rows, columns = (slice(i.min(), i.max() + 1) for i in np.nonzero(np.isfinite(view.brightness)))
    change = change[rows, columns]
    change = change * np.hanning(change.shape[0])[:, None] * np.hanning(change.shape[1])[None, :]
    energy = np.abs(np.fft.fft2(change)) ** 2
    down, right = (np.fft.fftfreq(n, grid.step_mm) for n in change.shape)
    frequency = np.hypot(right[None, :], down[:, None])
    energy *= (frequency > 1 / ALONG_BAND_MM[1]) & (frequency < 1 / ALONG_BAND_MM[0])
    x, y, _ = view.light.direction / np.hypot(*view.light.direction[:2])
    along = np.abs(right[None, :] * x - down[:, None] * y)  # rows run down, y up
    across = along < np.sin(np.radians(ACROSS_DEG)) * frequency
    return float(energy[across].sum() / max(energy.sum(), 1e-30))


def order(view: LitView, grid: Grid) -> float:
    """
    How far the picture tells a direction from its opposite: 0 for most prints, 0.15 to 1.2 for relief.

    With t the brightness over the paint's level, less one, and s its standard deviation, the greatest of
        |E[t(x)^2 t(x + d)] - E[t(x)^2 t(x - d)]| / (2 s^3)
    over all steps d up to LONGEST_MM. A half turn of the picture changes the sign of the difference. Paint lies on a
    deck without regard to the lamp, and what looks the same after half a turn has none; relief is bright towards the
    lamp and dark behind, in that order. Grain with sharper edges on one side has it too: a high value proves nothing.
    """
    (view,), grid = coarser((view,), grid)
    known = np.isfinite(view.brightness)
    t = cv2.GaussianBlur(_over_level(view, grid, LEVEL_MM), (0, 0), max(NOISE_MM / grid.step_mm, 0.3))
    t = _centred(t, known)
    reach = int(min(LONGEST_MM / grid.step_mm, *(n / 2 for n in t.shape)))
    shape = [fft.next_fast_len(n + reach, real=True) for n in t.shape]
    picture, squared, pixels = (fft.rfft2(a, shape) for a in (t, _centred(t * t, known), known.astype(np.float32)))

    def moved(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Sum of a(x) b(x + d) over the patch, steps d of -reach to reach down and right."""
        sums = fft.irfft2(np.conj(a) * b, shape)
        return np.roll(sums, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]

    mean = moved(squared, picture) / np.maximum(moved(pixels, pixels), 1)
    spread = float(t[known].std())
    return float(np.abs(mean - mean[::-1, ::-1]).max() / (2 * max(spread, 1e-6) ** 3))


def refuse_dark_along_light(views: tuple[LitView, ...], file: str, grid: Grid) -> None:
    """
    Raises
    ------
    ReliefError
        All light comes from one side and a view's picture does not follow it, so no relief can be told from print.
        `file` names the first view's photo.
    """
    if arrangement(views) != "one":
        return
    share = max(across_light_share(view, grid) for view in views)
    if share > MOST_ACROSS:
        raise ReliefError(
            f"What is dark in {file}, lit from one side only, runs along its light ({share:.0%} of it, at most "
            f"{MOST_ACROSS:.0%} is usable): print, joints or grooves cannot be told apart. Take a further photo with "
            "the torch at the opposite side."
        )


def with_print_in_doubt(relief: Relief, views: tuple[LitView, ...], grid: Grid) -> Relief:
    """The relief with the flag `print-not-excluded` where all light came from one side and shows no order."""
    if arrangement(views) != "one" or max(order(view, grid) for view in views) >= LEAST_ORDER:
        return relief
    return replace(relief, flags=(*relief.flags, PRINT))


def _over_level(view: LitView, grid: Grid, window_mm: float) -> np.ndarray:
    """(rows, columns) float32: brightness over its broad level, less one; 0 where nothing is known."""
    known = np.isfinite(view.brightness)
    sigma = window_mm / grid.step_mm
    weight = cv2.GaussianBlur(known.astype(np.float32), (0, 0), sigma)
    level = cv2.GaussianBlur(np.where(known, view.brightness, 0).astype(np.float32), (0, 0), sigma)
    return np.where(known, view.brightness * weight / np.maximum(level, 1e-6) - 1, 0).astype(np.float32)


def _centred(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Values less their mean over what is known, 0 elsewhere."""
    return np.where(known, values - values[known].mean(), 0)
