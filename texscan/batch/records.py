"""The frozen records of a batch: what is to be scored, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from texscan.capture.grouping import PhotoSet
from texscan.compatibility import Job
from texscan.model import Coat
from texscan.standard import Verification
from texscan.survey.records import Survey


@dataclass(frozen=True, slots=True)
class PatchTask:
    """One patch to be scored. Photos, mask and source are paths relative to the batch's FOLDER, with "/"."""

    panel: str
    patch: str  # "" where the panel has one patch only
    folder: str  # of its result, relative to OUT, with "/"
    source: str  # folder of its photos, or the words that a refusal of the whole set names
    photos: tuple[str, ...]
    ambient: str | None = None  # the torch off
    mask: str | None = None
    job: Job = field(default_factory=Job)
    coats: tuple[Coat, ...] | None = None  # None = the run's
    is_reference: bool = False  # shows what sound looks like on this boat; done before the others

    @property
    def inputs(self) -> tuple[str, ...]:
        """All files that the result hangs on."""
        return self.photos + tuple(file for file in (self.ambient, self.mask) if file is not None)

    @property
    def title(self) -> str:
        """Panel and patch on one line, without control characters."""
        words = f"{self.panel}, {self.patch}" if self.patch else self.panel
        return " ".join("".join(c if c.isprintable() else " " for c in words).split())


@dataclass(frozen=True, slots=True)
class Common:
    """What all patches of a run share; paths as a worker opens them, absolute."""

    folder: str
    coats: tuple[Coat, ...]
    card: str | None = None
    limits: str | None = None
    reference: str | None = None
    printed_bar_mm: float | None = None
    verified: Verification | None = None  # how a height standard was read


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one patch: the files of its result, or none, and what was refused of it."""

    files: dict[str, bytes]
    refused: tuple[tuple[str, str], ...] = ()  # file or folder, relative to FOLDER, and the sentence
    is_lasting: bool = True  # False: the refusal may not come again (memory), so it is tried again next time
    bug: str = ""  # a traceback


@dataclass(frozen=True, slots=True)
class Plan:
    """What a batch will do. Paths are relative to FOLDER."""

    tasks: tuple[PatchTask, ...]
    refused: tuple[tuple[str, str], ...] = ()  # what cannot be scored, known before the start
    skipped: tuple[tuple[str, str], ...] = ()  # what is not meant to be scored
    sets: dict[str, PhotoSet] = field(default_factory=dict)  # made of loose photos, by name
    survey: Survey | None = None
