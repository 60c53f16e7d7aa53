"""Quantities as tables for a spreadsheet, and as lines to print."""

from __future__ import annotations

from texscan.batch.tables import Row, csv_bytes
from texscan.plan.boat import BoatQuantities
from texscan.plan.costs import CostLine, Costs
from texscan.plan.figure import Figure
from texscan.plan.orders import Case, Order, standing
from texscan.plan.quantities import SMOOTH
from texscan.survey.units import AREA, LENGTH, VOLUME

COLUMNS = ("panel", "option", "stands", "item", "detail", "low", "likely", "high", "unit", "source", "rests_on")
COST_COLUMNS = ("case", "line", "low", "likely", "high", "currency", "rests_on")
WHOLE_BOAT = "whole boat"
POUND_KG = 0.45359237  # exact, NIST SP 811
# What our units are where a survey prints imperial ones, and how many of those one of ours holds.
IMPERIAL: dict[str, tuple[str, float]] = {
    "m2": AREA["imperial"],
    "m": LENGTH["imperial"],
    "L": VOLUME["imperial"],
    "kg": ("lb", 1 / POUND_KG),
}
PRINTED = {"m2": AREA["metric"][0]}  # units that are printed otherwise than tables have them


def quantities_csv(found: BoatQuantities) -> bytes:
    """
    quantities.csv: each line of each panel and option, then the boat's totals and orders by case.

    Volumes in L, masses in kg, areas in m2 whatever the survey prints in. `stands` tells chosen, undecided or other
    way; of the boat, the case.
    """
    rows: list[Row] = [
        (q.panel, q.option, standing(q, found.choices), q.item, q.detail, *q.figure.ends, q.unit, q.figure.source,
         q.rests_on)
        for q in found.rows
    ]  # fmt: skip
    for case in found.cases:
        for line in case.totals:
            source = line.figure.source
            words = "sum over the panels"
            rows.append(
                (WHOLE_BOAT, "", case.name, line.item, line.detail, *line.figure.ends, line.unit, source, words)
            )
        for order in case.orders:
            rows += _order_rows(order, case.name)
    return csv_bytes(COLUMNS, rows)


def _order_rows(order: Order, case: str) -> list[Row]:
    ends, source = order.needed.ends, order.needed.source
    rows: list[Row] = [
        (WHOLE_BOAT, "", case, "to order", order.what, *ends, order.unit, source, "sum over the panels")
    ]
    if order.packs is not None and order.pack is not None:
        words = f"packs of {order.pack:g} {order.unit}, rounded up"
        packs = tuple(float(count) for count in order.packs)
        left = order.packs[1] * order.pack - ends[1]
        rows.append((WHOLE_BOAT, "", case, "packs", order.what, *packs, "packs", source, words))
        words = "in the likely number of packs"
        rows.append(
            (WHOLE_BOAT, "", case, "left over", order.what, None, max(left, 0.0), None, order.unit, source, words)
        )
    return rows


def costs_csv(costs: tuple[Costs, ...]) -> bytes:
    """costs.csv: each line of each case, to the decimals of the currency."""
    rows: list[Row] = []
    for priced in costs:
        for line in cost_lines(priced):
            rows.append((priced.case, line.words, *map(str, line.ends), priced.currency, line.rests_on))
    return csv_bytes(COST_COLUMNS, rows)


def cost_lines(priced: Costs) -> list[CostLine]:
    """All lines of a price in the order of an offer."""
    ending = (priced.subtotal, priced.contingency, priced.tax, priced.whole)
    return [*priced.lines, *(line for line in ending if line is not None)]


def summary_lines(found: BoatQuantities, *, units: str) -> list[str]:
    """
    What a yard reads first: the way of each panel, what to order, what it costs, and the notes.

    Parameters
    ----------
    units : "metric" or "imperial", as in the survey.
    """
    lines = ["Panels"]
    for basis, choice in zip(found.bases, found.choices, strict=True):
        ways = " or ".join(option.replace("-", " ") for option in choice.options)
        lines.append(f"  {basis.panel}: {ways} ({choice.why}), {amount(basis.area_m2, 'm2', units)}")
    lines += [
        f"  {row.panel}: {row.option}, {amount(row.figure, row.unit, units)}; smooth_areas = false in the rates file "
        "leaves them out"
        for row in found.rows
        if row.panel == SMOOTH and row.item == "area"
    ]
    for case in found.cases:
        lines += ["", f"To order, {case.name}: likely (low to high)", *_orders(case, units)]
    for priced in found.costs:
        lines += ["", f"Price, {priced.case}, {priced.currency}: likely (low to high)"]
        lines += [f"  {line.words}: {line.ends[1]} ({line.ends[0]} to {line.ends[2]})" for line in cost_lines(priced)]
        if priced.not_priced:
            lines.append(f"  Not in it, no price given: {', '.join(priced.not_priced)}")
    if found.notes:
        lines += ["", *(f"Note: {note}" for note in found.notes)]
    return lines


def _orders(case: Case, units: str) -> list[str]:
    lines = []
    for order in case.orders:
        indent = "    " if order.part_of else "  "
        line = f"{indent}{order.what}: {amount(order.needed, order.unit, units)}"
        if order.packs is not None and order.pack is not None:
            low, likely, high = order.packs
            span = "" if low == high else f" ({low} to {high})"
            line += f"; packs of {order.pack:g} {order.unit}: {likely}{span}"
        lines.append(line)
    return lines


def amount(figure: Figure, unit: str, units: str) -> str:
    """A figure with its range in the units of the survey: '1.5 L (1.3 to 1.8)'."""
    if units == "imperial" and unit in IMPERIAL:
        unit, factor = IMPERIAL[unit]
    else:
        unit, factor = PRINTED.get(unit, unit), 1.0
    low, likely, high = (_digits(factor * end) for end in figure.ends)
    return f"{likely} {unit}" if low == high else f"{likely} {unit} ({low} to {high})"


def _digits(value: float) -> str:
    """Three significant digits, never an exponent: more than an order list can use."""
    if value >= 100:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 10 else f"{value:.2f}"
