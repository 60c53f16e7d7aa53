"""What the work costs, from the user's prices alone."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from texscan.plan.figure import Figure
from texscan.plan.orders import Case, Order
from texscan.plan.quantities import WITHOUT_PACE
from texscan.plan.rates import Rates

HUNDRED = Decimal(100)
NOTHING = (Decimal(0),) * 3
Ends = tuple[Decimal, Decimal, Decimal]  # low, likely, high


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line, rounded half up to the currency's decimals."""

    words: str
    ends: Ends
    rests_on: str = ""


@dataclass(frozen=True, slots=True)
class Costs:
    """The price of a case: lines, what comes on top, and what has no price and is not in it."""

    case: str
    currency: str
    lines: tuple[CostLine, ...]
    subtotal: CostLine
    contingency: CostLine | None
    tax: CostLine | None
    whole: CostLine
    not_priced: tuple[str, ...]


def costs_of(case: Case, rates: Rates) -> Costs | None:
    """
    Low, likely and high price of a case; None where the rates file names no currency.

    Notes
    -----
    Each line is rounded before it is added, contingency and tax once, so that the printed lines add up. Tax is on
    lines and contingency together.
    """
    if rates.currency is None:
        return None
    step = Decimal(1).scaleb(-rates.decimals)
    lines = [*_materials(case.orders, step), *_labour(case, rates, step)]
    lines += [CostLine(name, _rounded(price, step), "sum") for name, price in rates.sums]
    subtotal = CostLine("subtotal", _sum([line.ends for line in lines]))
    contingency = tax = None
    whole = subtotal.ends
    if rates.contingency_percent is not None:
        contingency = CostLine("contingency", _part(whole, rates.contingency_percent, step))
        whole = _sum([whole, contingency.ends])
    if rates.tax_percent is not None:
        tax = CostLine("tax", _part(whole, (rates.tax_percent,) * 3, step), f"{float(rates.tax_percent):g} %")
        whole = _sum([whole, tax.ends])
    return Costs(
        case=case.name,
        currency=rates.currency,
        lines=tuple(lines),
        subtotal=subtotal,
        contingency=contingency,
        tax=tax,
        whole=CostLine("total", whole),
        not_priced=_not_priced(case, rates),
    )


def _materials(orders: tuple[Order, ...], step: Decimal) -> list[CostLine]:
    lines = []
    for order in orders:
        if order.price is not None and order.packs is not None:
            ends = _rounded(tuple(count * order.price for count in order.packs), step)
            lines.append(CostLine(order.what, ends, f"packs of {order.pack:g} {order.unit}"))
    return lines


def _labour(case: Case, rates: Rates, step: Decimal) -> list[CostLine]:
    """Hours of all panels and the fixed hours, at the hourly price."""
    if rates.hourly is None:
        return []
    hours = [line.figure for line in case.totals if line.item == "labour"]
    if rates.fixed_h is not None:
        hours.append(rates.fixed_h)
    if not hours:
        return []
    ends = tuple(sum((_exact(figure, end) for figure in hours), Decimal(0)) for end in range(3))
    words = f"{ends[0]:.1f} to {ends[2]:.1f} h"
    return [CostLine("labour", _rounded(tuple(h * rates.hourly for h in ends), step), words)]


def _exact(figure: Figure, end: int) -> Decimal:
    return Decimal(repr(figure.ends[end]))


def _not_priced(case: Case, rates: Rates) -> tuple[str, ...]:
    """What is needed and has no price: orders (a component is in its kit's price), and tasks without pace."""
    priced_parts = {order.part_of for order in case.orders if order.part_of and order.price is not None}
    missing = [
        order.what
        for order in case.orders
        if order.price is None and not order.part_of and order.what not in priced_parts
    ]
    without = dict.fromkeys(row.detail for row in case.rows if row.item == WITHOUT_PACE)
    if rates.hourly is None:
        missing.append("labour")
    elif without:
        missing.append(f"labour of {', '.join(without)}")
    return tuple(missing)


def _rounded(ends: tuple[Decimal, ...], step: Decimal) -> Ends:
    low, likely, high = (end.quantize(step, rounding=ROUND_HALF_UP) for end in ends)
    return low, likely, high


def _part(ends: Ends, percent: tuple[Decimal, ...], step: Decimal) -> Ends:
    return _rounded(tuple(end * share / HUNDRED for end, share in zip(ends, percent, strict=True)), step)


def _sum(parts: list[Ends]) -> Ends:
    low, likely, high = (sum(ends, Decimal(0)) for ends in zip(*parts, strict=True)) if parts else NOTHING
    return low, likely, high
