"""A user's rates file: prices, paces, packs and what the data sheets say. No price and no pace is shipped."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal

from texscan.errors import SettingsError
from texscan.plan.consumption import disc_m2
from texscan.plan.figure import DATA_SHEET, USER, Figure
from texscan.plan.materials import figure_of, source_of
from texscan.settings import number, parse, refuse_unknown, text_of

TEXTURES = ("broadcast-grit", "grit-in-paint", "texture-coating", "moulded")  # ways to make a new texture
FLATTEN = ("fill", "cut")  # up to the peaks with filler, or down to the floors
# What work goes at a pace, and the pace's unit.
PACES = {
    "wash": "m2/h",
    "mask": "m/h",
    "key": "m2/h",
    "sand_flat": "m2/h",
    "fill": "m2/h",
    "coat": "m2/h",
    "texture": "m2/h",
}
# What can be bought besides paint and discs, and the unit of a pack.
GOODS = {
    "thinner": "L",
    "epoxy": "kg",
    "filler powder": "kg",
    "grit": "kg",
    "texture coating": "L",
    "gelcoat": "L",
    "tape": "m",
}
TOP_KEYS = ("currency", "decimals", "tax_percent", "contingency_percent", "texture", "flatten", "labour", "pace",
            "paint", "buy", "disc", "sum", "materials")  # fmt: skip
OF_PROGRAMME = ("programme", "coat_times", "task")  # tables that the programme reads
PAINT_KEYS = ("name", "coats", "pack_l", "price", "mix", "loss", "source")
DISC_KEYS = ("grit", "m2_per_disc", "diameter_mm", "times_own_area", "l_per_disc", "pack", "price")
MOST_DECIMALS = 4
PRICE = (0.0, 1e9)
PACE = (1e-3, 1e4)
HOURS = (0.0, 1e5)
PACK = (1e-3, 1e4)
LOSS = (0.0, 0.95)
YIELD = (1e-6, 1e5)


@dataclass(frozen=True, slots=True)
class Paint:
    """One paint as it is bought, and what its data sheet says."""

    name: str
    coats: tuple[str, ...]  # names of the coats that it is laid for
    pack_l: tuple[float, ...] = ()  # one kit, or one entry a component; empty = not stated
    price: tuple[Decimal, ...] = ()  # of each pack
    mix: tuple[float, ...] = ()  # parts by volume; empty = one component
    loss: Figure | None = None
    source: str = DATA_SHEET


@dataclass(frozen=True, slots=True)
class Good:
    """Something else that is bought by the pack, in the unit of `GOODS`."""

    item: str
    pack: float
    price: Decimal | None = None  # of a pack


@dataclass(frozen=True, slots=True)
class Disc:
    """Abrasive discs of one grit, with the yields of the user's own experience."""

    grit: float
    m2_per_disc: float
    l_per_disc: float | None = None
    pack: int = 1
    price: Decimal | None = None  # of a pack


@dataclass(frozen=True, slots=True)
class Rates:
    """A whole rates file; what it does not state is None or empty."""

    currency: str | None = None
    decimals: int = 2
    tax_percent: Decimal | None = None
    contingency_percent: tuple[Decimal, Decimal, Decimal] | None = None  # low, likely, high
    texture: str | None = None  # of TEXTURES
    flatten: str | None = None  # of FLATTEN
    hourly: Decimal | None = None
    fixed_h: Figure | None = None  # of the whole job
    h_per_fitting: Figure | None = None
    paces: dict[str, Figure] = field(default_factory=dict)  # of PACES
    paints: tuple[Paint, ...] = ()
    goods: dict[str, Good] = field(default_factory=dict)
    discs: tuple[Disc, ...] = ()
    sums: tuple[tuple[str, tuple[Decimal, Decimal, Decimal]], ...] = ()  # access, containment: low, likely, high
    materials: dict = field(default_factory=dict)  # as the file has them, for `materials.with_users`
    of_programme: dict = field(default_factory=dict)  # as the file has them

    def paint_of(self, coat: str) -> Paint | None:
        """The paint that a coat of this name is laid with."""
        return next((paint for paint in self.paints if coat in paint.coats), None)


