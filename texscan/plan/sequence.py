"""From the work on each panel to the tasks of a programme, in the order of the trade."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import chain

from texscan.errors import SettingsError
from texscan.limits import Limits
from texscan.model import Coat
from texscan.plan.figure import Figure
from texscan.plan.groups import Group, Manner, in_line
from texscan.plan.network import ANY, DRY, After, Network, Task, Window, in_order
from texscan.plan.windows import FILLER, times_of
from texscan.plan.works import PanelWork
from texscan.plan.yard import OwnTask, Yard

HOURS_A_DAY = 24.0
TOPCOAT = "topcoat"
Film = tuple[str, Coat | str]  # name of the task that lays it, and the coat; FILLER for filler


@dataclass(frozen=True, slots=True)
class Terms:
    """What every task rests on: yard, limits, hours of a working day, case (0 few, 1 likely, 2 many hours)."""

    yard: Yard
    limits: Limits
    day_h: float
    case: int

    def amount(self, figure: Figure) -> float:
        return figure.ends[self.case]

    def at_pace(self, pace: Figure, amount: float, people: int) -> float:
        """Hours of so many people for an amount; the high end of a pace gives few hours."""
        return amount / pace.ends[2 - self.case] / people

    def each(self, what: str, count: int, people: int) -> float:
        """Hours for so many things of which one takes `what`; people share them whole."""
        return self.amount(self.yard.work[what]) * -(-count // people)


@dataclass(slots=True)
class _Draft:
    """Tasks and rules as they are gathered; `shared` are done by all together, `lines` by the gang of each group."""

    tasks: list[Task] = field(default_factory=list)
    afters: list[After] = field(default_factory=list)
    windows: list[Window] = field(default_factory=list)
    shared: list[str] = field(default_factory=list)
    last: str | None = None  # the task that the next shared one waits for

    def share(self, task: Task) -> None:
        """The next task of all together; cure needs nobody."""
        self.tasks.append(task)
        if self.last is not None:
            self.afters.append(After(self.last, task.name))
        if task.kind != "clock":
            self.shared.append(task.name)
        self.last = task.name


def network(groups: tuple[Group, ...], manner: Manner, terms: Terms) -> Network:
    """
    The tasks of a whole job.

    Tests; fittings off, wash and dewax; repairs and their cure; smooth areas and their cure; then each group of
    panels: tape, sand, fill (new texture only), coats, tape off, walk-on; at last the fittings on again.

    Raises
    ------
    SettingsError : the user's own tasks wait for each other in a circle or for an unknown task.
    """
    draft = _Draft()
    panels = tuple(chain.from_iterable(group.panels for group in groups))
    _prepare(draft, panels, manner.people, terms)
    _smooth(draft, panels, manner.people, terms)
    ready, front = draft.last, tuple(draft.tasks)
    lines = [_panels(draft, group, ready, terms) for group in groups]
    _fittings_on(draft, panels, groups, manner.people, terms)
    back = tuple(task for task in draft.tasks if task.stage == "fittings-on")
    own = tuple(_own(task, manner.people, terms.case) for task in terms.yard.own_tasks)
    draft.afters += _own_rules(terms.yard.own_tasks, draft.tasks)
    tasks = in_order((*own, *front, *in_line(lines, manner.order), *back), draft.afters, draft.windows)
    shared = {*draft.shared, *(task.name for task in own if task.kind != "clock")}
    gangs = [
        tuple(t.name for t in tasks if t.name in shared or (t.kind != "clock" and t.name in of_gang))
        for of_gang in _by_gang(groups, lines, len(manner.gangs))
    ]
    return Network(tasks, tuple(draft.afters), tuple(draft.windows), tuple(gangs))


def coat_title(coat: Coat, group: Group | None = None) -> str:
    """A coat as a task: "Primer", "Non-skid: topcoat 1"."""
    if group is not None and group.retexture and coat.kind == TOPCOAT:
        return f"Non-skid: {coat.name}"
    return coat.name[:1].upper() + coat.name[1:]


def _by_gang(groups: tuple[Group, ...], lines: list[list[Task]], gangs: int) -> list[set[str]]:
    found: list[set[str]] = [set() for _ in range(gangs)]
    for group, line in zip(groups, lines, strict=True):
        found[group.gang] |= {task.name for task in line}
    return found


def _prepare(draft: _Draft, panels: tuple[PanelWork, ...], people: int, terms: Terms) -> None:
    yard = terms.yard
    tests = [(panel.name, test) for panel in panels for test in panel.tests]
    repairs = [(panel.name, repair) for panel in panels for repair in panel.repairs]
    area = sum(terms.amount(panel.area_m2) for panel in panels)
    if tests:
        hours = terms.each("test_h", len(tests), people)
        draft.share(_noted("tests", "Tests before any sanding", hours, people, tests))
    fittings = [(panel.name, fitting) for panel in panels for fitting in panel.fittings]
    if fittings:
        hours = terms.each("fitting_h", len(fittings), people)
        draft.share(_noted("fittings-off", "Fittings off", hours, people, fittings))
    wash = terms.at_pace(yard.paces["wash"], area, people)
    names = tuple(panel.name for panel in panels)
    title = "Wash and dewax, before any sanding"
    draft.share(Task("wash", "wash", title, wash, panels=names, people=people, note="two rags"))
    if repairs:
        hours = terms.each("repair_h", len(repairs), people)
        draft.share(_noted("repairs", "Repairs", hours, people, repairs))
        cure = terms.amount(yard.work["repair_cure_h"])
        draft.share(Task("repairs-cure", "repairs", "Repairs cure", cure, "clock", panels=_names(repairs)))


def _smooth(draft: _Draft, panels: tuple[PanelWork, ...], people: int, terms: Terms) -> None:
    """
    Smooth borders sanded, painted with the first panel's coats, and cured before tape goes on them.

    Where one coat does not fit into a working day they are painted stretch by stretch.
    """
    yard = terms.yard
    edge = sum(terms.amount(panel.edge_m) for panel in panels)
    stated = yard.smooth_area_m2
    area = edge * terms.amount(yard.work["border_m"]) if stated is None else terms.amount(stated)
    if not yard.smooth_areas or area <= 0:
        return
    sand = terms.at_pace(yard.work["smooth_m2_per_h"], area, people)
    note = f"{area:.1f} m2"
    draft.share(Task("smooth-sand", "smooth", "Smooth areas: sand", sand, gate=DRY, people=people, note=note))
    room = max(terms.day_h - terms.amount(yard.work["set_up_h"]), terms.day_h / 2)
    stretches = math.ceil(terms.at_pace(yard.paces["coat"], area, people) / room)
    for stretch in range(1, stretches + 1):
        part = f" {stretch} of {stretches}" if stretches > 1 else ""
        _stretch(draft, (panels[0].coats, area / stretches), (f"{stretch}-" * (stretches > 1), part), people, terms)
    limit = terms.limits.practice
    days = (limit["masking_cure_least_days"].value, limit["masking_cure_most_days"].value)
    cure = HOURS_A_DAY * (days[0], sum(days) / 2, days[1])[terms.case]
    note = f"{days[0]:g} to {days[1]:g} days before tape"
    draft.share(Task("smooth-cure", "smooth", "Smooth areas cure before tape goes on", cure, "clock", note=note))


def _stretch(draft: _Draft, paint: tuple, names: tuple[str, str], people: int, terms: Terms) -> None:
    """All coats of a stretch of smooth borders; paint is (coats, area), names go into the task's name and title."""
    (coats, area), (infix, part) = paint, names
    hours = terms.at_pace(terms.yard.paces["coat"], area, people) + terms.amount(terms.yard.work["set_up_h"])
    before: Film | None = None
    for number, coat in enumerate(coats, 1):
        name, title = f"smooth-coat-{infix}{number}", f"Smooth areas{part}: {coat.name}"
        wanted = before is not None and terms.yard.key_between_coats
        key = _key(f"smooth-key-{infix}{number}", "smooth", title, area, (people, ()), terms) if wanted else None
        _lay(draft, _coat_task((name, "smooth", title), coat.name, hours, (people, ()), terms), before, key)
        draft.shared += [key.name, name] if key else [name]
        before = name, coat


