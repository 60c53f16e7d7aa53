"""Photos as they arrive in a folder: which are whole, which set each belongs to, and what to say of each."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from texscan.capture.advice import judge
from texscan.capture.grouping import PhotoSet, group, names
from texscan.capture.reading import Reading, sighted
from texscan.capture.remarks import refusal_of
from texscan.capture.words import photo_lines, printable
from texscan.card import Card


@dataclass(frozen=True, slots=True)
class Stamp:
    """A file's size [bytes] and time of change [s]; a file that is still being copied changes one of them."""

    size: int
    changed_s: float


@dataclass(frozen=True, slots=True)
class Arrived:
    """One photo that has arrived: its stamp when it was read, and its reading."""

    stamp: Stamp
    reading: Reading


def settled(before: Mapping[str, Stamp], now: Mapping[str, Stamp], arrived: Mapping[str, Arrived]) -> tuple[str, ...]:
    """
    Names of files to read: the same at two looks, not empty, and not read as they are; the oldest first.

    before, now : stamps by name at the last look and at this one
    """
    whole = [
        name
        for name, stamp in now.items()
        if stamp.size > 0 and before.get(name) == stamp and (name not in arrived or arrived[name].stamp != stamp)
    ]
    return tuple(sorted(whole, key=lambda name: (now[name].changed_s, name)))


def sets_of(arrived: Mapping[str, Arrived], card: Card) -> tuple[PhotoSet, ...]:
    """All photos so far in sets."""
    return group(
        [sighted(a.reading, taken_s=a.stamp.changed_s, refusal=refusal_of(a.reading, card)) for a in arrived.values()]
    )


def lines_on(name: str, arrived: Mapping[str, Arrived], card: Card) -> list[str]:
    """What to say when a photo has been read: its verdict beside the others of its set, the set, and what is next."""
    sets = sets_of(arrived, card)
    place = next(k for k, one in enumerate(sets) if name in one.files)
    own = sets[place]
    shown = [file for file in own.files if file == name or file not in dict(own.left_out)]
    shown.sort(key=lambda file: (file == name, own.files.index(file)))
    advice = judge(tuple(arrived[file].reading for file in shown), card)
    judged = next(j for j in advice.photos if j.reading.file == name)
    replaced = [printable(file) for file, reason in own.left_out if f" {name} is used" in reason]
    lines = photo_lines(judged, card)
    lines += [f"  It stands for {', '.join(replaced)}, taken before from the same side."] if replaced else []
    if own.photos:
        lines.append(f"  {names(sets)[place]}, {counted(own)}. {' '.join(advice.next_steps)}")
    return lines


def summary_lines(arrived: Mapping[str, Arrived], card: Card, folder: Path) -> list[str]:
    """The sets that were told apart, each with the command that scores it, and what is left."""
    sets = sets_of(arrived, card)
    lines = []
    for own, name in zip(sets, names(sets), strict=True):
        for file, reason in own.left_out:
            lines.append(f"{name}: left out {printable(file)}: {reason}")
        if own.photos:
            photos = " ".join(shlex.quote(str(folder / file)) for file in own.photos)
            off = f" --ambient {shlex.quote(str(folder / own.torch_off))}" if own.torch_off else ""
            lines.append(f"{name}: {counted(own)}\n  texscan score {photos}{off} --out {name}")
    return lines


def counted(own: PhotoSet) -> str:
    """ "3 photos and one with the torch off"."""
    many = f"{len(own.photos)} photo{'s' if len(own.photos) != 1 else ''}"
    return f"{many} and one with the torch off" if own.torch_off else many
