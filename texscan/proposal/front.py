"""What stands first: in short, parties, recommendation, method, deck plan."""

from __future__ import annotations

import re

from texscan.model import FLAGS, Measured
from texscan.proposal.content import Block, Brief, Bullets, Cell, Facts, Figure, Paragraph, Part, Table, Verdict
from texscan.proposal.material import ACTIONS, NOT_SCORED, Material, Panel, total_area
from texscan.proposal.plan_sections import when
from texscan.proposal.wording import NO_BREAK, Words, clean, clean_lines
from texscan.survey.outcome import measured
from texscan.survey.records import Party

OLD_COATING, VOID_LEFT = "old coating", "void depth left"  # rules of the decision, by their names
MOST_ANSWERS = 3  # sentences below a question on the first page; the rest stands on the panels' pages
GAIN_DIGITS = 1


def verdict_of(panel: Panel, words: Words) -> Verdict:
    """The panel's recommendation in words, "repair first" included."""
    spoken = words(f"verdict.{panel.action}")
    if panel.outcome is not None and panel.found.repair_first:
        spoken = words("verdict.repair-first", verdict=spoken)
    return Verdict(panel.action, spoken)


def brief_of(material: Material, words: Words, *, method: str) -> Brief:
    """The half page that comes first; `method` is the number of the section on method."""
    parts = []
    for action in (*ACTIONS, NOT_SCORED):
        panels = material.with_action(action)
        if panels:
            verdict = Verdict(action, words(f"verdict.{action}"))
            amount, count = _amount(panels, words), words.count("brief.panels", len(panels))
            if total_area(panels) is None:
                amount, count = count, amount
            parts.append(Part(verdict, amount, count, words(f"brief.{action}")))
    answers = [
        (words("brief.repair"), _first(material, words)),
        (words("brief.why"), _why(material, words)),
        (words("brief.when"), (_when(material, words),)),
        (words("brief.doubt"), _doubt(material, words, method)),
    ]
    kept = tuple((question, given) for question, given in answers if given)
    return Brief(words("brief.heading"), tuple(parts), kept, words("brief.never"))


def _amount(panels: tuple[Panel, ...], words: Words) -> str:
    area = total_area(panels)
    unknown = sum(panel.area_m2 is None for panel in panels)
    if area is None:
        return words("brief.no_area")
    plain = words.area(Measured(area.value, area.value, area.value))
    return words("brief.part_area", area=plain, count=unknown) if unknown else plain


def _first(material: Material, words: Words) -> tuple[str, ...]:
    return tuple(
        words("brief.repair_one", panel=panel.name, repair=" ".join(panel.found.repair_first).rstrip("."))
        for panel in material.panels
        if panel.outcome is not None and panel.found.repair_first
    )


def _why(material: Material, words: Words) -> tuple[str, ...]:
    """One reason of the largest panel of each action."""
    sentences = []
    for action in ACTIONS:
        panels = [panel for panel in material.with_action(action) if panel.found.reasons]
        if panels:
            largest = max(panels, key=lambda panel: panel.area_m2.value if panel.area_m2 else 0.0)
            sentences.append(words("brief.why_one", panel=largest.name, reason=main_reason(largest)))
    return tuple(sentences)


def _when(material: Material, words: Words) -> str:
    plan = material.plan
    if plan is not None and plan.programme is not None:
        return when(plan.programme, words)
    missing = (plan.no_programme if plan else material.no_plan) or words("programme.needs_survey")
    return words("brief.when_unknown", missing=missing.rstrip("."))


def _doubt(material: Material, words: Words, method: str) -> tuple[str, ...]:
    sentences = []
    whole = total_area(material.panels)
    if whole is not None:
        ends = (words.area(Measured(end, end, end)) for end in (whole.low, whole.high))
        sentences.append(words("brief.doubt_area", **dict(zip(("low", "high"), ends, strict=True))))
    for panel in material.with_action("inconclusive"):
        change = next(iter(panel.found.would_change_it), "")
        if change:
            sentences.append(words("brief.doubt_open", panel=panel.name, change=first_sentence(change)))
    if not material.with_action("inconclusive") and material.with_action(NOT_SCORED) == ():
        sentences.append(words("brief.doubt_none", method=method))
    return tuple(sentences[:MOST_ANSWERS])


