"""Which way the work is done on each panel: as recommended, or as the owner chose."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from texscan.cautions import OF_OPTION
from texscan.errors import SettingsError
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey

RECOAT, RETEXTURE, NO_WORK = "recoat-as-planned", "sand-flat-and-retexture", "no-work-due"
OPTIONS = tuple(OF_OPTION)
OF_ACTION = {"recoat": (RECOAT,), "sand-flat-and-retexture": (RETEXTURE,), "inconclusive": (RECOAT, RETEXTURE)}


@dataclass(frozen=True, slots=True)
class Choice:
    """The way that a panel goes; two options where the photos leave it open."""

    panel: str
    options: tuple[str, ...]
    why: str  # in words

    @property
    def open(self) -> bool:
        return len(self.options) > 1


def choices(
    outcomes: tuple[PanelOutcome, ...], survey: Survey, users: tuple[tuple[str, str], ...] = ()
) -> tuple[Choice, ...]:
    """
    One choice a panel: the user's (panel, option) pairs before the survey's, the survey's before the recommendation.

    Raises
    ------
    SettingsError : a panel or option that is not known, or a panel that is chosen for twice.
    """
    names = [outcome.name for outcome in outcomes]
    chosen: dict[str, str] = {}
    for panel, option in users:
        _known(panel, names, "panel")
        _known(option, OPTIONS, "option")
        if panel in chosen:
            raise SettingsError(f"Two options are chosen for {panel!r}: {chosen[panel]} and {option}. Leave one.")
        chosen[panel] = option
    surveyed = {panel.name: panel.chosen for panel in survey.panels if panel.chosen is not None}
    found = []
    for outcome in outcomes:
        if outcome.name in chosen:
            found.append(Choice(outcome.name, (chosen[outcome.name],), "chosen for this plan"))
        elif outcome.name in surveyed:
            _known(surveyed[outcome.name], OPTIONS, "option")
            found.append(Choice(outcome.name, (surveyed[outcome.name],), "chosen in the survey"))
        else:
            options = OF_ACTION[outcome.action]
            why = "recommended" if len(options) == 1 else "the photos leave it open: both ways are worked out"
            found.append(Choice(outcome.name, options, why))
    return tuple(found)


def choice_from_text(text: str) -> tuple[str, str]:
    """PANEL=OPTION as typed; SettingsError where there is no sign of equality between two words."""
    panel, sign, option = text.rpartition("=")
    if not (sign and panel.strip() and option.strip()):
        raise SettingsError(f"--choose is {text!r}; PANEL=OPTION is needed, such as foredeck={RECOAT}.")
    return panel.strip(), option.strip()


def _known(word: str, known, noun: str) -> None:
    if word in known:
        return
    near = difflib.get_close_matches(word, known, n=1)
    hint = f"Did you mean {near[0]!r}?" if near else f"Known are {', '.join(known)}."
    raise SettingsError(f"There is no {noun} {word!r}. {hint}")
