"""Which panels are worked on together, by which gang, and in which order the groups take their turns."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.model import Coat
from texscan.plan.network import Task
from texscan.plan.works import PanelWork

SIDE_BY_SIDE, ONE_BY_ONE, STAGGERED = ORDERS = ("side by side", "one by one", "staggered")
MOST_GANGS = 3
PARTS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64)  # groups of each kind that are tried


@dataclass(frozen=True, slots=True)
class Manner:
    """How the work is split: people of each gang, into how many groups each kind of work falls, in which order."""

    gangs: tuple[int, ...]
    parts: int
    order: str  # one of ORDERS

    @property
    def people(self) -> int:
        return sum(self.gangs)


@dataclass(frozen=True, slots=True)
class Group:
    """Panels of one kind of work that are worked on together."""

    number: int  # from 1
    panels: tuple[PanelWork, ...]
    gang: int  # from 0
    people: int

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(panel.name for panel in self.panels)

    @property
    def retexture(self) -> bool:
        return self.panels[0].retexture

    @property
    def can_key(self) -> bool:
        return self.panels[0].can_key

    @property
    def coats(self) -> tuple[Coat, ...]:
        return self.panels[0].coats


def groups_of(works: tuple[PanelWork, ...], manner: Manner) -> tuple[Group, ...]:
    """
    Panels of one kind of work and one coat system in `manner.parts` parts of about the same area, in the order given;
    a part holds whole panels. The groups go round the gangs.
    """
    kinds: dict[tuple, list[PanelWork]] = {}
    for work in works:
        kinds.setdefault((work.retexture, work.coats, work.can_key), []).append(work)
    parts = [part for panels in kinds.values() for part in _parts(panels, min(manner.parts, len(panels)))]
    gangs = len(manner.gangs)
    return tuple(
        Group(place + 1, tuple(part), place % gangs, manner.gangs[place % gangs]) for place, part in enumerate(parts)
    )


def manners(people: int, works: tuple[PanelWork, ...]) -> tuple[Manner, ...]:
    """
    Every way to split the work that is tried, full crews first. Fewer people's ways are among them, so that more
    people never make a programme longer.
    """
    most = max(len(works), 1)
    counts = [count for count in PARTS if count < most] + [most]
    return tuple(
        Manner(tuple(crew // gangs + (place < crew % gangs) for place in range(gangs)), parts, order)
        for crew in range(people, 0, -1)
        for gangs in range(1, min(crew, MOST_GANGS) + 1)
        for parts in counts
        for order in (ORDERS if len(works) > 1 else ORDERS[:1])
    )


def in_line(lines: list[list[Task]], order: str) -> tuple[Task, ...]:
    """
    The tasks of all groups in the order of their turns.

    Side by side: a stage of one group after the same stage of another. One by one: a whole group after another.
    Staggered: each group a step behind the one before it. Tape comes off straight after the last coat.
    """
    if order == ONE_BY_ONE:
        return tuple(task for line in lines for task in line)
    shift = order == STAGGERED
    turns = []
    for number, line in enumerate(lines):
        step = 0
        for place, task in enumerate(line):
            if not (task.stage in ("pull-tape", "walk-on") or (place and line[place - 1].keys)):
                step += 1
            turns.append((step + shift * number, number, place, task))
    return tuple(task for *_, task in sorted(turns, key=lambda turn: turn[:3]))


def _parts(panels: list[PanelWork], count: int) -> list[list[PanelWork]]:
    total = sum(panel.area_m2.likely for panel in panels)
    parts: list[list[PanelWork]] = [[]]
    done = 0.0
    for place, panel in enumerate(panels):
        left, to_open = len(panels) - place, count - len(parts)
        full = done + panel.area_m2.likely / 2 > total * len(parts) / count
        if parts[-1] and to_open and (full or left == to_open):
            parts.append([])
        parts[-1].append(panel)
        done += panel.area_m2.likely
    return parts