# Parties


def party_lines(party: Party | None) -> tuple[str, ...]:
    """Name, address, contact of a party; empty where it is not stated."""
    if party is None or not party.name:
        return ()
    return tuple(filter(None, (clean(party.name), *map(clean, party.address), clean(party.contact))))


def parties(material: Material, words: Words) -> tuple[Block, ...]:
    survey, issue = material.survey, material.issue
    boat = survey.boat if survey else None
    standing = (
        "" if boat is None or boat.ashore is None else words(f"parties.ashore_{'yes' if boat.ashore else 'no'}")
    )
    length = "" if boat is None or boat.length_m is None else f"{words.number(boat.length_m, 1)} m"
    valid = words.day(issue.valid_until) if issue.valid_until else words("parties.validity_open")
    rows = [
        ("boat", clean(boat.name) if boat else ""),
        ("kind", clean(boat.kind) if boat else ""),
        ("length", length),
        ("place", clean(boat.place) if boat else ""),
        ("ashore", standing),
        ("owner", ", ".join(party_lines(survey.owner)) if survey else ""),
        ("yard", ", ".join(party_lines(survey.yard)) if survey else ""),
        ("surveyor", clean(survey.surveyor) if survey else ""),
        ("surveyed_on", words.day(survey.surveyed_on) if survey and survey.surveyed_on else ""),
        ("weather", clean(survey.weather) if survey else ""),
        ("document", words("parties.revision", revision=issue.revision, date=words.day(issue.dated))),
        ("validity", valid),
    ]
    blocks: list[Block] = [Facts(tuple((words(f"parties.{key}"), value) for key, value in rows))]
    if survey and clean(survey.notes):
        blocks.append(Paragraph(words("parties.notes"), "title"))
        blocks += [Paragraph(line) for line in clean_lines(survey.notes)]
    return tuple(blocks)


# Recommendation


def summary(material: Material, words: Words) -> tuple[Block, ...]:
    heads = ("panel", "area", "condition", "void", "left", "verdict", "reason")
    rows: list[tuple[Cell, ...]] = [_summary_row(panel, words) for panel in material.panels]
    whole = total_area(material.panels)
    if whole is not None:
        rows.append((words("summary.total"), words.area(whole, stacked=True), "", "", "", "", ""))
    table = Table(
        words("summary.table"),
        tuple(words(f"summary.{head}") for head in heads),
        tuple(rows),
        widths=(3.9, 1.9, 2.0, 1.8, 1.8, 2.6, 4.0),
        total=whole is not None,
        small=True,
    )
    notes = ["note_void"]
    if material.with_action("inconclusive"):
        notes.append("note_inconclusive")
    if any(_one_patch(panel) for panel in material.panels):
        notes.append("note_one_patch")
    return (
        Paragraph(words("summary.lead"), "lead"),
        table,
        *(Paragraph(words(f"summary.{n}"), "small") for n in notes),
    )


def _one_patch(panel: Panel) -> bool:
    return panel.outcome is not None and len(panel.found.patches) == 1


def _summary_row(panel: Panel, words: Words) -> tuple[Cell, ...]:
    name = panel.title + (f"{NO_BREAK}*" if _one_patch(panel) else "")
    verdict = verdict_of(panel, words)
    if panel.outcome is None:
        return name, words.area(panel.area_m2, stacked=True), "", "", "", verdict, ""
    void = words.stacked(panel.found.figures.get("void_depth_mm"), 2)
    left = left_text(panel, "recoat-as-planned", words)
    area = words.area(panel.area_m2, stacked=True)
    return name, area, shares_text(panel, words), void, left, verdict, main_reason(panel)


def first_sentence(text: str) -> str:
    """Up to the first full stop or colon."""
    return re.split(r"(?<=[a-z])[.:] ", clean(text), maxsplit=1)[0].rstrip(".") + "."


