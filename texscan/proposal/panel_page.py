"""The evidence of one panel."""

from __future__ import annotations

from texscan.model import Measured, measured
from texscan.proposal.content import Cell, EvidencePage, Facts, Figure, Heights, Slider, Table, Verdict
from texscan.proposal.evidence_drawing import Evidence
from texscan.proposal.front import flag_sentence, shares_text, verdict_of
from texscan.proposal.material import Panel
from texscan.proposal.wording import Words, clean
from texscan.survey.records import FieldTest

NOTHING = "\u2013"
MOST_ZONES = 6
MOST_NOTES = 4  # reasons and flags on the page
FIGURES = (("relief_mm", 2, 1.0), ("void_depth_mm", 2, 1.0), ("contact_area_fraction", 0, 100.0))
SHOWN_RADII_MM = (0.25, 0.5, 1.0, 2.0, None)  # of the reach table; None is a flat disc


def evidence_page(panel: Panel, evidence: Evidence, words: Words) -> EvidencePage:
    """
    Parameters
    ----------
    panel : scored
    evidence : of the patch that decides
    """
    outcome = panel.found
    name = clean(panel.name)
    return EvidencePage(
        anchor=f"panel-{panel.number}",
        heading=words("evidence.page_heading", number=panel.number, panel=name),
        verdict=verdict_of(panel, words),
        photo=_photo(panel, evidence, words),
        texture=_texture(panel, evidence, words),
        facts=Facts(_facts(panel, words)),
        figures=_figures(panel, evidence, words),
        views=_views(panel, words),
        ways=_ways(panel, words),
        reach=_reach(panel, words),
        patches=_patches(panel, words),
        reasons=tuple(map(clean, outcome.reasons[:MOST_NOTES])),
        changes=tuple(map(clean, outcome.would_change_it[:2])),
        weakens=tuple(flag_sentence(flag) for flag in outcome.flags),
        labels=(words("evidence.reasons"), words("evidence.changes"), words("evidence.weakens")),
        slider=Slider(evidence.plain, evidence.marked, words("evidence.compare_help")),
        heights=_heights(name, evidence, words),
    )


def _photo(panel: Panel, evidence: Evidence, words: Words) -> Figure:
    caption = words("evidence.photo_caption")
    if not evidence.from_photo:
        caption = f"{caption}. {words('evidence.relief_note')}"
    alt = words(
        "evidence.photo_alt",
        panel=panel.name,
        shares=shares_text(panel, words),
        verdict=verdict_of(panel, words).words,
    )
    return Figure(evidence.photo, caption, alt)


def _texture(panel: Panel, evidence: Evidence, words: Words) -> Figure:
    if not evidence.cells:
        relief = words.figure(measured(panel.score["texture"]["relief_mm"]), 2)
        caption = f"{words('evidence.profile_caption')}. {words('evidence.no_cells')}"
        alt = words("evidence.profile_alt", panel=panel.name, relief=f"{relief} mm")
        return Figure(evidence.texture, caption, alt)
    changes = "; ".join(
        words(
            "evidence.cell_change",
            condition=words(f"condition.{cell.condition}"),
            lost=f"{words.figure(cell.lost_at_top_mm, 2)} mm",
            gained=f"{words.figure(cell.gained_at_floor_mm, 2)} mm",
        )
        for cell in evidence.changed
        if cell.lost_at_top_mm is not None
    )
    caption = words("evidence.cells_caption" if evidence.changed else "evidence.cell_caption")
    return Figure(
        evidence.texture,
        f"{caption}. {changes}" if changes else caption,
        words("evidence.cells_alt", panel=panel.name, changes=changes or words("evidence.all_sound")),
    )


def _heights(name: str, evidence: Evidence, words: Words) -> Heights:
    grid = evidence.grid
    return Heights(
        evidence.grey,
        evidence.heights,
        *evidence.range_mm,
        grid.step_mm,
        grid.x0_mm,
        grid.y1_mm,
        help=words("evidence.height_help"),
        alt=f"{words('evidence.height_map')}: {name}",
        out=str(words.texts["evidence.height_out"]),
        none=words("evidence.height_none"),
    )


def _facts(panel: Panel, words: Words) -> tuple[tuple[str, str], ...]:
    noted, job = panel.noted, panel.score.get("job") or {}
    blank, untested = words("evidence.not_stated"), words("evidence.not_tested")
    rag = noted.rag_test if noted else None
    rag_of_score = job.get("rag_test")
    test = (rag.reducer, rag.minutes, rag.seen) if rag else None
    if test is None and isinstance(rag_of_score, dict):
        test = tuple(rag_of_score[key] for key in ("reducer", "minutes", "seen"))
    existing = (noted.existing if noted else None) or job.get("existing") or blank
    planned = (noted.planned if noted else None) or job.get("planned") or blank
    rows = [("area", words.area(panel.area_m2)), ("old", clean(existing)), ("new", clean(planned))]
    said = untested
    if test is not None:
        said = words("evidence.facts_rag_value", reducer=test[0], minutes=f"{float(test[1]):g}", seen=test[2])
    rows.append(("rag", said))
    hours = noted.hours_since_coat if noted else job.get("hours_since_coat")
    if hours is not None:
        rows.append(("hours", words("evidence.facts_hours_value", hours=f"{hours:g}")))
    rows.append(("adhesion", _test(noted.adhesion if noted else None, words)))
    rows.append(("lead", _test(noted.lead if noted else None, words)))
    if noted:
        fittings = ", ".join(map(clean, noted.fittings))
        for key, text in (("soft", noted.soft_spots), ("cracks", noted.cracks), ("fittings", fittings),
                          ("history", noted.history), ("notes", noted.notes)):  # fmt: skip
            if clean(text):
                rows.append((key, words.shortened(text)))
    if len(panel.found.patches) > 1:
        rows.insert(0, ("patch", clean(panel.found.deciding.name)))
    return tuple((words(f"evidence.facts_{key}"), value) for key, value in rows)


