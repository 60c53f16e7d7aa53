"""From what a folder holds, and what a survey says, to the patches that are to be scored."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from texscan.batch.finding import Found, PhotoFolder, panels_of
from texscan.batch.names import natural, shown, unique_folders
from texscan.batch.records import PatchTask, Plan
from texscan.capture.grouping import PhotoSet
from texscan.compatibility import Job
from texscan.survey.photos import find_photos
from texscan.survey.records import Patch, Survey, SurveyPanel

Grouped = dict[str, PhotoSet]  # name of a set of loose photos -> its photos, paths relative to FOLDER
Draft = tuple[str, str, PhotoFolder]  # panel, patch, its photos
NOT_NAMED = "The survey names no panel for it."
NO_PHOTOS = "The survey's panel {name!r} has no photos here. Name them with 'photos', 'patch' or 'tag'."


def plan_of_folder(found: Found, sets: Grouped, job: Job) -> Plan:
    """Sub-folders, and sets of loose photos, as panels."""
    drafts = [
        (name, patch, folder)
        for name, patches in panels_of(found.folders).items()
        for patch, folder in _only(patches)
    ]
    grouped_drafts, left_out = _drafts_of_sets(sets)
    tasks = _with_folders([_task(draft, job=job) for draft in drafts + grouped_drafts])
    return Plan(tasks, _shown(found.refused + left_out), _shown(found.skipped), sets)


def plan_of_survey(survey: Survey, home: Path, found: Found, sets: Grouped, job: Job, *, folder: Path) -> Plan:
    """
    The survey's panels: their photos by pattern, by tag, or from the sub-folder of the panel's name.

    Parameters
    ----------
    home : where the survey's patterns begin.
    job : what the command line says; the survey's word on a panel goes before it.
    folder : FOLDER, where paths are counted from.
    """
    by_folder = panels_of(found.folders)
    tasks: list[PatchTask] = []
    refused: list[tuple[str, str]] = []
    for panel in survey.panels:
        drafts = _drafts_of_panel(panel, home, folder, by_folder, sets, refused)
        if not drafts:
            refused.append((panel.name, NO_PHOTOS.format(name=panel.name)))
        own = panel.coats or survey.coats or None
        if len(drafts) == 1 and len(panel.sets) < 2:
            drafts = [(panel.name, "", drafts[0][2])]
        told = {"job": _job(panel, job), "coats": own, "is_reference": panel.reference}
        tasks += [_task(draft, **told) for draft in drafts]
    used = {file for task in tasks for file in task.inputs}
    all_files = [file for one in found.folders for file in (*one.photos, one.ambient, one.mask) if file]
    unused = tuple((file, NOT_NAMED) for file in all_files if file not in used)
    used_sets = {name: one for name, one in sets.items() if used & set(one.files)}
    refused = [*found.refused, *refused]
    return Plan(_with_folders(tasks), _shown(refused), _shown([*found.skipped, *unused]), used_sets, survey)


def untold_photos(survey: Survey, home: Path, found: Found, *, folder: Path) -> tuple[str, ...]:
    """Where panels of the survey go by their tag: the photos that no pattern and no panel's folder names."""
    if not any(panel.tag is not None and not panel.sets for panel in survey.panels):
        return ()
    named = [_named_photos(patch, home, folder) for panel in survey.panels for patch in panel.sets]
    told = {file for one in named for file in (*one.photos, one.ambient, one.mask)}
    panels = {panel.name.casefold() for panel in survey.panels}
    for name, patches in panels_of(found.folders).items():
        told |= {file for _, one in patches for file in (*one.photos, one.ambient) if name.casefold() in panels}
    everything = [file for one in found.folders for file in (*one.photos, one.ambient) if file]
    return tuple(file for file in everything if file not in told)


def _drafts_of_panel(panel, home, folder, by_folder, sets, refused) -> list[Draft]:
    if panel.sets:
        drafts = [(panel.name, patch.name, _named_photos(patch, home, folder)) for patch in panel.sets]
        empty = [(p, patch, f) for p, patch, f in drafts if not f.photos]
        refused += [
            (", ".join(_patterns(panel, patch)), f"No photo of {p!r} {patch!r} is found there. Correct the pattern.")
            for p, patch, _ in empty
            if len(drafts) > 1
        ]
        return [draft for draft in drafts if draft not in empty]
    named = {name.casefold(): patches for name, patches in by_folder.items()}
    same = named.get(panel.name.casefold(), [])
    if not same and panel.tag is not None:
        tagged = {name: one for name, one in sets.items() if one.tag == panel.tag}
        drafts, left_out = _drafts_of_sets(tagged)
        refused += left_out
        return [(panel.name, patch, photos) for _, patch, photos in drafts]
    return [(panel.name, patch, photos) for patch, photos in same]


def _patterns(panel: SurveyPanel, patch: str) -> tuple[str, ...]:
    return next(one.photos for one in panel.sets if one.name == patch)


def _named_photos(patch: Patch, home: Path, folder: Path) -> PhotoFolder:
    def relative(path: Path) -> str:
        return Path(os.path.relpath(path, folder)).as_posix()

    ambient = relative(home / patch.ambient) if patch.ambient else None
    mask = relative(home / patch.mask) if patch.mask else None
    photos = [relative(path) for path in find_photos(home, patch.photos)]
    kept = sorted((file for file in photos if file not in (ambient, mask)), key=natural)
    return PhotoFolder(", ".join(patch.photos), tuple(kept), ambient, mask)


def _drafts_of_sets(sets: Grouped) -> tuple[list[Draft], tuple[tuple[str, str], ...]]:
    """Sets of loose photos; a name "tag-03/patch-2" is a panel and its patch."""
    drafts = []
    for name, one in sets.items():
        panel, _, patch = name.partition("/")
        if one.photos:
            drafts.append((panel, patch, PhotoFolder(name, one.photos, one.torch_off, None)))
    return drafts, tuple(left for one in sets.values() for left in one.left_out)


def _only(patches: list[tuple[str, PhotoFolder]]) -> list[tuple[str, PhotoFolder]]:
    """A single patch needs no name."""
    return [("", patches[0][1])] if len(patches) == 1 else patches


def _task(draft: Draft, **more) -> PatchTask:
    panel, patch, photos = draft
    return PatchTask(shown(panel), shown(patch), "", photos.path, photos.photos, photos.ambient, photos.mask, **more)


def _job(panel: SurveyPanel, job: Job) -> Job:
    return Job(
        panel.existing or job.existing,
        panel.planned or job.planned,
        rag_test=panel.rag_test,
        hours_since_coat=panel.hours_since_coat,
    )


def _with_folders(tasks: list[PatchTask]) -> tuple[PatchTask, ...]:
    wanted = [(*task.panel.split("/"), *((task.patch,) if task.patch else ())) for task in tasks]
    return tuple(replace(task, folder=safe) for task, safe in zip(tasks, unique_folders(wanted), strict=True))


def _shown(pairs: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    return tuple((shown(file), shown(reason)) for file, reason in pairs)
