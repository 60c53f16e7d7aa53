"""
The earliest programme of a network: every task as early as what it waits for, the hours and the weather allow.

With the order of work in each gang fixed, every rule has the form "this starts not before a moment that only moves
later when another task moves later". Such rules have one earliest solution for all tasks together, found by moving
tasks later until no rule is broken; a longer window or a shorter task never makes it later. Whether a missed window
is met by waiting or by wash and key is searched by branch and bound on top of that.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field, replace
from itertools import count, pairwise

import numpy as np

from texscan.plan.network import Network, Task, Window
from texscan.plan.shifts import SLOTS_A_DAY, Shifts, slots_of

MOST_NODES = 300  # of the search; beyond it the best programme found so far stands
MET, KEYED = "met", "keyed"


@dataclass(frozen=True, slots=True)
class Clock:
    """What times are measured against: shifts, where each gate is open, and the window of each coat by its start."""

    shifts: Shifts
    gates: dict[str, np.ndarray]  # gate -> (slots,) bool
    windows: dict[str, tuple[np.ndarray, np.ndarray]]  # coat -> least, most [slots] for a coat laid at each slot

    def cut(self, days: int) -> Clock:
        """The first so many days of it."""
        end = days * SLOTS_A_DAY
        if end >= len(self.shifts.working):
            return self
        return Clock(
            replace(self.shifts, working=self.shifts.working[:end]),
            {name: gate[:end] for name, gate in self.gates.items()},
            {coat: (least[: end + 1], most[: end + 1]) for coat, (least, most) in self.windows.items()},
        )


@dataclass(frozen=True, slots=True)
class Schedule:
    """Start and end of each task [slots]; which windows were met and which missed and keyed."""

    start: dict[str, int]
    end: dict[str, int]
    keyed: tuple[Window, ...]
    waited: tuple[Window, ...]  # met only because the coat before waited
    whole: bool = True  # the search came to its end

    @property
    def finish(self) -> int:
        return max(self.end.values(), default=0)

    @property
    def merit(self) -> tuple[int, int, int]:
        """Smaller is better: the last day, then how many keyed coats, then the moment."""
        return -(-self.finish // SLOTS_A_DAY), len(self.keyed), self.finish


@dataclass(frozen=True, slots=True)
class _Steps:
    """Where a task started at or after each slot begins and ends; len(start) - 1 means never."""

    start: np.ndarray
    end: np.ndarray


@dataclass(frozen=True, slots=True)
class _Rules:
    """A network with numbers for names."""

    steps: list[_Steps]
    nothing: _Steps
    before: list[list[tuple[int, int, int | None]]]  # of each task: (task, lag, within)
    windows: list[tuple[int, int, int | None, np.ndarray, np.ndarray]]  # first, then, key, least, most
    never: int
    keys: frozenset[int] = field(default_factory=frozenset)


def schedule(network: Network, clock: Clock, *, beat: tuple[int, int, int] | None = None) -> Schedule | None:
    """
    The earliest programme; None if no programme meets the windows within the clock's days, or none is better than the
    merit `beat`.
    """
    rules = _rules(network, clock)
    ticket = count()
    heap: list = []

    def push(decisions: dict[int, str], since: list[int]) -> None:
        times = _earliest(rules, decisions, since)
        if times is not None:
            end = max(times[1], default=0)
            merit = (-(-end // SLOTS_A_DAY), sum(v == KEYED for v in decisions.values()), end)
            if beat is None or merit < beat:
                heapq.heappush(heap, (merit, -len(decisions), next(ticket), decisions, times))

    push({}, [0] * len(network.tasks))
    nodes = 0
    while heap:
        _, _, _, decisions, times = heapq.heappop(heap)
        broken = _first_broken(rules, decisions, times)
        if broken is None:
            return _result(network, rules, decisions, times, whole=nodes < MOST_NODES)
        nodes += 1
        if nodes >= MOST_NODES:  # go on with this branch alone
            heap.clear()
        if rules.windows[broken][2] is not None:
            push({**decisions, broken: KEYED}, times[0])
        if nodes < MOST_NODES or not heap:
            push({**decisions, broken: MET}, times[0])
    return None


def unmet_window(network: Network, clock: Clock) -> Window | None:
    """A window without a key that no programme of this network meets; None if that is not the reason."""
    rules = _rules(network, clock)
    decisions = {}
    for place, window in enumerate(network.windows):
        if window.key is None:
            decisions[place] = MET
            if _earliest(rules, decisions, [0] * len(network.tasks)) is None:
                return window
    return None


def _result(network: Network, rules: _Rules, decisions: dict[int, str], times, *, whole: bool) -> Schedule:
    start, end = times
    keyed = {network.windows[place].key for place, what in decisions.items() if what == KEYED}
    shown = [n for n, task in enumerate(network.tasks) if n not in rules.keys or task.name in keyed]
    names = [task.name for task in network.tasks]
    return Schedule(
        {names[n]: start[n] for n in shown},
        {names[n]: end[n] for n in shown},
        tuple(network.windows[place] for place in sorted(decisions) if decisions[place] == KEYED),
        tuple(network.windows[place] for place in sorted(decisions) if decisions[place] == MET),
        whole,
    )


def _rules(network: Network, clock: Clock) -> _Rules:
    number = {task.name: place for place, task in enumerate(network.tasks)}
    never = len(clock.shifts.working)
    made: dict[tuple, _Steps] = {}
    steps = []
    for task in network.tasks:
        about = (task.kind, task.gate, slots_of(task.hours), slots_of(task.gate_after_h))
        if about not in made:
            made[about] = _steps(task, clock)
        steps.append(made[about])
    at = np.arange(never + 1)
    before: list[list[tuple[int, int, int | None]]] = [[] for _ in network.tasks]
    for after in network.afters:
        within = None if after.within_h is None else slots_of(after.within_h)
        before[number[after.then]].append((number[after.first], slots_of(after.lag_h), within))
    for gang in network.gangs:
        for first, then in pairwise(gang):
            before[number[then]].append((number[first], 0, None))
    windows = [
        (number[w.first], number[w.then], None if w.key is None else number[w.key], *clock.windows[w.coat])
        for w in network.windows
    ]
    keys = frozenset(window[2] for window in windows if window[2] is not None)
    return _Rules(steps, _Steps(at, at), before, windows, never, keys)


def _steps(task: Task, clock: Clock) -> _Steps:
    working, never = clock.shifts.working, len(clock.shifts.working)
    at = np.arange(never + 1)
    slots = slots_of(task.hours)
    if task.kind == "clock" or slots == 0:
        return _Steps(at, np.minimum(at + slots, never))
    gate = clock.gates[task.gate]
    if task.kind == "unbroken":
        good = _runs(working & gate, slots) & _runs(gate, slots + slots_of(task.gate_after_h))
        start = _next(good)
        return _Steps(start, np.where(start < never, np.minimum(start + slots, never), never))
    good = working & gate
    start = _next(good)
    done = np.concatenate([[0], np.cumsum(good)])  # slots worked before each slot
    ends = np.append(np.flatnonzero(good) + 1, np.full(slots, never))  # of each worked slot
    end = ends[done[start] + slots - 1]
    return _Steps(start, end)


def _runs(good: np.ndarray, slots: int) -> np.ndarray:
    """(slots,) bool: good from here on for so many slots; what lies behind the last slot counts as not good."""
    total = np.concatenate([[0], np.cumsum(good)])
    found = np.zeros(len(good), dtype=bool)
    if slots <= len(good):
        found[: len(good) - slots + 1] = total[slots:] - total[: len(total) - slots] == slots
    return found


def _next(good: np.ndarray) -> np.ndarray:
    """(slots + 1,): the first good slot from here on, or the number of slots."""
    never = len(good)
    places = np.append(np.where(good, np.arange(never), never), never)
    return np.minimum.accumulate(places[::-1])[::-1]


def _earliest(rules: _Rules, decisions: dict[int, str], since: list[int]) -> tuple[list[int], list[int]] | None:
    """
    Starts and ends that break no rule, all as early as can be; None if some task never can.

    `since`: starts that are surely not too late, such as those with fewer decisions.
    """
    keyed = {rules.windows[place][2] for place, what in decisions.items() if what == KEYED}
    steps = [rules.nothing if n in rules.keys - keyed else step for n, step in enumerate(rules.steps)]
    start = [int(step.start[slot]) for step, slot in zip(steps, since, strict=True)]
    end = [int(step.end[slot]) for step, slot in zip(steps, start, strict=True)]

    def later(task: int, bound: int, *, ends: bool = False) -> None:
        """Move a task to its first start (or end) from there on."""
        if ends:
            bound = int(np.searchsorted(steps[task].end, bound))
        start[task] = int(steps[task].start[min(bound, rules.never)])
        end[task] = int(steps[task].end[start[task]])

    before = None
    while before != start:
        before = list(start)
        for task, entries in enumerate(rules.before):  # quickest where the tasks stand in order
            for first, lag, within in entries:
                if end[first] + lag > start[task]:
                    later(task, end[first] + lag)
                if within is not None and start[task] - within > end[first]:
                    later(first, start[task] - within, ends=True)
        for place in reversed(range(len(rules.windows))):  # a coat that waits makes the one before it wait
            for task, bound, ends in _bounds(rules.windows[place], decisions.get(place), start, end):
                if bound > (end if ends else start)[task]:
                    later(task, bound, ends=ends)
        if max(end, default=0) >= rules.never:
            return None
    return start, end


def _bounds(window, decision: str | None, start: list[int], end: list[int]) -> list[tuple[int, int, bool]]:
    """(task, slot, whether its end is meant): what the window asks for, told from where the coats stand now."""
    first, then, key, leasts, mosts = window
    least, most = int(leasts[start[first]]), int(mosts[start[first]])
    bounds = [(then, start[first] + least, False), (then, end[first] + least, True)]
    if decision == MET:
        bounds += [(first, start[then] - most, False), (first, end[then] - most, True)]
    elif decision == KEYED:
        bounds += [(key, end[first] + least, False), (then, end[key], False), (key, start[then] - most, True)]
    return bounds


def _first_broken(rules: _Rules, decisions: dict[int, str], times) -> int | None:
    start, end = times
    for place, (first, then, _, _, mosts) in enumerate(rules.windows):
        age = max(start[then] - start[first], end[then] - end[first])
        if place not in decisions and age > int(mosts[start[first]]):
            return place
    return None
