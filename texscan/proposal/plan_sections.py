"""Quantities, programme, price and log limits, from what the plan worked out."""

from __future__ import annotations

import math
from collections import Counter
from datetime import datetime

from texscan.model import FLAGS
from texscan.plan.costs import Costs
from texscan.plan.figure import Figure, total
from texscan.plan.log_limits import PanelLimits
from texscan.plan.orders import Case, Order
from texscan.plan.quantity_table import IMPERIAL, cost_lines
from texscan.plan.timetable import Programme, Row
from texscan.proposal.content import Block, Bullets, Paragraph, Table
from texscan.proposal.content import Figure as Picture
from texscan.proposal.material import Material, Plan
from texscan.proposal.wording import NO_BREAK, Words, clean

SIGNIFICANT = 3  # digits of an amount; more than an order list can use
COLUMNS = (  # of the table by panel: word, items of the plan that add up to it, unit
    ("paint", ("paint",), "L"),
    ("filler", ("epoxy", "filler powder"), "kg"),
    ("grit", ("grit",), "kg"),
    ("tape", ("tape",), "m"),
)


def quantities(material: Material, plan: Plan, words: Words) -> tuple[Block, ...]:
    found = plan.job.quantities
    orders = tuple(_orders(case, words) for case in found.cases)
    notes = tuple(map(clean, found.notes))
    return Paragraph(words("quantities.lead"), "lead"), *orders, _by_panel(material, plan, words), *_notes(notes)


def _orders(case: Case, words: Words) -> Table:
    heads = ("item", "needed", "packs", "source")
    rows = [(_ordered(order), _amount(order.needed, order.unit, words), _packs(order, words),
             words(f"source.{order.needed.source.replace(' ', '-')}")) for order in case.orders]  # fmt: skip
    return Table(
        words("quantities.order_table", case=words(f"case.{case.name.replace(' ', '-')}")),
        tuple(words(f"quantities.{head}") for head in heads),
        tuple(rows),
        widths=(4, 3.6, 3.6, 2),
    )


def _ordered(order: Order) -> str:
    return f"{NO_BREAK * 4}{clean(order.what)}" if order.part_of else clean(order.what)


def _packs(order: Order, words: Words) -> str:
    if order.packs is None or order.pack is None:
        return words("quantities.no_packs")
    low, likely, high = order.packs
    count = str(likely) if low == high else words("format.figure", value=likely, low=low, high=high)
    return words("quantities.packs_of", count=count, size=_plain(order.pack, words), unit=order.unit)


def _by_panel(material: Material, plan: Plan, words: Words) -> Table:
    """Chosen and undecided ways, a row each."""
    titles = {panel.name: panel for panel in material.panels}
    rows = []
    for choice in plan.job.quantities.choices:
        panel = titles.get(choice.panel)
        if panel is None:
            continue
        for option in choice.options:
            way = panel.option(option)
            taken = [row for row in plan.job.quantities.rows if (row.panel, row.option) == (choice.panel, option)]
            cells = []
            for _, items, unit in COLUMNS:
                figures = tuple(row.figure for row in taken if row.item in items)
                cells.append(_stacked(total(figures), unit, words) if figures else "\u2013")
            name = panel.title if option == choice.options[0] else ""
            rows.append(
                (name, clean(way["title"]) if way else option, words.area(panel.area_m2, stacked=True), *cells)
            )
    heads = (words("quantities.panel"), words("quantities.way"), words("summary.area"))
    columns = (f"{words(f'quantities.{name}')}, {_unit(unit, words)}" for name, _, unit in COLUMNS)
    table = words("quantities.panel_table")
    return Table(table, (*heads, *columns), tuple(rows), widths=(3.6, 3, 2, 2, 2, 2, 2), small=True)


def _unit(unit: str, words: Words) -> str:
    return IMPERIAL[unit][0] if words.units == "imperial" and unit in IMPERIAL else unit


def _in_units(figure: Figure, unit: str, words: Words) -> tuple[str, str, str]:
    factor = IMPERIAL[unit][1] if words.units == "imperial" and unit in IMPERIAL else 1.0
    low, likely, high = (_plain(factor * end, words) for end in figure.ends)
    return low, likely, high


def _amount(figure: Figure, unit: str, words: Words) -> str:
    low, likely, high = _in_units(figure, unit, words)
    said = f"{likely}{NO_BREAK}{_unit(unit, words)}"
    return said if low == high else words("format.figure", value=said, low=low, high=high)


def _stacked(figure: Figure, unit: str, words: Words) -> str:
    low, likely, high = _in_units(figure, unit, words)
    return likely if low == high else f"{likely}\n{words('format.range', low=low, high=high)}"


def _plain(value: float, words: Words) -> str:
    """Three significant digits, never an exponent."""
    digits = SIGNIFICANT - 1 - math.floor(math.log10(value)) if value > 0 else 0
    return words.number(value, min(max(digits, 0), SIGNIFICANT))


# Programme


