"""A programme as a precedence network: tasks, what comes before what, and the windows between coats."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from texscan.errors import SettingsError

ANY, DRY = "", " dry"  # gates: in any weather; without rain. Another gate is the name of a coat (no space before it)


@dataclass(frozen=True, slots=True)
class Task:
    """
    One task of the programme.

    kind : "crew" (in working hours, stops at night), "unbroken" (in working hours, in one go) or "clock" (runs over
        nights and days off and needs nobody: cure).
    hours : elapsed, for those who do it together.
    """

    name: str  # its identity: "tape-2"
    stage: str  # what it belongs to: "tape"
    title: str  # for people
    hours: float
    kind: str = "crew"
    gate: str = ANY
    gate_after_h: float = 0.0  # the gate has to hold for so long after the end
    panels: tuple[str, ...] = ()
    people: int = 0
    note: str = ""
    group: int = 0  # of panels; 0 = the whole boat
    keys: bool = False  # wash and key, only where a window is missed


@dataclass(frozen=True, slots=True)
class After:
    """`then` starts when `first` has ended and the lag has passed."""

    first: str
    then: str
    lag_h: float = 0.0
    within_h: float | None = None  # and not later than this after the end; None = whenever


@dataclass(frozen=True, slots=True)
class Window:
    """
    `then` goes over the film of `first` inside the recoat window, else after the task `key` (wash and key).

    Both coats are laid in the same order over the panels, so the film's age is counted from start to start and from
    end to end; both have to be inside. Without `key` the window has to be met.
    """

    first: str
    then: str
    key: str | None
    coat: str  # whose sheet gives the least and the most hours


@dataclass(frozen=True, slots=True)
class Network:
    """Tasks with their order: `gangs` has a line of names for each gang, in the order in which it works."""

    tasks: tuple[Task, ...]
    afters: tuple[After, ...] = ()
    windows: tuple[Window, ...] = ()
    gangs: tuple[tuple[str, ...], ...] = ()


def in_order(tasks: Iterable[Task], afters: Iterable[After], windows: Iterable[Window] = ()) -> tuple[Task, ...]:
    """
    The tasks so that each stands after what it waits for, otherwise in the order given.

    Raises
    ------
    SettingsError : tasks wait for each other in a circle, or for a task that is not there, or two have one name.
    """
    tasks = tuple(tasks)
    before: dict[str, set[str]] = {task.name: set() for task in tasks}
    if len(before) < len(tasks):
        names = [task.name for task in tasks]
        twice = next(name for name in names if names.count(name) > 1)
        raise SettingsError(f"Two tasks are called {twice!r}. Give each task its own name.")
    for first, then in [*((a.first, a.then) for a in afters), *_window_pairs(windows)]:
        for name in (first, then):
            if name not in before:
                raise SettingsError(f"A task waits for {name!r}, and there is no such task. Correct the name.")
        before[then].add(first)
    place = {task.name: number for number, task in enumerate(tasks)}
    sorter = TopologicalSorter(before)
    try:
        sorter.prepare()
    except CycleError as error:
        circle = " before ".join(error.args[1])
        raise SettingsError(
            f"These tasks wait for each other in a circle: {circle}. Take one of the 'after' or 'before' entries out."
        ) from error
    ready: list[str] = list(sorter.get_ready())
    found: list[Task] = []
    while ready:
        name = min(ready, key=place.__getitem__)
        ready.remove(name)
        found.append(tasks[place[name]])
        sorter.done(name)
        ready += sorter.get_ready()
    return tuple(found)


def _window_pairs(windows: Iterable[Window]) -> list[tuple[str, str]]:
    pairs = []
    for window in windows:
        pairs.append((window.first, window.then))
        if window.key is not None:
            pairs += [(window.first, window.key), (window.key, window.then)]
    return pairs
