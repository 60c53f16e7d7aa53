"""What stands at the end: assumptions, variations, acceptance, hold points, logs, safety, signatures, appendix."""

from __future__ import annotations

from texscan.cautions import cautions_of
from texscan.proposal import plan_sections
from texscan.proposal.content import Block, Bullets, Caution, Facts, Paragraph, Table
from texscan.proposal.front import verdict_of
from texscan.proposal.material import RECOAT_WAYS, Material, Panel
from texscan.proposal.wording import Words, clean
from texscan.proposal.work import names_of

LOG_ROWS = 8
WRITING_ROWS = 3  # empty rows at the end of a log that is already filled in part


def assumptions(material: Material, words: Words, *, specification: str) -> tuple[Block, ...]:
    assumed = list(words.items("assumptions.assumed", specification=specification))
    if material.coats_assumed:
        assumed.append(words("assumptions.assumed_coats"))
    if material.survey:
        unknown = (panel for panel in material.panels if panel.area_m2 is None)
        assumed += [words("assumptions.assumed_area", panel=panel.name) for panel in unknown]
    blocks: list[Block] = []
    for key, items in (("included", words.items("assumptions.included")),
                       ("excluded", words.items("assumptions.excluded")), ("assumed", tuple(assumed))):  # fmt: skip
        blocks += [Paragraph(words(f"assumptions.{key}_title"), "title"), Bullets(items)]
    return tuple(blocks)


def variations(words: Words) -> tuple[Block, ...]:
    blanks = Facts(((words("variations.rate"), ""), (words("variations.approver"), "")))
    return Paragraph(words("variations.lead"), "lead"), Bullets(words.items("variations.items")), blanks


def quality(material: Material, words: Words) -> tuple[Block, ...]:
    heads = ("panel", "way", "target", "signed")
    scored = [panel for panel in material.panels if panel.outcome is not None]
    table = Table(
        words("quality.table"),
        tuple(words(f"quality.{head}") for head in heads),
        tuple((p.title, _ways(p), _target(p, material, words), "") for p in scored),
        widths=(4, 3.4, 3, 4),
        roomy=True,
    )
    return Bullets(words.items("quality.items")), table


def _ways(panel: Panel) -> str:
    titles = (panel.option(way) for way in panel.ways)
    return " / ".join(clean(way["title"]) for way in titles if way)


def _target(panel: Panel, material: Material, words: Words) -> str:
    if len(panel.ways) != 1:
        return words("quality.target_open")
    records = material.plan.job.panel_limits if material.plan else ()
    record = next((one for one in records if (one.panel, one.option) == (panel.name, panel.ways[0])), None)
    if record is not None:
        return plan_sections.target(record, words)
    left = (panel.option(panel.ways[0]) or {}).get("void_depth_mm")
    if panel.ways[0] in RECOAT_WAYS and left:
        return words("quality.target_span", span=words.span(left["low"], left["high"], 2))
    return words("quality.target_retexture")


def holds(words: Words) -> tuple[Block, ...]:
    rows = tuple((*row, "") for row in words.rows("holds.points"))
    heads = tuple(words(f"holds.{head}") for head in ("point", "what", "signed"))
    table = Table(words("holds.table"), heads, rows, widths=(1, 7, 5), roomy=True)
    return Paragraph(words("holds.lead"), "lead"), table


def logs(material: Material, words: Words) -> tuple[Block, ...]:
    """The coats' limits, and where the sheets to fill in are; without a plan blank tables stand here."""
    if material.plan is not None:
        return plan_sections.log_limits(material.plan, words)
    decided = [panel for panel in material.panels if panel.ways]
    films = [
        (panel.title, clean(coat.name), f"{words.number(coat.wet_um, 0)} µm", "", "", "")
        for panel in decided
        for coat in material.coats_of(panel)
    ]
    window = words("logs.limit_window", window=f"{material.limits.practice['recoat_window_h'].value:g}")
    heads = {key: words.items(f"logs.{key}_heads") for key in ("film", "dew", "window")}
    blank = ("",) * len(heads["window"])
    return (
        Paragraph(words("logs.lead"), "lead"),
        Table(
            words("logs.film_table"),
            heads["film"],
            tuple(films) or (("",) * 6,),
            (3, 2.2, 1.8, 3.4, 3, 2.2),
            roomy=True,
        ),
        Table(
            words("logs.dew_table"),
            heads["dew"],
            (words.items("logs.dew_limits"), *((("",) * len(heads["dew"]),) * LOG_ROWS)),
            (2.4, 1.6, 1.9, 2, 1.9, 2.4, 1.6),
            roomy=True,
        ),
        Table(
            words("logs.window_table"),
            heads["window"],
            (("", "", "", window, "", ""), *((blank,) * LOG_ROWS)),
            (3, 2.4, 2, 2.8, 2.4, 1.6),
            roomy=True,
        ),
    )


def safety(material: Material, words: Words) -> tuple[Block, ...]:
    """Every caution that any of the ways in this document calls for, once, and the closing words last."""
    ways = [way for panel in material.panels for way in panel.ways] or ["sand-flat-and-retexture"]
    *_, closing = cautions_of(ways[0])
    sentences = dict.fromkeys(sentence for way in ways for sentence in cautions_of(way))
    sentences.pop(closing)
    own = dict.fromkeys(
        f"{clean(panel.name)}: {clean(text)}"
        for panel in material.panels
        if panel.outcome
        for text in panel.found.cautions
    )
    blocks: list[Block] = [Paragraph(words("safety.lead"), "lead")]
    found = tuple(p for p in material.panels if p.noted and p.noted.lead and p.noted.lead.outcome == "found")
    if found:
        blocks.append(Caution(words("safety.lead_found", panels=names_of(found, words))))
    blocks += [Caution(sentence) for sentence in (*own, *sentences)]
    blocks += [Paragraph(words("safety.waste_title"), "title"), Paragraph(words("safety.waste"))]
    return *blocks, Caution(closing)


def signing(material: Material, words: Words) -> tuple[Block, ...]:
    scored = [panel for panel in material.panels if panel.outcome is not None]
    choice = Table(
        words("signing.choice_table"),
        tuple(words(f"signing.{head}") for head in ("panel", "recommended", "chosen")),
        tuple((panel.title, verdict_of(panel, words), "") for panel in scored),
        widths=(5, 4, 5),
        roomy=True,
    )
    blocks: list[Block] = []
    for key in ("payment", "warranty"):
        blocks += [Paragraph(words(f"signing.{key}"), "title"), Paragraph(words(f"signing.{key}_text"))]
    blocks += [choice, Paragraph(words("signing.agreement"))]
    for key in ("owner", "yard"):
        blocks.append(Paragraph(words(f"signing.{key}"), "title"))
        blocks.append(Facts(tuple((words(f"signing.{line}"), "") for line in ("name", "signature", "date"))))
    return tuple(blocks)