def _lay(draft: _Draft, task: Task, before: Film | None, key: Task | None) -> None:
    """A coat over the coat before, inside its window or after wash and key."""
    if before is not None:
        film, coat = before
        if key is not None:
            draft.tasks.append(key)
        label = coat if isinstance(coat, str) else coat.name
        draft.windows.append(Window(film, task.name, key.name if key else None, label))
        draft.tasks.append(task)
    else:
        if draft.last is not None:
            draft.afters.append(After(draft.last, task.name))
        draft.tasks.append(task)
    draft.last = task.name


def _panels(draft: _Draft, group: Group, ready: str | None, terms: Terms) -> list[Task]:
    """One group from tape to walk-on; gives its tasks."""
    first = len(draft.tasks)
    yard, number, people, names = terms.yard, group.number, group.people, group.names
    area, edge = (sum(terms.amount(getattr(p, what)) for p in group.panels) for what in ("area_m2", "edge_m"))
    tape = terms.at_pace(yard.paces["mask"], edge * terms.amount(yard.passes["tape_runs"]), people)
    draft.last = ready
    _next(draft, Task(f"tape-{number}", "tape", "Tape, corners rounded", tape, "crew", DRY, 0, names, people))
    before = _surface(draft, group, area, terms)
    for place, coat in enumerate(group.coats, 1):
        title = coat_title(coat, group)
        texture = group.retexture and coat.kind == TOPCOAT
        hours = terms.at_pace(yard.paces["texture" if texture else "coat"], area, people)
        hours += terms.amount(yard.work["set_up_h"])
        can_key = yard.key_between_coats and (group.can_key or (before is not None and before[1] == FILLER))
        who, label = (people, names), (f"coat-{number}-{place}", "coats", title)
        key = _key(f"key-{number}-{place}", "coats", title, area, who, terms) if before and can_key else None
        _lay(draft, _coat_task(label, coat.name, hours, who, terms), before, key)
        before = f"coat-{number}-{place}", coat
    _close(draft, group, edge, before, terms)
    draft.tasks[first:] = [replace(task, group=number) for task in draft.tasks[first:]]
    return draft.tasks[first:]


