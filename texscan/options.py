"""The ways to do the work, side by side, each with what it leaves, what it needs and what speaks against it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypedDict, Unpack

import numpy as np

from texscan.cautions import OF_OPTION
from texscan.coating import Surface, coats_on, forecast_on, surface_of, void_depth_after
from texscan.coats import describe
from texscan.compatibility import AGAINST, OPEN
from texscan.curve import FLOOR_RATIO, TOP_RATIO
from texscan.flatten import cut_mm, fill_mm, local_levels
from texscan.limits import Limits
from texscan.model import COVERAGE_FACTOR, Budget, Coat, Filters, Measured, Recommendation, ZoneMap
from texscan.verdict import RECOAT, RETEXTURE, VOID_RULE, Part

SPRAYED_PEAK_SHARE = (0.5, 0.7, 0.95)  # thinner wet films set before they run; policy, no source
SMALL_SHARE = 0.02  # of the patch: less worn or filled area is the noise of the outlines


@dataclass(frozen=True, slots=True)
class Option:
    """One way to do the work."""

    name: str
    title: str
    offered: bool  # False: shown with what speaks against it
    recommended: bool
    sentence: str
    coats: tuple[Coat, ...] = ()
    void_depth_mm: tuple[float, float, float] | None = None  # low, likely, high when the work is done
    fill_mm: Measured | None = None  # mean depth of filler over the patch [mm] = litres per m2
    cut_mm: Measured | None = None  # mean depth of material to sand away [mm] = litres per m2
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()  # names in cautions.CAUTIONS


@dataclass(frozen=True, slots=True)
class Panel:
    """What the options are worked out on: filtered heights with their settings, zones, coats."""

    height_mm: np.ndarray
    step_mm: float
    filters: Filters
    budget: Budget
    zone_map: ZoneMap
    coats: tuple[Coat, ...]
    deciding: Part | None = None  # whose void depth decides; None = the whole patch
    least_void_mm: float | None = None  # that must remain there; None = the limit without a reference
    surface: Surface | None = None  # of the heights, where it is known already


def options(panel: Panel, recommendation: Recommendation, limits: Limits) -> tuple[Option, ...]:
    """
    Recoat as planned, fewer coats, sprayed, local repair, sand flat and retexture, no work due: always all six, in
    order.

    Parameters
    ----------
    panel : heights (form removed and filtered, NaN = not measured) with settings, zones and the planned coats; and of
        `verdict.void_to_keep` the part that decides, and the void depth that must remain.
    recommendation : of `verdict.decide` on the same patch; exactly its action is `recommended` (none if
    inconclusive).
    limits : for the void depth that has to be left, the share that may be worn, and the gelcoat.
    """
    if panel.surface is None:
        panel = replace(panel, surface=surface_of(panel.height_mm, panel.step_mm))
    refused = _refusals(recommendation)
    least = limits.decision[VOID_RULE].value if panel.least_void_mm is None else panel.least_void_mm
    return (
        _recoat(panel, recommendation),
        _fewer(panel, refused, least),
        _sprayed(panel, refused, least),
        _local_repair(panel, limits),
        _retexture(panel, recommendation, limits),
        _no_work(panel, recommendation),
    )


def _refusals(recommendation: Recommendation) -> tuple[str, ...]:
    """What speaks against any coat on this texture: rules against, save that of the coats; an untold old film."""
    return tuple(
        reading.sentence
        for reading in recommendation.readings
        if (reading.outcome == AGAINST and reading.name != "void depth left")
        or (reading.outcome == OPEN and reading.name == "old coating")
    )


def _void_left(panel: Panel, coats: tuple[Coat, ...]) -> tuple[float, float, float]:
    """Low, likely, high where it decides, as the decision reads it."""
    surface = panel.surface or surface_of(panel.height_mm, panel.step_mm)
    if panel.deciding is None:
        return forecast_on(surface, coats, filters=panel.filters, budget=panel.budget).void_depth_mm[-1]
    left = void_depth_after(panel.deciding.void_depth_mm, coats_on(surface, coats))
    return left.low, left.value, left.high


def _recoat(panel: Panel, recommendation: Recommendation) -> Option:
    name, title = "recoat-as-planned", "Recoat as planned"
    if not panel.coats:
        return _option(name, title, False, "No coats are planned.")
    left = _void_left(panel, panel.coats)
    against = [r.sentence for r in recommendation.readings if r.outcome == AGAINST]
    warnings = tuple(dict.fromkeys((*_refusals(recommendation), *against)))
    return _option(
        name,
        title,
        not warnings,
        f"With {describe(panel.coats)}, {_words(left)} of void depth remain{_where(panel)}.",
        recommended=recommendation.action == RECOAT,
        coats=panel.coats,
        void_depth_mm=left,
        warnings=warnings,
    )


def _fewer(panel: Panel, refused: tuple[str, ...], least_mm: float) -> Option:
    """Topcoats left out from the end, and then primers, until what is left is enough at worst; one coat at least."""
    name, title = "fewer-coats", "Fewer coats"
    if len(panel.coats) < 2:
        return _option(name, title, False, "There is no coat to leave out.")
    for count in range(len(panel.coats) - 1, 0, -1):
        coats = panel.coats[:1] + panel.coats[len(panel.coats) - count + 1 :] if count > 1 else panel.coats[-1:]
        left = _void_left(panel, coats)
        if left[0] >= least_mm:
            break
    enough = left[0] >= least_mm
    sentence = f"With {describe(coats)}, {_words(left)} of void depth remain{_where(panel)}."
    warnings = (
        *refused,
        *(() if enough else (f"Even so less than {least_mm:.2f} mm may remain.",)),
        "Fewer coats cover and last less; the data sheet's least film decides.",
    )
    offered = enough and not refused
    return _option(name, title, offered, sentence, coats=coats, void_depth_mm=left, warnings=warnings)


def sprayed(coats: tuple[Coat, ...]) -> tuple[Coat, ...]:
    """The same films with the peak share of a spray coat, where that is higher."""
    return tuple(replace(coat, peak_share=_at_least_sprayed(coat.peak_share), flow=None) for coat in coats)


def _at_least_sprayed(peak_share: tuple[float, float, float]) -> tuple[float, float, float]:
    low, likely, high = (max(pair) for pair in zip(peak_share, SPRAYED_PEAK_SHARE, strict=True))
    return low, likely, high


def _sprayed(panel: Panel, refused: tuple[str, ...], least_mm: float) -> Option:
    """The same dry films with the peak share of a spray coat, where that is higher."""
    name, title = "sprayed", "Sprayed instead of rolled"
    if not panel.coats:
        return _option(name, title, False, "No coats are planned.")
    coats = sprayed(panel.coats)
    left = _void_left(panel, coats)
    enough = left[0] >= least_mm
    sentence = f"With the same films sprayed, {_words(left)} of void depth remain{_where(panel)}."
    warnings = (
        *refused,
        *(() if enough else (f"Even so less than {least_mm:.2f} mm may remain.",)),
        "That a sprayed film stays on the peaks is a policy figure, not measured: try a test patch.",
    )
    return _option(name, title, enough and not refused, sentence, coats=coats, void_depth_mm=left, warnings=warnings)


def _local_repair(panel: Panel, limits: Limits) -> Option:
    name, title = "local-repair", "Repair the worn or filled part"
    shares = panel.zone_map.shares
    bad = shares.get("worn", 0.0) + shares.get("filled", 0.0)
    most = limits.decision["worn_or_filled_share"].value
    if bad < SMALL_SHARE:
        return _option(name, title, False, "No part of the patch is worn or filled.")
    sentence = f"{100 * bad:.0f} % of the patch is worn or filled; give that part a new texture and leave the rest."
    warnings = (
        *(() if bad <= most else (f"More than {100 * most:.0f} %: a new texture all over costs about the same.",)),
        "The repair has to match the old pattern; a mould taken from a painted pattern does not fit it.",
    )
    return _option(name, title, bad <= most, sentence, warnings=warnings)


def _retexture(panel: Panel, recommendation: Recommendation, limits: Limits) -> Option:
    """Filler up to the local top plane, and the cut down to the local floor that would spare the filler."""
    height = np.asarray(panel.height_mm)
    top, floor = local_levels(height, panel.step_mm, (TOP_RATIO, FLOOR_RATIO))
    fill, cut = (_with_gain(v, panel.budget) for v in (fill_mm(height, top), cut_mm(height, floor)))
    depth = float(np.mean((top - floor)[np.isfinite(height)], dtype=float))
    thin, thick = (limits.practice[key].value for key in ("gelcoat_thin_mm", "gelcoat_thick_mm"))
    warnings: tuple[str, ...] = ()
    if depth * (1 + COVERAGE_FACTOR * panel.budget.gain_u) >= thin:
        warnings = (
            f"Sanding down to the floors takes {depth:.2f} mm; a gelcoat is {thin:g} to {thick:g} mm thick and "
            "thinner at moulded detail. Fill, do not cut through.",
        )
    sentence = (
        f"Fill to the peaks: {_range(fill)} L of filler per m2, waste not counted; or sand to the floors: "
        f"{_range(cut)} L of dust per m2."
    )
    return _option(
        "sand-flat-and-retexture",
        "Sand flat and retexture",
        True,
        sentence,
        recommended=recommendation.action == RETEXTURE,
        fill_mm=fill,
        cut_mm=cut,
        warnings=warnings,
    )


def _no_work(panel: Panel, recommendation: Recommendation) -> Option:
    shares = panel.zone_map.shares
    bad = shares.get("worn", 0.0) + shares.get("filled", 0.0)
    sound = recommendation.action == RECOAT and bad < SMALL_SHARE
    sentence = (
        "The texture is sound; if the paint is sound too, no work is due for the texture's sake."
        if sound
        else "The texture alone gives reason for work, or leaves the question open."
    )
    return _option("no-work-due", "No work due", sound, sentence)


class _More(TypedDict, total=False):
    """What only some options have, as in `Option`."""

    coats: tuple[Coat, ...]
    void_depth_mm: tuple[float, float, float]
    fill_mm: Measured
    cut_mm: Measured
    warnings: tuple[str, ...]


def _option(
    name: str, title: str, offered: bool, sentence: str, *, recommended: bool = False, **more: Unpack[_More]
) -> Option:
    return Option(name, title, offered, recommended, sentence, cautions=OF_OPTION[name], **more)


def _with_gain(value: float, budget: Budget) -> Measured:
    return Measured.from_u(value, value * budget.gain_u, at_least=0.0)


def _range(reading: Measured) -> str:
    low, high = f"{reading.low:.2f}", f"{reading.high:.2f}"
    return high if low == high else f"{low} to {high}"


def _where(panel: Panel) -> str:
    return "" if panel.deciding is None else f" {panel.deciding.words}"


def _words(left: tuple[float, float, float]) -> str:
    return f"{left[0]:.2f} to {left[2]:.2f} mm"