def rates_from_toml(text: str, name: str) -> Rates:
    """
    The rates of a rates file; `rates_template.TEMPLATE` says what may stand in it.

    Raises
    ------
    SettingsError : unknown keys (with the nearest known one), impossible values, a price without a currency.
    """
    tables = parse(text, name)
    refuse_unknown(tables, (*TOP_KEYS, *OF_PROGRAMME), name)
    labour = _table(tables, "labour", ("hourly", "fixed_h", "h_per_fitting"), name)
    pace = _table(tables, "pace", PACES, name)
    rates = Rates(
        currency=text_of(tables["currency"], f"{name}: currency") if "currency" in tables else None,
        decimals=_decimals(tables.get("decimals", 2), name),
        tax_percent=_amount(tables, "tax_percent", name),
        contingency_percent=_amounts(tables, "contingency_percent", name),
        texture=_one_of(tables, "texture", TEXTURES, name),
        flatten=_one_of(tables, "flatten", FLATTEN, name),
        hourly=_amount(labour, "hourly", f"{name}, labour"),
        fixed_h=_figure(labour, "fixed_h", HOURS, f"{name}, labour"),
        h_per_fitting=_figure(labour, "h_per_fitting", HOURS, f"{name}, labour"),
        paces={key: figure_of(pace[key], *PACE, f"{name}, pace: {key}", source=USER) for key in pace},
        paints=tuple(_paint(table, where) for table, where in _tables(tables, "paint", name)),
        goods=_goods(tables, name),
        discs=tuple(_disc(table, where) for table, where in _tables(tables, "disc", name)),
        sums=tuple(_sum(table, where) for table, where in _tables(tables, "sum", name)),
        materials=_table(tables, "materials", None, name),
        of_programme={key: tables[key] for key in OF_PROGRAMME if key in tables},
    )
    _refuse_contradictions(rates, name)
    return rates


def _refuse_contradictions(rates: Rates, name: str) -> None:
    priced = rates.hourly is not None or bool(rates.sums) or any(paint.price for paint in rates.paints)
    prices = [*(good.price for good in rates.goods.values()), *(disc.price for disc in rates.discs)]
    priced |= any(price is not None for price in prices)
    if priced and rates.currency is None:
        raise SettingsError(f'{name} has prices and no currency. Write currency = "...", as it is to be printed.')
    for noun, entries in (
        ("coat", [coat for paint in rates.paints for coat in paint.coats]),
        ("paint", [paint.name for paint in rates.paints]),
        ("grit", [f"P{disc.grit:g}" for disc in rates.discs]),
    ):
        for entry in entries:
            if entries.count(entry) > 1:
                raise SettingsError(f"{name} names the {noun} {entry!r} more than once. Leave one.")


def _paint(table: dict, where: str) -> Paint:
    refuse_unknown(table, PAINT_KEYS, where)
    coats = table.get("coats")
    if not isinstance(coats, list) or not coats:
        raise SettingsError(f'{where}: coats is {coats!r}; names of coats such as ["primer"] are needed.')
    source = source_of(table.get("source", DATA_SHEET), where)
    mix = _numbers(table, "mix", (1e-3, 1e3), where)
    pack_l = _numbers(table, "pack_l", PACK, where)
    price = tuple(Decimal(repr(p)) for p in _numbers(table, "price", PRICE, where))
    if len(pack_l) not in (0, 1, len(mix)) or (price and len(price) != len(pack_l)):
        raise SettingsError(
            f"{where}: pack_l has {len(pack_l)}, price {len(price)} and mix {len(mix)} numbers; one pack and its "
            "price for the kit, or one of each for every component of mix is needed."
        )
    loss = _figure(table, "loss", LOSS, where, source=source)
    return Paint(
        name=text_of(table.get("name"), f"{where}: name"),
        coats=tuple(text_of(coat, f"{where}: coats") for coat in coats),
        pack_l=pack_l,
        price=price,
        mix=mix,
        loss=loss,
        source=source,
    )


