"""A height standard from its photos to its record: verify.json (schema texscan.verify/1), height map and picture."""

from __future__ import annotations

import datetime
from dataclasses import asdict, dataclass, replace

import numpy as np

from texscan import __version__, files
from texscan.errors import SettingsError
from texscan.mapping import Mapped, map_heights
from texscan.model import FLAGS, Measured, Photo
from texscan.score_settings import Settings
from texscan.standard import KNOWN_RANGE_MM, SCHEMA, Step, day_of, marked, measure_step, over_known

LARGEST_KNOWN_U = 0.1  # of the thickness: a standard that is known worse checks nothing; policy


@dataclass(frozen=True, slots=True)
class Verified:
    """A standard as it was measured."""

    mapped: Mapped
    step: Step
    known_mm: Measured
    measured_mm: Measured
    ratio: Measured
    day: datetime.date
    flags: tuple[str, ...]


def check_known(known_mm: float, known_u_mm: float) -> None:
    """
    Raises
    ------
    SettingsError
        A thickness that the method cannot check, or that is not known well enough.
    """
    low, high = KNOWN_RANGE_MM
    if not low <= known_mm <= high:
        raise SettingsError(
            f"--known-mm is {known_mm:g}; strips between {low:g} and {high:g} mm can be checked. Use more or fewer "
            "layers."
        )
    if not 0 <= known_u_mm <= LARGEST_KNOWN_U * known_mm:
        raise SettingsError(
            f"--known-u-mm is {known_u_mm:g}; at most a tenth of the thickness, {LARGEST_KNOWN_U * known_mm:g}, is "
            "needed. Measure the strips with a calliper."
        )


def verify_photos(
    photos: tuple[Photo, ...],
    settings: Settings,
    *,
    known: tuple[float, float],
    box_mm: tuple[float, float, float, float] | None = None,
    torch_off: Photo | None = None,
) -> Verified:
    """
    Measure a standard.

    Parameters
    ----------
    known : thickness of its strips and the standard uncertainty of that [mm]

    Raises
    ------
    InputError
        As `map_heights` and `measure_step`.
    """
    known_mm, known_u_mm = known
    whole = np.zeros(photos[0].pixels.shape[:2], bool)  # a flat board is no smooth border: nothing is left out
    mapped = map_heights(photos, replace(settings, mask=whole), torch_off=torch_off)
    step = measure_step(mapped.relief.height_mm, mapped.grid, box_mm=box_mm)
    measured_mm, ratio = over_known(step, known_mm, known_u_mm=known_u_mm, gain_u=mapped.budget.gain_u)
    flags = [*mapped.flags, *(f for view in mapped.views for f in view.flags), *mapped.relief.flags]
    day = day_of(tuple(photo.taken_s for photo in mapped.photos))
    known_figure = Measured.from_u(known_mm, known_u_mm, at_least=0.0)
    return Verified(mapped, step, known_figure, measured_mm, ratio, day, tuple(dict.fromkeys(flags)))


def verification_files(done: Verified) -> dict[str, bytes]:
    """The files of a result, by name."""
    mapped = done.mapped
    return {
        "verify.json": files.json_bytes(_as_dict(done)),
        "relief.tif": files.tiff_bytes(mapped.relief.height_mm, mapped.grid.step_mm),
        "verify.jpg": files.jpeg_bytes(marked(mapped.picture, mapped.grid, done.step)),
    }


def _as_dict(done: Verified) -> dict:
    grid = done.mapped.grid
    return {
        "schema": SCHEMA,
        "texscan_version": __version__,
        "day": done.day.isoformat(),
        "known_mm": done.known_mm,
        "measured_mm": done.measured_mm,
        "measured_over_known": done.ratio,
        "strips": [{"corners_mm": strip.corners_mm, "step_mm": strip.step_mm} for strip in done.step.strips],
        "views": [
            {
                "file": photo.file,
                "sha256": photo.sha256,
                "azimuth_deg": ready.view.light.azimuth_deg,
                "elevation_deg": ready.view.light.elevation_deg,
            }
            for photo, ready in zip(done.mapped.photos, done.mapped.views, strict=True)
        ],
        "grid": asdict(grid),
        "budget": {
            "terms": [{"name": term.name, "relative_u": term.relative_u} for term in done.mapped.budget.terms],
            "strips_u_mm": done.step.u_mm,
        },
        "flags": list(done.flags),
    }


def words(done: Verified) -> list[str]:
    """The lines that the command prints."""
    ratio, measured = done.ratio, done.measured_mm
    holds = ratio.low <= 1 <= ratio.high
    verdict = (
        "The interval holds the known height."
        if holds
        else "The known height lies outside the interval: check the card's printed bar, the uprights' heights and "
        "the torch before you trust a height."
    )
    return [
        f"Standard of {done.known_mm.value:g} mm, {len(done.step.strips)} strips, {done.day.isoformat()}",
        f"  measured {measured.value:.3f} mm ({measured.low:.3f} to {measured.high:.3f})",
        f"  measured over known {ratio.value:.3f} ({ratio.low:.3f} to {ratio.high:.3f})",
        f"  {verdict}",
        *(f"  Note: {FLAGS[flag]}" for flag in done.flags),
    ]