def _surface(draft: _Draft, group: Group, area: float, terms: Terms) -> Film | None:
    """Sand and, for a new texture, fill; gives the film that the first coat goes over inside a window."""
    yard, number, people, names = terms.yard, group.number, group.people, group.names
    coarse, fine = (terms.limits.practice[key].value for key in ("grit_coarse", "grit_fine"))
    paper = f"P{coarse:g} to P{fine:g}"
    pace, passes = ("sand_flat", 1.0) if group.retexture else ("key", terms.amount(yard.passes["key_passes"]))
    hours = terms.at_pace(yard.paces[pace], area * passes, people)
    title = "Take the texture down" if group.retexture else "Sand to key"
    _next(draft, Task(f"sand-{number}", "sand", f"{title}, {paper}", hours, "crew", DRY, 0, names, people))
    if not group.retexture:
        return None
    fill = terms.at_pace(yard.paces["fill"], area, people) + terms.amount(yard.work["set_up_h"])
    label = (f"fill-{number}", "fill", "Fill to the peaks")
    _next(draft, _coat_task(label, FILLER, fill, (people, names), terms))
    if not yard.flat_filler:
        return f"fill-{number}", FILLER
    cure = times_of(FILLER, yard.sheets, terms.limits).least_h
    _next(draft, Task(f"fill-cure-{number}", "fill", "Filler cures", cure, "clock", panels=names))
    more = max(terms.amount(yard.passes["sand_flat_passes"]) - 1, 1.0)
    flat = terms.at_pace(yard.paces["sand_flat"], area * more, people)
    _next(draft, Task(f"flat-{number}", "fill", "Sand the filler flat", flat, "crew", DRY, 0, names, people))
    return None


