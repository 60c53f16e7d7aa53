"""What the patches of a panel say together: figures by area, the decision of the worst patch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from texscan.model import CONDITION_NAMES, COVERAGE_FACTOR, Measured, measured
from texscan.survey.records import SurveyPanel

FIGURES = ("Sq_mm", "relief_mm", "void_depth_mm", "contact_area_fraction")
MOST = {"contact_area_fraction": 1.0}  # the others have no upper bound
WORST_FIRST = ("sand-flat-and-retexture", "inconclusive", "recoat")
ACTION_IN_WORDS = {
    "sand-flat-and-retexture": "sand flat and retexture",
    "inconclusive": "inconclusive",
    "recoat": "recoat",
}
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class PatchOutcome:
    """One scored patch."""

    name: str  # "" where the panel has one patch only
    folder: str  # of its result, relative to OUT, with "/"
    score: dict  # its score.json


@dataclass(frozen=True, slots=True)
class PanelOutcome:
    """One panel: figures area-weighted over its patches, the decision of the worst patch."""

    name: str
    patches: tuple[PatchOutcome, ...]
    deciding: PatchOutcome  # the worst patch
    figures: dict[str, Measured | None]  # Sq_mm, relief_mm, void_depth_mm, contact_area_fraction
    shares: dict[str, float]  # sound, worn, filled
    action: str  # "recoat", "sand-flat-and-retexture", "inconclusive"
    reasons: tuple[str, ...]
    would_change_it: tuple[str, ...]
    flags: tuple[str, ...]  # of all patches, and "one-patch-only"
    repair_first: tuple[str, ...] = ()  # soft spots, cracks, failed adhesion: in words
    cautions: tuple[str, ...] = ()  # that this panel's own tests call for: lead found


def panel_outcome(name: str, patches: tuple[PatchOutcome, ...], panel: SurveyPanel | None) -> PanelOutcome:
    """
    One panel from its scored patches.

    Parameters
    ----------
    patches : one or more; their scores as `survey.results` checked them.
    panel : what the survey says of it; None = no survey.

    Notes
    -----
    The worst patch decides: retexture before inconclusive before recoat; among equals the one with less of
    it sound.
    A figure that is null in a patch stays out there, with a flag.
    """
    weights, flags = patch_weights(patches, panel)
    figures = {}
    for key in FIGURES:
        values = [measured(patch.score["texture"].get(key)) for patch in patches]
        figures[key] = combined(values, weights, at_most=MOST.get(key, math.inf))
        if None in values and any(values):
            flags.append("figure-left-out")
    deciding = min(patches, key=lambda patch: (WORST_FIRST.index(_action(patch)), _share(patch, "sound")))
    own = [flag for patch in patches for flag in patch.score["flags"]]
    return PanelOutcome(
        name=name,
        patches=patches,
        deciding=deciding,
        figures=figures,
        shares={key: float(np.dot(weights, [_share(p, key) for p in patches])) for key in CONDITION_NAMES.values()},
        action=_action(deciding),
        reasons=_reasons(patches, deciding),
        would_change_it=tuple(deciding.score["recommendation"]["would_change_it"]),
        flags=tuple(dict.fromkeys([*own, *flags])),
        repair_first=_repair_first(panel),
        cautions=_cautions(panel),
    )


def combined(values: list[Measured | None], weights: np.ndarray, *, at_most: float = math.inf) -> Measured | None:
    """
    The mean of a figure over a panel, with the scatter between its patches in the interval.

    Parameters
    ----------
    values : one a patch; None = not defined there, left out.
    weights : (patches,) shares of the panel's area.

    Returns
    -------
    None where no patch has the figure; the patch's own interval where one has it.

    Notes
    -----
    The patches are taken as draws from the panel: scatter s^2 = sum w (x - mean)^2 / (1 - sum w^2) (for equal weights
    JCGM 100, 4.2.2), standard error s sqrt(sum w^2), times Student's t for n - 1 degrees of freedom (G.3.2).
    The measurement part is taken as common to all patches (one card, one printer, one way of working): sum w u, the
    most it can be (JCGM 100, 5.2.2). Both expanded parts are added in quadrature, which holds 95 % where one factor
    from effective degrees of freedom falls short for two or three patches (see Decisions in DEVELOPERS.md).
    A surveyor picks worst and sheltered patches on purpose, so the scatter is rather too wide than too narrow.
    """
    there = [(value, weight) for value, weight in zip(values, weights, strict=True) if value is not None]
    if not there:
        return None
    if len(there) == 1:
        return there[0][0]
    x = np.array([value.value for value, _ in there])
    u = np.array([value.u for value, _ in there])
    w = np.array([weight for _, weight in there])
    w = w / w.sum()
    mean = float(w @ x)
    effective = float((w**2).sum())
    between = math.sqrt(float(w @ (x - mean) ** 2) / (1 - effective) * effective)
    half = math.hypot(student_factor(len(x) - 1) * between, COVERAGE_FACTOR * float(w @ u))
    return Measured(mean, max(mean - half, 0.0), min(mean + half, at_most))


def student_factor(degrees_of_freedom: int) -> float:
    """Two-sided 95 % point of Student's t (JCGM 100, table G.2)."""
    return float(stdtrit(degrees_of_freedom, (1 + COVERAGE) / 2))