def _test(test: FieldTest | None, words: Words) -> str:
    if test is None:
        return words("evidence.not_tested")
    return ", ".join(filter(None, (clean(test.outcome), clean(test.method), words.shortened(test.note))))


def _figures(panel: Panel, evidence: Evidence, words: Words) -> Table:
    """The patch and its zones, the largest first, lettered as on the picture."""
    heads = ("area_head", "relief", "void", "contact", "ratio")
    texture = panel.score["texture"]
    rows = [(words("evidence.whole"), *_row([measured(texture.get(key)) for key, _, _ in FIGURES], words), NOTHING)]
    for letter, zone in evidence.zones[:MOST_ZONES]:
        ratio = zone.void_ratio_to_sound
        known = [getattr(zone, key) for key, _, _ in FIGURES]
        share = NOTHING if ratio is None else words.percent(ratio.value)
        rows.append((f"{letter}  {words(f'condition.{zone.condition}')}", *_row(known, words), share))
    return Table(
        words("evidence.figures_table"),
        tuple(words(f"evidence.{head}") for head in heads),
        tuple(rows),
        widths=(2.2, 2.9, 2.9, 2.2, 1.5),
        small=True,
    )


def _row(known: list, words: Words) -> tuple[str, ...]:
    return tuple(words.figure(m, digits, factor) for m, (_, digits, factor) in zip(known, FIGURES, strict=True))


def _views(panel: Panel, words: Words) -> Table | None:
    views = panel.score["views"]
    if not views:
        return None
    heads = ("view", "azimuth", "elevation", "ambient")
    rows = []
    for view in views:
        angles = (_degrees(measured(view[key]), words) for key in ("azimuth_deg", "elevation_deg"))
        share = measured(view.get("ambient_share"))
        other = words("format.missing") if share is None else words.percent(share.value)
        rows.append((clean(view["file"]), *angles, other))
    return Table(
        words("evidence.views_table"),
        tuple(words(f"evidence.{head}") for head in heads),
        tuple(rows),
        widths=(3, 1.6, 1.6, 1.7),
        numeric=(1, 2, 3),
        small=True,
    )


def _degrees(angle: Measured | None, words: Words) -> str:
    return words("format.missing") if angle is None else f"{words.number(angle.value, 0)}°"


def _ways(panel: Panel, words: Words) -> Table:
    heads = ("option", "offered", "left", "fill", "cut", "warning")
    rows = []
    for way in panel.score.get("options", ()):
        offered = words("evidence.yes") if way["offered"] else words("evidence.no")
        if way["recommended"]:
            offered = words("evidence.recommended")
        warning = clean(way["warnings"][0]) if way["warnings"] else NOTHING
        figures = (_range(way[key], words) for key in ("void_depth_mm", "fill_mm", "cut_mm"))
        rows.append((clean(way["title"]), offered, *figures, warning))
    return Table(
        words("evidence.options_table"),
        tuple(words(f"evidence.{head}") for head in heads),
        tuple(rows),
        widths=(3.2, 1.9, 1.6, 1.6, 1.6, 8.0),
        small=True,
    )


def _range(figure: dict | None, words: Words) -> str:
    return NOTHING if figure is None else words.span(figure["low"], figure["high"], 2)


def _reach(panel: Panel, words: Words) -> Table | None:
    found = {entry["radius_mm"]: entry for entry in panel.score.get("coats", {}).get("reach", ())}
    rows = []
    for radius in SHOWN_RADII_MM:
        if radius in found:
            tip = words("evidence.flat") if radius is None else f"{words.number(radius, 2)} mm"
            touched, gap = measured(found[radius]["fraction"]), measured(found[radius]["gap_mm"])
            share = NOTHING if touched is None else words.percent(touched.value)
            rows.append((tip, share, words.figure(gap, 2)))
    if not rows:
        return None
    return Table(
        words("evidence.reach_table"),
        tuple(words(f"evidence.{head}") for head in ("radius", "touched", "gap")),
        tuple(rows),
        widths=(2, 2, 2.8),
        numeric=(1,),
        small=True,
    )


def _patches(panel: Panel, words: Words) -> Table | None:
    if len(panel.found.patches) < 2:
        return None
    rows: list[tuple[Cell, ...]] = []
    for patch in panel.found.patches:
        texture = patch.score["texture"]
        figures = [words.figure(measured(texture.get(key)), 2) for key in ("relief_mm", "void_depth_mm")]
        action = patch.score["recommendation"]["action"]
        rows.append((clean(patch.name), *figures, Verdict(action, words(f"verdict.{action}"))))
    return Table(
        words("evidence.patches_table"),
        tuple(words(f"evidence.{head}") for head in ("patch", "relief", "void", "action")),
        tuple(rows),
        widths=(2, 3, 3, 3),
        small=True,
    )