def main_reason(panel: Panel) -> str:
    """The reason that the texture gives, where there is one; what the old coating allows comes second."""
    reasons = [clean(reason) for reason in panel.found.reasons]
    rules = panel.score["recommendation"].get("rules", ())
    coating = {clean(rule["sentence"]) for rule in rules if rule["name"] == OLD_COATING}
    if panel.action == "recoat":
        void = [clean(rule["sentence"]) for rule in rules if rule["name"] == VOID_LEFT]
        reasons = [*(r for r in void if r in reasons), *reasons]
    return next((reason for reason in reasons if reason not in coating), next(iter(reasons), ""))


def shares_text(panel: Panel, words: Words) -> str:
    """ "sound 65 %, worn 35 %, filled 0 %" """
    return words("summary.shares", **{name: words.percent(share) for name, share in panel.found.shares.items()})


def left_text(panel: Panel, option: str, words: Words) -> str:
    """What an option leaves of the void depth in the part that decides; empty where it leaves none."""
    left = (panel.option(option) or {}).get("void_depth_mm")
    return words.span(left["low"], left["high"], 2) if left else ""


# Method


def method(material: Material, words: Words) -> tuple[Block, ...]:
    survey = material.survey
    bar = survey.printed_bar_mm if survey else None
    scored = [panel for panel in material.panels if panel.outcome is not None]
    used = scored[0].score["filters"] if scored else {"contact_depth_mm": 0.1, "l_mm": 25.0}
    contact, l_filter = words.number(used["contact_depth_mm"], 2), words.number(used["l_mm"], 0)
    said = words("method.bar", bar=f"{words.number(bar, 1)} mm") if bar else _bar_text(scored, words)
    heads = ("panel", "patches", "photos", "elevations", "step", "gain")
    table = Table(
        words("method.table"),
        tuple(words(f"method.{head}") for head in heads),
        tuple(_method_row(panel, words) for panel in scored),
        widths=(4, 1.2, 1.2, 2.4, 1.6, 2.2),
        numeric=(1, 2),
    )
    return (
        Paragraph(words("method.lead"), "lead"),
        *((Paragraph(said),) if said else ()),
        Paragraph(words("method.intervals")),
        table,
        Paragraph(words("method.terms_title"), "title"),
        Bullets(words.items("method.terms", contact=contact)),
        Paragraph(words("method.limits_title"), "title"),
        Bullets(words.items("method.limits", l_filter=l_filter)),
        Paragraph(words("method.sources_title"), "title"),
        Paragraph(words("method.sources")),
    )


def _bar_text(scored: list[Panel], words: Words) -> str:
    unknown = any("print-scale-unconfirmed" in panel.found.flags for panel in scored)
    return words("method.bar_unknown") if unknown else ""


def _method_row(panel: Panel, words: Words) -> tuple[str, ...]:
    patches = [patch.score for patch in panel.found.patches]
    angles = [measured(view["elevation_deg"]) for score in patches for view in score["views"]]
    known = [angle.value for angle in angles if angle is not None]
    light = f"{words.span(min(known), max(known), 0)}°" if known else words("format.missing")
    gain = (panel.score.get("budget") or {}).get("gain_u")
    return (
        panel.title,
        str(len(patches)),
        str(sum(len(score["views"]) for score in patches)),
        light,
        f"{words.number(panel.score['grid']['step_mm'], 3)} mm",
        words("format.missing") if gain is None else f"{words.number(100 * gain, GAIN_DIGITS)} %",
    )


# Deck plan


def deck_plan(material: Material, words: Words, *, summary_number: str) -> tuple[Block, ...]:
    if material.deck is None:
        return (Paragraph(words("plan_of_deck.missing")),)
    alt = words("plan_of_deck.alt", summary=summary_number)
    return (Figure(material.deck, words("plan_of_deck.caption"), alt),)


def flag_sentence(flag: str) -> str:
    """What a flag means to the reader."""
    return FLAGS.get(flag, clean(flag))