def patch_weights(patches: tuple[PatchOutcome, ...], panel: SurveyPanel | None) -> tuple[np.ndarray, list[str]]:
    """Shares of the area that sum to 1, and what weakens them."""
    named = {patch.name: patch.share_of_area for patch in panel.sets} if panel else {}
    flags = ["one-patch-only"] if len(patches) == 1 else []
    if set(named) - {patch.name for patch in patches} and len(named) > 1:
        flags.append("patch-not-scored")
    shares = [named.get(patch.name) for patch in patches]
    if None in shares:
        if any(share is not None for share in named.values()):
            flags.append("shares-not-used")
        return np.full(len(patches), 1 / len(patches)), flags
    stated = np.array(shares, dtype=float)
    return stated / stated.sum(), flags


def _action(patch: PatchOutcome) -> str:
    return patch.score["recommendation"]["action"]


def _share(patch: PatchOutcome, condition: str) -> float:
    return float(patch.score["shares"].get(condition, 0.0))


def _reasons(patches: tuple[PatchOutcome, ...], deciding: PatchOutcome) -> tuple[str, ...]:
    """The deciding patch's reasons, and what the others say, each with the patch's name where there are several."""
    own = deciding.score["recommendation"]["reasons"]
    if len(patches) == 1:
        return tuple(own)
    others = [f"Patch {patch.name}: {ACTION_IN_WORDS[_action(patch)]}." for patch in patches if patch is not deciding]
    return (*(f"Patch {deciding.name}: {reason}" for reason in own), *others)


def _repair_first(panel: SurveyPanel | None) -> tuple[str, ...]:
    if panel is None:
        return ()
    found = []
    if panel.soft_spots:
        found.append(f"Soft spots: {panel.soft_spots}. Find out how far the core is wet and mend it first.")
    if panel.cracks:
        found.append(f"Cracks: {panel.cracks}. Find the cause and mend them first.")
    if panel.adhesion and panel.adhesion.outcome == "fails":
        found.append(
            f"The adhesion test failed ({panel.adhesion.method}): the old film does not hold and comes off first."
        )
    return tuple(found)


def _cautions(panel: SurveyPanel | None) -> tuple[str, ...]:
    if panel is None or panel.lead is None or panel.lead.outcome != "found":
        return ()
    return (
        f"Lead was found ({panel.lead.method}): no dry sanding and no burning off; contain and collect all dust, "
        "keep children and others away, and have the work done as local codes ask, by licensed people where they do.",
    )
