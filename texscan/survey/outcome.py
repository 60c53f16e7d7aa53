"""What the patches of a panel say together."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.model import Measured


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
