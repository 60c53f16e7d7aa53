"""The content of a proposal, put together once; the writers of PDF, HTML and DOCX walk through it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from texscan.proposal import appendix, closing, front, work
from texscan.proposal.content import Block, EvidencePage, Figure, Paragraph, Proposal, Section, Table
from texscan.proposal.material import Material
from texscan.proposal.panel_page import evidence_page
from texscan.proposal.wording import Words, clean

ORDER = (
    "parties", "summary", "method", "plan_of_deck", "evidence", "options", "specification", "quantities", "programme",
    "price", "assumptions", "variations", "quality", "holds", "logs", "safety", "signing", "appendix",
)  # fmt: skip
NUMBER = {name: str(number) for number, name in enumerate(ORDER, start=1)}
NEW_PAGE = ("evidence", "options", "logs", "safety", "signing", "appendix")
DEFAULT_ACCENT = "#1c4a63"  # ours; reads on white with 9:1


def proposal_of(material: Material, words: Words) -> Proposal:
    """All that the document says, figures and tables numbered through."""
    survey = material.survey
    boat = clean(survey.boat.name) if survey else ""
    looks = survey.looks if survey else None
    sections = numbered(tuple(_section(name, material, words) for name in ORDER), words)
    key = "with_boat" if boat else "without_boat"
    running = words("title.running", boat=boat, revision=material.issue.revision)
    if not boat:
        running = words("title.running_without_boat", revision=material.issue.revision)
    return Proposal(
        title=words("title.document"),
        subtitle=words(f"title.subtitle_{key}", boat=boat),
        running=running,
        page=str(words.texts["format.page"]),
        contents=words("title.contents"),
        parties=_parties(material, words),
        brief=front.brief_of(material, words, method=NUMBER["method"]),
        sections=sections,
        language=words("language.code"),
        author=clean(survey.yard.name) if survey and survey.yard.name else "texscan",
        description=words("title.description"),
        paper=looks.paper if looks else "a4",
        accent=(looks.accent if looks else None) or DEFAULT_ACCENT,
        missing_note=str(words.texts["appendix.made_up"]),
        logo=material.logo,
    )


def _parties(material: Material, words: Words) -> tuple[tuple[str, tuple[str, ...]], ...]:
    survey = material.survey
    found = (survey.owner, survey.yard) if survey else (None, None)
    labels = (words("parties.owner"), words("parties.yard"))
    return tuple((label, front.party_lines(party)) for label, party in zip(labels, found, strict=True))


def _section(name: str, material: Material, words: Words) -> Section:
    blocks = {
        "parties": lambda: front.parties(material, words),
        "summary": lambda: front.summary(material, words),
        "method": lambda: front.method(material, words),
        "plan_of_deck": lambda: front.deck_plan(material, words, summary_number=NUMBER["summary"]),
        "evidence": lambda: _evidence(material, words),
        "options": lambda: work.options(material, words, price_section=NUMBER["price"]),
        "specification": lambda: work.specification(
            material, words, quantities=NUMBER["quantities"], quality=NUMBER["quality"]
        ),
        "quantities": lambda: work.quantities(material, words),
        "programme": lambda: work.programme(material, words),
        "price": lambda: work.price(material, words),
        "assumptions": lambda: closing.assumptions(material, words, specification=NUMBER["specification"]),
        "variations": lambda: closing.variations(words),
        "quality": lambda: closing.quality(material, words),
        "holds": lambda: closing.holds(words),
        "logs": lambda: closing.logs(material, words),
        "safety": lambda: closing.safety(material, words),
        "signing": lambda: closing.signing(material, words),
        "appendix": lambda: appendix.appendix(material, words),
    }[name]()
    return Section(name.replace("_", "-"), NUMBER[name], words(f"{name}.heading"), blocks, name in NEW_PAGE)


def _evidence(material: Material, words: Words) -> tuple[Block, ...]:
    pages = tuple(
        evidence_page(panel, panel.evidence, words) for panel in material.panels if panel.evidence is not None
    )
    return Paragraph(words("evidence.lead"), "lead"), *pages


def numbered(sections: tuple[Section, ...], words: Words) -> tuple[Section, ...]:
    """The sections with figures and tables numbered through."""
    count = {"figure": 0, "table": 0}

    def caption(kind: str, text: str) -> str:
        count[kind] += 1
        return words(f"format.{kind}_caption", number=count[kind], text=text)

    def block(one: Block) -> Block:
        if isinstance(one, Figure | Table):
            return replace(one, caption=caption(one.kind, one.caption))
        if isinstance(one, EvidencePage):
            names = ("photo", "texture", "figures", "views", "patches", "reach", "ways")
            changes: dict[str, Any] = {
                name: block(part) for name in names if (part := getattr(one, name)) is not None
            }
            return replace(one, **changes)
        return one

    return tuple(replace(section, blocks=tuple(map(block, section.blocks))) for section in sections)
