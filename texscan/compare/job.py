"""Two folders of results read, their panels and patches matched, and compared."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from texscan import files, filters
from texscan.compare.change import (
    Change,
    Gains,
    changes_apart,
    gains_apart,
    gains_laid_on,
    mean_change,
    readings,
    share_changes,
    tiles_of,
)
from texscan.compare.ground import LEAST_CELLS, Comparing, Ground, common_ground
from texscan.compare.promise import Judged, Promise, judged, promises_from_csv, promises_of
from texscan.compare.registration import (
    BY_TEXTURE,
    SAME_PLACE_MM,
    Map,
    Registration,
    Unregistered,
    moved_mm,
    register,
    same_place,
)
from texscan.errors import SettingsError
from texscan.inputs import read_limits, read_survey
from texscan.model import Budget, Filters, Measured, measured
from texscan.scored_patch import FAULTS, ScoredPatch, budget_of, filters_of, pattern_of
from texscan.stored import read_patch
from texscan.survey.outcome import FIGURES, PanelOutcome, PatchOutcome, patch_weights
from texscan.survey.records import Survey
from texscan.survey.results import read_results

UNCONFIRMED = "print-scale-unconfirmed"
FORECAST, NOTHING = "forecast", "none"  # words in the place of a file of promises
LEAST_STEP_RATIO = 1.5  # of two grids: on samples at a quarter of their size relief read a third lower


@dataclass(frozen=True, slots=True)
class Word:
    """What the user says of both results."""

    same_card: bool = False  # the same print of the card
    same_place: bool = False  # the card lay in the same place, as marks on the deck show
    cells: bool = True  # look for the place and compare cell by cell


@dataclass(frozen=True, slots=True)
class _Given:
    """What holds for every panel: the two folders, the user's word, the survey, half the interval of a share."""

    roots: tuple[Path, Path]
    word: Word
    survey: Survey | None
    guard: float


@dataclass(frozen=True, slots=True)
class _Parts:
    """One result as it is compared."""

    map: Map
    filters: Filters
    budget: Budget


@dataclass(frozen=True, slots=True)
class PatchChange:
    """
    One patch before and after.

    changes : figures of the common ground if `ground`, else of the two whole patches.
    whole : figures of the two whole patches as their score.json has them, before and after.
    """

    name: str
    folders: tuple[str, str]
    place: Registration | Unregistered
    ground: Ground | None
    changes: dict[str, Change]
    whole: tuple[dict, dict]
    cancelled: tuple[str, ...]
    remarks: tuple[str, ...]
    maps: tuple[Map, Map] | None  # while the panel is worked on


@dataclass(frozen=True, slots=True)
class PanelChange:
    """One panel before and after; `changes` of its patches together, `share_changes` of what is worn or filled."""

    name: str
    name_after: str
    actions: tuple[str, str]
    share_changes: dict[str, Change]
    patches: tuple[PatchChange, ...]
    changes: dict[str, Change]
    judged: tuple[Judged, ...]
    left_out: tuple[str, ...]  # patches that only one of both has