def _close(draft: _Draft, group: Group, edge: float, before: Film | None, terms: Terms) -> None:
    if before is None:
        return
    yard, number, people, names = terms.yard, group.number, group.people, group.names
    film, coat = before
    pull = terms.at_pace(yard.work["pull_tape_m_per_h"], edge, people)
    name = f"pull-tape-{number}"
    draft.tasks.append(
        Task(name, "pull-tape", "Pull the tape while the coat is soft", pull, "crew", ANY, 0, names, people)
    )
    draft.afters.append(After(film, name, within_h=yard.pull_tape_within_h))
    cure = times_of(coat, yard.sheets, terms.limits).walk_on_h
    draft.tasks.append(
        Task(f"walk-on-{number}", "walk-on", "Cure until it may be walked on", cure, "clock", panels=names)
    )
    draft.afters.append(After(film, f"walk-on-{number}"))


def _fittings_on(draft: _Draft, panels: tuple[PanelWork, ...], groups, people: int, terms: Terms) -> None:
    fittings = [(panel.name, fitting) for panel in panels for fitting in panel.fittings]
    if fittings:
        hours = terms.each("fitting_h", len(fittings), people)
        draft.last = None
        draft.share(_noted("fittings-on", "Fittings on", hours, people, fittings))
        draft.afters += [After(f"walk-on-{group.number}", "fittings-on") for group in groups if group.coats]


def _next(draft: _Draft, task: Task) -> None:
    draft.tasks.append(task)
    if draft.last is not None:
        draft.afters.append(After(draft.last, task.name))
    draft.last = task.name


def _coat_task(label: tuple[str, str, str], coat: str, hours: float, who: tuple[int, tuple[str, ...]], terms: Terms):
    name, stage, title = label
    times = times_of(coat, terms.yard.sheets, terms.limits)
    return Task(name, stage, title, hours, "unbroken", coat, times.dew_free_h, who[1], who[0])


def _key(name: str, stage: str, title: str, area: float, who: tuple[int, tuple[str, ...]], terms: Terms) -> Task:
    hours = terms.at_pace(terms.yard.paces["wash"], area, who[0]) + terms.at_pace(
        terms.yard.paces["key"], area, who[0]
    )
    return Task(name, stage, f"Wash and key before: {title}", hours, "crew", DRY, 0, who[1], who[0], keys=True)


def _noted(name: str, title: str, hours: float, people: int, noted: list[tuple[str, str]]) -> Task:
    """A task over what was noted, as (panel, words); fittings come off in rain too."""
    gate = ANY if name.startswith("fittings") else DRY
    return Task(name, name, title, hours, "crew", gate, 0, _names(noted), people, _words(noted))


def _names(pairs: list[tuple[str, str]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for name, _ in pairs))


def _words(pairs: list[tuple[str, str]]) -> str:
    return "; ".join(f"{name}: {what}" for name, what in pairs)


def _own(task: OwnTask, people: int, case: int) -> Task:
    kind, whose = ("crew", people) if task.crew else ("clock", 0)
    return Task(task.name, "own", task.name, task.hours.ends[case], kind, people=whose)


def _own_rules(own: tuple[OwnTask, ...], tasks: list[Task]) -> Iterable[After]:
    """After and before of the user's tasks; a stage stands for all its tasks."""
    named = {name: [name] for name in (*(task.name for task in tasks), *(mine.name for mine in own))}
    stages: dict[str, list[str]] = {}
    for task in tasks:
        stages.setdefault(task.stage, []).append(task.name)
    for mine in own:
        for word in (*mine.after, *mine.before):
            if word not in named and word not in stages:
                known = ", ".join(dict.fromkeys(chain(stages, (t.name for t in own))))
                raise SettingsError(
                    f"The task {mine.name!r} waits for {word!r}, and the programme has no such task or stage. Known "
                    f"are {known}, and the tasks in programme.csv."
                )
        for word in mine.after:
            yield from (After(name, mine.name) for name in named.get(word) or stages[word])
        for word in mine.before:
            yield from (After(mine.name, name) for name in named.get(word) or stages[word])
