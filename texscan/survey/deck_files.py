"""The files of a deck plan."""

from __future__ import annotations

import numpy as np

from texscan.survey.deck_key import VERDICT, VOID
from texscan.survey.deck_plan import deck_plan
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey
from texscan.survey.shapes import png_file, svg_text

STEMS = {VERDICT: "deck", VOID: "deck-void-depth"}


def deck_files(survey: Survey, outcomes: tuple[PanelOutcome, ...], *, picture: np.ndarray | None) -> dict[str, bytes]:
    """File name -> bytes: each plan as SVG and as PNG; arguments as `deck_plan.deck_plan_svg`."""
    contents = {}
    for shade_by, stem in STEMS.items():
        drawing = deck_plan(survey, outcomes, shade_by=shade_by, picture=picture)
        contents[f"{stem}.svg"] = svg_text(drawing).encode()
        contents[f"{stem}.png"] = png_file(drawing)
    return contents