def _goods(tables: dict, name: str) -> dict[str, Good]:
    found: dict[str, Good] = {}
    for table, where in _tables(tables, "buy", name):
        refuse_unknown(table, ("item", "pack", "price"), where)
        item = _one_of(table, "item", tuple(GOODS), where)
        if item is None or item in found:
            raise SettingsError(f"{where}: each [[buy]] needs an item of its own: {', '.join(GOODS)}.")
        pack = number(table.get("pack"), *PACK, f"{where}: pack")
        found[item] = Good(item, pack, _amount(table, "price", where))
    return found


def _disc(table: dict, where: str) -> Disc:
    refuse_unknown(table, DISC_KEYS, where)
    own = ("diameter_mm", "times_own_area")
    if ("m2_per_disc" in table) == any(key in table for key in own):
        raise SettingsError(f"{where} needs m2_per_disc, or diameter_mm and times_own_area instead of it.")
    if "m2_per_disc" in table:
        yield_m2 = number(table["m2_per_disc"], *YIELD, f"{where}: m2_per_disc")
    else:
        diameter_mm, times = (number(table.get(key), *YIELD, f"{where}: {key}") for key in own)
        yield_m2 = disc_m2(diameter_mm) * times
    return Disc(
        grit=number(table.get("grit"), 20.0, 3000.0, f"{where}: grit"),
        m2_per_disc=yield_m2,
        l_per_disc=_optional(table, "l_per_disc", YIELD, where),
        pack=int(number(table.get("pack", 1), 1, 10_000, f"{where}: pack")),
        price=_amount(table, "price", where),
    )


def _sum(table: dict, where: str) -> tuple[str, tuple[Decimal, Decimal, Decimal]]:
    refuse_unknown(table, ("name", "price"), where)
    price = _amounts(table, "price", where)
    if price is None:
        raise SettingsError(f"{where} has no price. Give a number or [low, likely, high].")
    return text_of(table.get("name"), f"{where}: name"), price


def _table(tables: dict, key: str, known, where: str) -> dict:
    table = tables.get(key, {})
    if not isinstance(table, dict):
        raise SettingsError(f"{where}: {key!r} is no table. Write it under [{key}].")
    if known is not None:
        refuse_unknown(table, known, f"{where}, {key}")
    return table


def _tables(tables: dict, key: str, where: str) -> list[tuple[dict, str]]:
    entries = tables.get(key, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError(f"{where}: {key!r} is no list of tables. Write each one under [[{key}]].")
    return [(entry, f"{where}, {key} {number_of}") for number_of, entry in enumerate(entries, start=1)]


def _numbers(table: dict, key: str, span: tuple[float, float], where: str) -> tuple[float, ...]:
    """A number or a list of numbers; empty where the key is missing."""
    value = table.get(key, [])
    entries = value if isinstance(value, list) else [value]
    return tuple(number(entry, *span, f"{where}: {key}") for entry in entries)


def _optional(table: dict, key: str, span: tuple[float, float], where: str) -> float | None:
    return number(table[key], *span, f"{where}: {key}") if key in table else None


def _figure(table: dict, key: str, span: tuple[float, float], where: str, *, source: str = USER) -> Figure | None:
    return figure_of(table[key], *span, f"{where}: {key}", source=source) if key in table else None


def _amount(table: dict, key: str, where: str) -> Decimal | None:
    """A price or percentage, in exactly the digits of the file."""
    return Decimal(repr(number(table[key], *PRICE, f"{where}: {key}"))) if key in table else None


def _amounts(table: dict, key: str, where: str) -> tuple[Decimal, Decimal, Decimal] | None:
    if key not in table:
        return None
    ends = figure_of(table[key], *PRICE, f"{where}: {key}", source=USER).ends
    low, likely, high = (Decimal(repr(end)) for end in ends)
    return low, likely, high


def _decimals(value: object, name: str) -> int:
    found = number(value, 0, MOST_DECIMALS, f"{name}: decimals")
    if found != int(found):
        raise SettingsError(f"{name}: decimals is {value!r}; a whole number from 0 to {MOST_DECIMALS} is needed.")
    return int(found)


def _one_of(table: dict, key: str, known: tuple[str, ...], where: str) -> str | None:
    if key not in table:
        return None
    if table[key] not in known:
        raise SettingsError(f"{where}: {key} is {table[key]!r}; one of {', '.join(known)} is needed.")
    return table[key]
