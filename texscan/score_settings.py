"""What a user may set about a score."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from texscan.card import Card
from texscan.compatibility import Job
from texscan.limits import Limits
from texscan.model import Coat, Filters
from texscan.standard import Verification
from texscan.zones import Reference


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that a user may set about a score, already read and checked."""

    card: Card
    limits: Limits
    coats: tuple[Coat, ...]
    job: Job
    filters: Filters = field(default_factory=Filters)
    printed_bar_mm: float | None = None
    panel: str = ""
    reference: Reference | None = None
    mask: np.ndarray | None = None  # True = leave out; of the first photo's size or of the grid's
    lights: tuple[tuple[float, float], ...] = ()  # azimuth, elevation of each photo without a card
    mm_per_px: float | None = None
    verified: Verification | None = None  # how a height standard was read
