"""What is to be done: options, specification, quantities, programme, price."""

from __future__ import annotations

from texscan.model import Coat
from texscan.proposal import plan_sections
from texscan.proposal.content import Block, Bullets, Paragraph, Table
from texscan.proposal.front import left_text
from texscan.proposal.material import RECOAT_WAYS, Material, Panel
from texscan.proposal.wording import NO_BREAK, Words, clean

LITRES_PER_UM_M2 = 1e-3  # 1 um over 1 m2 is 1 cm3
OPTION_LETTERS = "abcd"
COLUMNS = ("recoat-as-planned", "fewer-coats", "sprayed")  # of the table of what each way leaves
RETEXTURE_WAYS = ("sand-flat-and-retexture", "local-repair")


def names_of(panels: tuple[Panel, ...], words: Words) -> str:
    """ "1 Foredeck, 3 Side deck" """
    return ", ".join(f"{panel.number}{NO_BREAK}{clean(panel.name)}" for panel in panels) or words("options.none")


# Options


def options(material: Material, words: Words, *, price_section: str) -> tuple[Block, ...]:
    heads = ("option", "covers", "predicted", "risk")
    rows = tuple(_option(letter, material, words) for letter in OPTION_LETTERS)
    whole = Table(
        words("options.table"),
        tuple(words(f"options.{head}") for head in heads),
        rows,
        widths=(3.0, 4.4, 2.8, 5.0),
    )
    scored = [panel for panel in material.panels if panel.outcome is not None]
    titles = {way["name"]: clean(way["title"]) for panel in scored for way in panel.score.get("options", ())}
    columns = [name for name in COLUMNS if name in titles]
    each = Table(
        words("options.panel_table"),
        (words("options.panel"), *(titles[name] for name in columns), words("evidence.fill")),
        tuple(
            (
                panel.title,
                *(left_text(panel, name, words) for name in columns),
                _fill(panel, words),
            )
            for panel in scored
        ),
        widths=(4, *(2.2 for _ in columns), 2.2),
    )
    life, cost = Paragraph(words("options.life")), Paragraph(words("options.cost", price=price_section))
    return Paragraph(words("options.lead"), "lead"), whole, *((each,) if columns else ()), life, cost


def _fill(panel: Panel, words: Words) -> str:
    fill = (panel.option("sand-flat-and-retexture") or {}).get("fill_mm")
    return words.span(fill["low"], fill["high"], 2) if fill else ""


def _option(letter: str, material: Material, words: Words) -> tuple[str, ...]:
    scored = tuple(panel for panel in material.panels if panel.outcome is not None)
    against = tuple(p for p in scored if not (p.option("recoat-as-planned") or {"offered": True})["offered"])
    sound = material.with_action("recoat")
    recoat, retexture = material.with_way(*RECOAT_WAYS), material.with_way(*RETEXTURE_WAYS)
    open_ones = names_of(tuple(p for p in material.open() if p.outcome is not None), words)
    covers = words(
        f"options.{letter}_covers",
        recoat=names_of(recoat, words),
        retexture=names_of(retexture, words),
        open=open_ones,
    )
    risk = {
        "a": words("options.a_risk", panels=names_of(against, words)) if against else words("options.a_risk_none"),
        "b": words("options.b_risk", panels=names_of(sound, words)) if sound else words("options.b_risk_none"),
    }.get(letter) or words(f"options.{letter}_risk")
    predicted = {"a": _least_to_most(scored, words), "c": _least_to_most(recoat, words)}.get(letter)
    return words(f"options.{letter}"), covers, predicted or words(f"options.{_predicted_key(letter)}"), risk


def _predicted_key(letter: str) -> str:
    return "d_predicted" if letter == "d" else "b_predicted"


def _least_to_most(panels: tuple[Panel, ...], words: Words) -> str:
    left = [(panel.option("recoat-as-planned") or {}).get("void_depth_mm") for panel in panels]
    known = [entry for entry in left if entry]
    if not known:
        return ""
    return f"{words.span(min(e['low'] for e in known), max(e['high'] for e in known), 2)} mm"


# Specification


