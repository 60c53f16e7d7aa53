"""The whole boat: totals over its panels, and what to order, in packs rounded up."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from texscan.plan import consumption
from texscan.plan.choice import Choice
from texscan.plan.figure import Figure, rising, total
from texscan.plan.quantities import INFORMATION, PAINTED, SMOOTH, Quantity
from texscan.plan.rates import GOODS, Disc, Good, Paint, Rates

AS_CHOSEN = "as chosen"
RECOATED, SANDED = "undecided panels recoated", "undecided panels sanded flat"


@dataclass(frozen=True, slots=True)
class Total:
    """Sum of a line over the panels; low and high are sums of all lows and highs."""

    item: str
    detail: str
    unit: str
    figure: Figure


@dataclass(frozen=True, slots=True)
class Order:
    """Something to buy; `packs` (low, likely, high) hold the amounts, None where the pack is not known."""

    what: str
    unit: str
    needed: Figure
    pack: float | None = None
    packs: tuple[int, int, int] | None = None
    price: Decimal | None = None  # of a pack
    part_of: str = ""  # of which paint this is a component


@dataclass(frozen=True, slots=True)
class Case:
    """One way that the whole boat may go."""

    name: str
    rows: tuple[Quantity, ...]
    totals: tuple[Total, ...]
    orders: tuple[Order, ...]


def cases(rows: tuple[Quantity, ...], chosen: tuple[Choice, ...], rates: Rates) -> tuple[Case, ...]:
    """
    One case, or two where panels are undecided: all of these recoated, or all of them sanded flat.

    Parameters
    ----------
    rows : of all panels, with at least the options in `chosen`.
    """
    ends = {RECOATED: 0, SANDED: 1} if any(choice.open for choice in chosen) else {AS_CHOSEN: 0}
    found = []
    for name, end in ends.items():
        ways = {choice.panel: choice.options[end if choice.open else 0] for choice in chosen}
        ways[SMOOTH] = PAINTED
        taken = tuple(row for row in rows if ways.get(row.panel) == row.option)
        sums = totals(taken)
        found.append(Case(name, taken, sums, orders(sums, rates)))
    return tuple(found)


def totals(rows: tuple[Quantity, ...]) -> tuple[Total, ...]:
    """Sums of equal lines, in the order in which they first appear; lines for information are left out."""
    groups: dict[tuple[str, str, str], list[Figure]] = {}
    for row in rows:
        if row.item not in INFORMATION:
            groups.setdefault((row.item, row.detail, row.unit), []).append(row.figure)
    return tuple(Total(*key, total(tuple(figures))) for key, figures in groups.items())


def orders(sums: tuple[Total, ...], rates: Rates) -> tuple[Order, ...]:
    """What to buy: coats of one paint together, thinner of all coats together, rounded up to whole packs once."""
    found: list[Order] = []
    discs: list[Order] = []
    paints: dict[str, list[Figure]] = {}
    goods: dict[str, list[Figure]] = {}
    for line in sums:
        if line.item == "paint":
            paint = rates.paint_of(line.detail)
            paints.setdefault(line.detail if paint is None else paint.name, []).append(line.figure)
        elif line.item in GOODS:
            goods.setdefault(line.item, []).append(line.figure)
        elif line.item == "discs":
            disc = next(d for d in rates.discs if f"P{d.grit:g}" == line.detail)
            discs.append(_discs(disc, line))
    for name, figures in paints.items():
        known = next((paint for paint in rates.paints if paint.name == name), None)
        found += _paint(name, known, total(tuple(figures)))
    units = {line.item: line.unit for line in sums}
    for item, figures in goods.items():
        found.append(_good(item, units[item], rates.goods.get(item), total(tuple(figures))))
    return (*found, *discs)


def _paint(name: str, paint: Paint | None, needed: Figure) -> list[Order]:
    """The paint, and its components where it has two or more."""
    if paint is None:
        return [Order(name, "L", needed)]
    kit = len(paint.pack_l) == 1
    found = [_packed(name, "L", needed, paint.pack_l[0], paint.price) if kit else Order(name, "L", needed)]
    for place, _ in enumerate(paint.mix):
        part = rising(lambda litres, place=place: consumption.split(litres, paint.mix)[place], needed)
        words = f"{name}, {_component(place, len(paint.mix))}"
        if kit or not paint.pack_l:
            found.append(Order(words, "L", part, part_of=name))
        else:
            found.append(_packed(words, "L", part, paint.pack_l[place], paint.price[place : place + 1], part_of=name))
    return found


def _component(place: int, count: int) -> str:
    return ("base", "hardener")[place] if count == 2 else f"component {place + 1}"


def _packed(
    what: str, unit: str, needed: Figure, pack: float, price: tuple[Decimal, ...], *, part_of: str = ""
) -> Order:
    low, likely, high = (consumption.packs(end, pack) for end in needed.ends)
    return Order(what, unit, needed, pack, (low, likely, high), price[0] if price else None, part_of)


def _good(item: str, unit: str, good: Good | None, needed: Figure) -> Order:
    if good is None:
        return Order(item, unit, needed)
    return _packed(item, unit, needed, good.pack, () if good.price is None else (good.price,))


def _discs(disc: Disc, line: Total) -> Order:
    price = () if disc.price is None else (disc.price,)
    return _packed(f"discs {line.detail}", "discs", line.figure, disc.pack, price)


def undecided(chosen: tuple[Choice, ...]) -> tuple[str, ...]:
    """Panels that the photos leave open."""
    return tuple(choice.panel for choice in chosen if choice.open)


def standing(row: Quantity, chosen: tuple[Choice, ...]) -> str:
    """How a line stands: "chosen", "undecided" (one of both ways), or "other way"."""
    if row.panel == SMOOTH:
        return "chosen"
    choice = next(c for c in chosen if c.panel == row.panel)
    if row.option not in choice.options:
        return "other way"
    return "undecided" if choice.open else "chosen"