@dataclass(frozen=True, slots=True)
class Comparison:
    """All that two results say together."""

    panels: tuple[PanelChange, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    promised: str  # what the promises are: a file's name, FORECAST or NOTHING

    @property
    def count(self) -> int:
        """Changes of figures that were looked at."""
        figures = sum(len(patch.changes) for panel in self.panels for patch in panel.patches)
        return figures + sum(len(panel.share_changes) for panel in self.panels)


def compared(
    before: Path,
    after: Path,
    *,
    word: Word,
    survey: Path | None = None,
    promised: str = FORECAST,
    tell: Callable[[str], None] = lambda name: None,
    take: Callable[[PanelChange], None] = lambda panel: None,
) -> Comparison:
    """
    Two result folders, or two folders of batches with panels of the same names.

    Parameters
    ----------
    promised : path of a table of promises; FORECAST = what the coats planned in `before` were to leave; NOTHING.
    tell : is told each panel's name before it is compared.
    take : is given each panel once it is compared, with its height maps; afterwards they are let go, so that a boat
        takes no more memory than a panel.

    Raises
    ------
    InputError
        A folder without results, one folder named twice, no panel of one name in both, other filters, or a table of
        promises that cannot be used.
    """
    if before.resolve() == after.resolve():
        raise SettingsError(f"{before} is named twice; the results before and after are needed.")
    noted = None if survey is None else read_survey(survey)
    first, second = read_results(before, noted), read_results(after, noted)
    pairs = _pairs(first, second, (before, after))
    promises = _promises(promised, tuple(one.name for one, _ in pairs))
    given = _Given((before, after), word, noted, read_limits(None).decision["share_guard"].value)
    panels = []
    for one, other in pairs:
        tell(one.name)
        of_panel = promises_of(one) if promises is None else tuple(p for p in promises if p.panel == one.name)
        panel = _panel(one, other, given, of_panel)
        take(panel)
        panels.append(replace(panel, patches=tuple(replace(patch, maps=None) for patch in panel.patches)))
    matched = {one.name for one, _ in pairs}, {other.name for _, other in pairs}
    return Comparison(
        panels=tuple(panels),
        only_before=tuple(one.name for one in first if one.name not in matched[0]),
        only_after=tuple(one.name for one in second if one.name not in matched[1]),
        promised=promised if promised in (FORECAST, NOTHING) else Path(promised).name,
    )


def _pairs(
    first: tuple[PanelOutcome, ...], second: tuple[PanelOutcome, ...], folders: tuple[Path, Path]
) -> list[tuple[PanelOutcome, PanelOutcome]]:
    """Panels of the same name; two single results are a pair whatever their names."""
    if all((folder / "score.json").is_file() for folder in folders):
        return [(first[0], second[0])]
    named = {one.name: one for one in second}
    pairs = [(one, named[one.name]) for one in first if one.name in named]
    if not pairs:
        raise SettingsError(
            f"No panel is in both: {folders[0]} holds {_listed(first)}, {folders[1]} holds {_listed(second)}. Panels "
            "are matched by name: score both with the same names of folders, or name two single results."
        )
    return pairs


def _listed(outcomes: tuple[PanelOutcome, ...], most: int = 4) -> str:
    names = [repr(one.name) for one in outcomes]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _promises(promised: str, names: tuple[str, ...]) -> tuple[Promise, ...] | None:
    """The promises of a table; None = the forecasts of the earlier results."""
    if promised in (FORECAST, NOTHING):
        return None if promised == FORECAST else ()
    path = Path(promised)
    found = promises_from_csv(files.read_text(path, "table of promises"), path.name)
    if not {promise.panel for promise in found} & set(names):
        asked = found[0].panel
        near = difflib.get_close_matches(asked, names, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"Compared are {', '.join(map(repr, names[:4]))}."
        raise SettingsError(f"{path.name} promises nothing of these panels: its first is {asked!r}. {hint}")
    return found


def _panel(one: PanelOutcome, other: PanelOutcome, given: _Given, promises: tuple[Promise, ...]) -> PanelChange:
    pairs = list(_patch_pairs(one, other))
    patches = tuple(_patch(pair, given.roots, word=given.word) for pair in pairs)
    panel = next((p for p in given.survey.panels if p.name == one.name), None) if given.survey else None
    weights, _ = patch_weights(tuple(pair[0] for pair in pairs), panel) if pairs else (np.zeros(0), [])
    changes = {}
    for key in FIGURES:
        there = [(patch.changes[key], weight) for patch, weight in zip(patches, weights, strict=True)
                 if key in patch.changes]  # fmt: skip
        if there:
            changes[key] = mean_change([change for change, _ in there], np.array([weight for _, weight in there]))
    names = {patch.name for patch in one.patches} ^ {patch.name for patch in other.patches}
    left_out = () if len(one.patches) == len(other.patches) == 1 else tuple(sorted(names))
    return PanelChange(
        name=one.name,
        name_after=other.name,
        actions=(one.action, other.action),
        share_changes=share_changes(
            one.shares, other.shares, guard=given.guard, claimable=all(c.claimable for c in changes.values())
        ),
        patches=patches,
        changes=changes,
        judged=judged(promises, one, other),
        left_out=left_out,
    )


def _patch_pairs(one: PanelOutcome, other: PanelOutcome) -> Iterator[tuple[PatchOutcome, PatchOutcome]]:
    if len(one.patches) == len(other.patches) == 1:
        yield one.patches[0], other.patches[0]
        return
    named = {patch.name: patch for patch in other.patches}
    yield from ((patch, named[patch.name]) for patch in one.patches if patch.name in named)


def _patch(pair: tuple[PatchOutcome, PatchOutcome], roots: tuple[Path, Path], *, word: Word) -> PatchChange:
    stored = read_patch(roots[0] / pair[0].folder), read_patch(roots[1] / pair[1].folder)
    first, second = _parts(stored[0]), _parts(stored[1])
    if first.filters != second.filters:
        raise SettingsError(
            f"{stored[0].folder} and {stored[1].folder} were scored with different filters or contact depths. "
            "Their figures are not the same figures: score both with the same settings."
        )
    used, maps, budgets = first.filters, (first.map, second.map), (first.budget, second.budget)
    place = _place(maps, word)
    gains = _gains(stored, budgets, same_card=word.same_card)
    ground = None
    if isinstance(place, Registration):
        laid = gains_laid_on(*budgets, place.scale) if place.how == BY_TEXTURE else gains
        ground = common_ground(*maps, place, Comparing(used, budgets, laid))
        if ground is None:
            few = f"the two have less than {LEAST_CELLS} squares of 10 mm in common"
            place = Unregistered(few, place.correlation, place.standout)
        else:
            gains = laid
    figures = _figures(stored[0]), _figures(stored[1])
    changes = _changes_apart(maps, figures, budgets, used, gains) if ground is None else ground.changes
    remarks, unlike = _remarks(stored)
    remarks += _contradiction(place, maps[1], word)
    if unlike:
        changes, ground = _without_claims(changes, ground)
    return PatchChange(
        name=pair[0].name,
        folders=(pair[0].folder, pair[1].folder),
        place=place,
        ground=ground,
        changes=changes,
        whole=figures,
        cancelled=gains.cancelled,
        remarks=remarks,
        maps=maps,
    )


def _figures(stored: ScoredPatch) -> dict[str, Measured | None]:
    return {key: measured(stored.score["texture"].get(key)) for key in FIGURES}


def _changes_apart(
    maps: tuple[Map, Map],
    figures: tuple[dict, dict],
    budgets: tuple[Budget, Budget],
    used: Filters,
    gains: Gains,
) -> dict[str, Change]:
    """Changes of the two whole patches."""
    first, second = (readings(f, m.z, filters=used, budget=b)
                     for f, m, b in zip(figures, maps, budgets, strict=True))  # fmt: skip
    tiles = tiles_of(maps[0].z, maps[0].grid.step_mm), tiles_of(maps[1].z, maps[1].grid.step_mm)
    return changes_apart(first, second, gains, tiles=tiles)


def _place(maps: tuple[Map, Map], word: Word) -> Registration | Unregistered:
    if not word.cells:
        return Unregistered("not looked for")
    found = register(*maps)
    return same_place() if word.same_place and isinstance(found, Unregistered) else found


def _parts(stored: ScoredPatch) -> _Parts:
    """What a result is compared by. SettingsError if its score.json is not whole."""
    try:
        used, found, budget = filters_of(stored.score), pattern_of(stored.score), budget_of(stored.score)
        [str(view["sha256"]) for view in stored.score["views"]]
    except FAULTS as error:
        raise SettingsError(f"{stored.folder}/score.json is not whole ({error!r}). Score the patch again.") from error
    z = filters.filtered(stored.height_mm, stored.grid.step_mm, used)
    return _Parts(Map(z, stored.grid, found), used, budget)


def _gains(stored: tuple[ScoredPatch, ScoredPatch], budgets: tuple[Budget, Budget], *, same_card: bool) -> Gains:
    unconfirmed = all(UNCONFIRMED in one.score["flags"] for one in stored)
    return gains_apart(*budgets, same_card=same_card, unconfirmed=unconfirmed)


def _without_claims(changes: dict[str, Change], ground: Ground | None) -> tuple[dict[str, Change], Ground | None]:
    """The same numbers, of which none is claimed."""
    changes = {key: replace(one, claimable=False) for key, one in changes.items()}
    if ground is None:
        return changes, None
    return changes, replace(ground, cells=tuple(replace(cell, marked=frozenset()) for cell in ground.cells))


def _remarks(stored: tuple[ScoredPatch, ScoredPatch]) -> tuple[tuple[str, ...], bool]:
    """What makes the two measurements unlike, and whether so unlike that no change may be claimed."""
    found = []
    views = [len(one.score["views"]) for one in stored]
    if views[0] != views[1] and 0 not in views:
        found.append(f"{_photos(views[0])} before, {_photos(views[1])} after: take as many each time")
    elif 0 in views and any(views):
        found.append("one of the two was measured by other means")
    steps = [one.grid.step_mm for one in stored]
    unlike = max(steps) > LEAST_STEP_RATIO * min(steps)
    if unlike:
        found.append(
            f"grids of {steps[0]:.2g} and {steps[1]:.2g} mm: the coarser one shows less of the fine relief, so no "
            "change is claimed; photograph from the same distance with the same camera"
        )
    if any(one.score["views"] and not budget_of(one.score).terms for one in stored):
        unlike = True
        found.append("a result from photos has no budget of its uncertainty, so no change is claimed; score it again")
    if _same_source(stored):
        found.append("both results come from the same photos or heights: nothing was measured anew")
    versions = [one.score.get("texscan_version", "") for one in stored]
    if versions[0] != versions[1]:
        found.append(f"scored with texscan {versions[0]} and {versions[1]}: score both with one version")
    return tuple(found), unlike


def _contradiction(place: Registration | Unregistered, after: Map, word: Word) -> tuple[str, ...]:
    """The card lay elsewhere than was said."""
    if not word.same_place or isinstance(place, Unregistered) or place.how != BY_TEXTURE:
        return ()
    moved = moved_mm(place, after.grid)
    if moved <= SAME_PLACE_MM:
        return ()
    return (f"the same place was stated, but the texture lies {moved:.0f} mm away; its own place is used",)


def _same_source(stored: tuple[ScoredPatch, ScoredPatch]) -> bool:
    photos = [{view["sha256"] for view in one.score["views"]} for one in stored]
    if any(photos):
        return bool(photos[0] & photos[1])
    return np.array_equal(stored[0].height_mm, stored[1].height_mm, equal_nan=True)


def _photos(count: int) -> str:
    return f"{count} photo{'' if count == 1 else 's'}"