def specification(material: Material, words: Words, *, quantities: str, quality: str) -> tuple[Block, ...]:
    """Per chosen way; the numbers of the sections that it points to are given."""
    practice = {name: words.number(limit.value, 1 if limit.value % 1 else 0) for name, limit in
                material.limits.practice.items()}  # fmt: skip
    given = {
        "cure_low": practice["masking_cure_least_days"],
        "cure_high": practice["masking_cure_most_days"],
        "grit_low": practice["grit_coarse"],
        "grit_high": practice["grit_fine"],
        "window": practice["recoat_window_h"],
        "gelcoat_low": practice["gelcoat_thin_mm"],
        "gelcoat_high": practice["gelcoat_thick_mm"],
        "quantities": quantities,
        "quality": quality,
    }
    blocks: list[Block] = [Paragraph(words("specification.lead"), "lead")]
    scored = tuple(panel for panel in material.panels if panel.outcome is not None)
    groups = (
        ("repair", tuple(panel for panel in scored if panel.found.repair_first)),
        ("recoat", material.with_way(*RECOAT_WAYS)),
        ("retexture", material.with_way(*RETEXTURE_WAYS)),
        ("open", tuple(panel for panel in material.open() if panel.outcome is not None)),
    )
    for key, panels in groups:
        if panels:
            blocks.append(Paragraph(words(f"specification.{key}_title", panels=names_of(panels, words)), "title"))
            blocks.append(Bullets(words.items(f"specification.{key}", **given)))
    if len(blocks) == 1:
        blocks.append(Paragraph(words("specification.none")))
    blocks += _coat_tables(material, words)
    blocks.append(Paragraph(words("specification.conditions_title"), "title"))
    blocks.append(Bullets(words.items("specification.conditions", **given)))
    return tuple(blocks)


def _coat_tables(material: Material, words: Words) -> tuple[Block, ...]:
    """A table a coat system, with the panels that it is for where there are several."""
    systems: dict[tuple[Coat, ...], list[Panel]] = {}
    for panel in material.panels:
        systems.setdefault(material.coats_of(panel), []).append(panel)
    several = len(systems) > 1
    tables = tuple(
        coats_table(coats, names_of(tuple(panels), words) if several else "", words)
        for coats, panels in systems.items()
    )
    source = words("specification.coats_assumed" if material.coats_assumed else "specification.coats_user")
    return *tables, Paragraph(source, "small")


def coats_table(coats: tuple[Coat, ...], panels: str, words: Words) -> Table:
    """What is to be laid; `panels` names what it is for, empty = all."""
    heads = ("coat", "coat_kind", "product", "solids", "wet", "dry", "thinning", "peaks")
    rows = []
    for coat in coats:
        low, _, high = coat.peak_share
        thinner = words.percent(coat.thinning)
        rows.append(
            (
                clean(coat.name),
                clean(coat.kind),
                "",
                words.percent(coat.volume_solids),
                f"{words.number(coat.wet_um, 0)} µm",
                f"{words.number(coat.dry_um, 0)} µm",
                thinner,
                words("format.range", low=words.number(100 * low, 0), high=words.percent(high)),
            )
        )
    return Table(
        words("specification.coats_table_of", panels=panels) if panels else words("specification.coats_table"),
        tuple(words(f"specification.{head}") for head in heads),
        tuple(rows),
        widths=(2.6, 1.8, 3.4, 1.6, 1.6, 1.6, 1.5, 2),
        numeric=(3, 4, 5, 6),
        roomy=True,
    )


# Quantities, programme, price


def quantities(material: Material, words: Words) -> tuple[Block, ...]:
    if material.plan is not None:
        return plan_sections.quantities(material, material.plan, words)
    missing = material.no_plan or words("quantities.needs_survey")
    return Paragraph(words("quantities.missing", missing=missing.rstrip("."))), per_square_metre(material, words)


def per_square_metre(material: Material, words: Words) -> Table:
    """What each square metre takes, where areas are not known: wet paint and filler, before waste."""
    rows = []
    for coat in material.coats:
        amount = words.volume(coat.wet_um * LITRES_PER_UM_M2, 3)
        rows.append((words("quantities.per_m2_coat", coat=coat.name), amount, words("quantities.source_coats")))
    for panel in material.panels:
        fill = (panel.option("sand-flat-and-retexture") or {}).get("fill_mm")
        if fill and "sand-flat-and-retexture" in panel.ways:
            span = words("format.range", low=words.volume(fill["low"], 3), high=words.volume(fill["high"], 3))
            name = words("quantities.per_m2_fill", panel=panel.title)
            rows.append((name, span, words("quantities.source_measured")))
    heads = (words(f"quantities.per_m2_{head}") for head in ("item", "amount", "source"))
    return Table(words("quantities.per_m2_table"), tuple(heads), tuple(rows), widths=(5, 3, 3))


def programme(material: Material, words: Words) -> tuple[Block, ...]:
    if material.plan is not None:
        return plan_sections.programme(material, material.plan, words)
    missing = material.no_plan or words("programme.needs_survey")
    return (Paragraph(words("programme.missing", missing=missing.rstrip("."))),)


def price(material: Material, words: Words) -> tuple[Block, ...]:
    if material.plan is not None and material.plan.job.quantities.costs:
        return plan_sections.price(material.plan, words)
    return (Paragraph(words("price.missing")),)