def programme(material: Material, plan: Plan, words: Words) -> tuple[Block, ...]:
    found = plan.programme
    if found is None:
        return (Paragraph(words("programme.missing", missing=plan.no_programme.rstrip("."))),)
    blocks: list[Block] = [Paragraph(words("programme.lead"), "lead"), Paragraph(when(found, words))]
    if plan.chart is not None:
        blocks.append(Picture(plan.chart, words("programme.chart_caption"), words("programme.chart_alt")))
    table = Table(
        words("programme.table"),
        tuple(words(f"programme.{head}") for head in ("task", "panels", "starts", "ends", "note")),
        tuple(_task(row, material, words) for row in found.rows),
        widths=(3.6, 2.0, 2.4, 2.4, 6.6),
        small=True,
    )
    said = (*found.missed, *found.moved, *found.notes, *(FLAGS[flag] for flag in found.flags))
    assumed = ", ".join(name.replace("_", " ") for name in plan.assumed)
    notes = (*map(clean, said), *((words("programme.assumed", names=assumed),) if assumed else ()))
    return *blocks, table, *_notes(notes)


def when(found: Programme, words: Words) -> str:
    """ "From day to day; with few hours ..., with many ..." """
    few, likely, many = found.finish
    ends = words.day(many.date()) if many else words("format.missing")
    start, end = words.day(found.rows[0].start.date()), words.day(likely.date())
    return words("programme.when", start=start, end=end, few=words.day(few.date()), many=ends)


def _task(row: Row, material: Material, words: Words) -> tuple[str, ...]:
    numbers = [str(panel.number) for panel in material.panels if panel.name in row.task.panels]
    named = words("programme.all") if len(numbers) == len(material.panels) else ", ".join(numbers)
    return clean(row.task.title), named, _moment(row.start, words), _moment(row.end, words), clean(row.note)


def _moment(moment: datetime, words: Words) -> str:
    month = str(words.texts["format.months"]).split()[moment.month - 1][:3]
    weekday = str(words.texts["format.weekdays"]).split()[moment.weekday()]
    return words("format.moment", weekday=weekday, day=moment.day, month=month, hour=f"{moment:%H:%M}")


# Price


def price(plan: Plan, words: Words) -> tuple[Block, ...]:
    blocks: list[Block] = [Paragraph(words("price.lead"), "lead")]
    for costs in plan.job.quantities.costs:
        blocks.append(_costs(costs, words))
        if costs.not_priced:
            items = ", ".join(map(clean, costs.not_priced))
            blocks.append(Paragraph(words("price.not_priced", items=items), "small"))
    return tuple(blocks)


def _costs(costs: Costs, words: Words) -> Table:
    decimals = max((-int(end.as_tuple().exponent) for end in costs.whole.ends), default=0)
    rows = [
        (clean(line.words), *(words.number(float(end), decimals) for end in line.ends), clean(line.rests_on))
        for line in cost_lines(costs)
    ]
    case = words(f"case.{costs.case.replace(' ', '-')}")
    return Table(
        words("price.table", currency=costs.currency, case=case),
        tuple(words(f"price.{head}") for head in ("item", "low", "likely", "high", "rests_on")),
        tuple(rows),
        widths=(4, 2, 2, 2, 5),
        numeric=(1, 2, 3),
        total=True,
    )


# Logs and acceptance


def log_limits(plan: Plan, words: Words) -> tuple[Block, ...]:
    """Each coat's limits; the sheets to fill in are a file of their own."""
    rows = []
    ways = Counter(panel.panel for panel in plan.job.panel_limits)
    for panel in plan.job.panel_limits:
        way = f", {panel.option.replace('-', ' ')}" if ways[panel.panel] > 1 else ""
        for number, limit in enumerate(panel.coats):
            first, last = limit.times.least_h, limit.times.most_h
            star = "" if {"least_h", "most_h"} <= limit.times.stated else " *"
            rows.append(
                (
                    clean(panel.panel) + way if number == 0 else "",
                    clean(limit.coat.name),
                    f"{words.number(limit.coat.wet_um, 0)} µm",
                    f"{words.number(limit.least_wet_um, 0)} µm",
                    f"{words.number(limit.most_wet_um, 0)} µm",
                    words("format.range", low=f"{first:g}", high=f"{last:g}") + f" h{star}",
                )
            )
    heads = words.items("logs.limit_heads")
    table = Table(words("logs.limit_table"), heads, tuple(rows), widths=(4, 3, 2, 2, 2, 3), small=True)
    return Paragraph(words("logs.lead_file"), "lead"), table, Paragraph(words("logs.limit_note"), "small")


def target(record: PanelLimits | None, words: Words) -> str:
    """The void depth that a panel has to show when the work is done."""
    if record is None or record.target_mm is None:
        return words("quality.target_retexture")
    return words("quality.target_span", span=words.span(record.target_mm.low, record.target_mm.high, 2))


def _notes(notes: tuple[str, ...]) -> tuple[Block, ...]:
    return (Bullets(notes),) if notes else ()
