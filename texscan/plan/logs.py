"""Log sheets to print and fill in on board: limits stand in them, what is measured and done is blank."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, KeepTogether, PageBreak, PageTemplate, Paragraph, Spacer, Table
from reportlab.platypus.doctemplate import BaseDocTemplate

from texscan.card_sheet import PAPERS_MM
from texscan.cautions import CLOSING, cautions_of
from texscan.model import Measured
from texscan.plan.figure import Figure
from texscan.plan.log_limits import CoatLimits, PanelLimits
from texscan.plan.log_type import INK, MUTED, REGULAR, RULE, TINT, bold, markup, style
from texscan.plan.quantity_table import amount
from texscan.plan.weather import dew_point_c
from texscan.survey.records import Survey

SIDE_MM, TOP_MM, FOOT_MM = 16.0, 14.0, 14.0
FIELD_MM = 8.2  # height of a line to write in
AIR_C = tuple(range(5, 36, 2))  # of the dew point table
RH_PERCENT = tuple(range(40, 101, 5))
ASSUMED_NOTE = "* assumed: no data sheet was given for it. The data sheet of the paint in hand overrides it."
REMARKS = 4  # lines
READINGS = 6  # of the wet-film comb, a coat
HOLD_POINTS = (
    ("H1", "Tests of the old coating and for lead are done and their results known, before any dust is made"),
    ("H2", "Ground accepted: sanded, clean, dry; photos taken, valleys reached or their risk accepted"),
    ("H3", "Primer laid, and the next coat inside its window, or keyed"),
    ("H4", "Sample panel of the texture laid and signed"),
    ("H5", "Work done: photos taken again, compared, accepted"),
)


@dataclass(frozen=True, slots=True)
class Job:
    """What stands in the head of each sheet, and how it is printed."""

    survey: Survey
    panels: tuple[PanelLimits, ...]
    smooth: PanelLimits | None = None  # the smooth borders

    @property
    def sheets(self) -> tuple[PanelLimits, ...]:
        """All that is painted, in the order of the work."""
        return self.panels if self.smooth is None else (self.smooth, *self.panels)

    @property
    def width_mm(self) -> float:
        return PAPERS_MM[self.survey.looks.paper][0] - 2 * SIDE_MM


def logs_pdf(survey: Survey, panels: tuple[PanelLimits, ...], *, smooth: PanelLimits | None = None) -> bytes:
    """
    The log sheets: hold points and acceptance, air and deck by the hour, one page a panel.

    Parameters
    ----------
    survey : boat, yard, working hours, paper ("a4" or "letter").
    panels : from `log_limits.panel_limits`.
    smooth : from `log_limits.smooth_limits`; their sheet comes before the panels', as their paint does.

    Returns
    -------
    PDF; the same content gives the same bytes.
    """
    job = Job(survey, panels, smooth)
    width, height = (side * mm for side in PAPERS_MM[survey.looks.paper])
    stream = io.BytesIO()
    document = BaseDocTemplate(
        stream, pagesize=(width, height), title=f"Log sheets, {survey.boat.name}", creator="texscan", invariant=1
    )
    size = width - 2 * SIDE_MM * mm, height - (TOP_MM + FOOT_MM) * mm
    frame = Frame(SIDE_MM * mm, FOOT_MM * mm, *size, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    foot = lambda canvas, page: _foot(canvas, page, survey.boat.name)
    document.addPageTemplates([PageTemplate("sheet", [frame], onPage=foot)])
    flow = [*_acceptance(job), PageBreak(), *_conditions(job)]
    for panel in job.sheets:
        flow += [PageBreak(), *_panel(job, panel)]
    document.build(flow)
    return stream.getvalue()


def _foot(canvas: Canvas, page: BaseDocTemplate, boat: str) -> None:
    canvas.setFont(REGULAR, 7)
    canvas.setFillColor(MUTED)
    canvas.drawString(SIDE_MM * mm, 8 * mm, f"Log sheets, {boat}"[:90])
    canvas.drawRightString(page.pagesize[0] - SIDE_MM * mm, 8 * mm, f"{canvas.getPageNumber()}")


def _head(title: str, job: Job) -> list[Flowable]:
    boat, yard = job.survey.boat, job.survey.yard
    who = ", ".join(word for word in (boat.name, boat.place, yard.name) if word)
    return [
        Paragraph(markup(title), style("title", bold=True, spaceAfter=1)),
        Paragraph(markup(who), style("text", muted=True, spaceAfter=6)),
    ]


def _text(words: str, **more: float) -> Paragraph:
    return Paragraph(words, style("text", bold=False, muted=False, **more))


def _small(words: str, *, muted: bool = False, **more: float) -> Paragraph:
    return Paragraph(words, style("small", bold=False, muted=muted, **more))


def _grid(rows: list[list], widths_mm: list[float], *, heads: int = 1, heights: list | None = None) -> Table:
    """A ruled table; its first rows are tinted."""
    table = Table(rows, [w * mm for w in widths_mm], heights, repeatRows=heads, hAlign="LEFT")
    table.setStyle(
        [
            ("GRID", (0, 0), (-1, -1), 0.5, RULE),
            ("BACKGROUND", (0, 0), (-1, heads - 1), TINT) if heads else ("NOSPLIT", (0, 0), (0, 0)),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
            ("TEXTCOLOR", (0, 0), (-1, -1), INK),
        ]
    )
    return table


def _span_mm(figure: Measured | None) -> str:
    return "" if figure is None else f"{figure.low:.2f} to {figure.high:.2f}"


# First sheet: what is held, what is accepted


def _acceptance(job: Job) -> list[Flowable]:
    width = job.width_mm
    holds: list[list[Paragraph | str]] = [[_small(head) for head in ("hold point", "what", "date", "signed")]]
    holds += [[_text(bold(name)), _text(markup(what)), "", ""] for name, what in HOLD_POINTS]
    heads = ("panel", "way", "void depth before, mm", "to be reached, mm", "measured after, mm", "kept?", "signed")
    reasons = list(dict.fromkeys(panel.why for panel in job.panels))
    rows: list[list[Paragraph | str]] = [[_small(head) for head in heads]]
    for panel in job.panels:
        mark = f"{_span_mm(panel.target_mm) or 'open'} ({reasons.index(panel.why) + 1})"
        way = _small(markup(panel.option.replace("-", " ")))
        rows.append(
            [_text(markup(panel.panel)), way, _text(_span_mm(panel.void_depth_mm)), _text(bold(mark)), "", "", ""]
        )
    widths = [0.25, 0.15, 0.13, 0.17, 0.12, 0.07, 0.11]
    return [
        *_head("Log sheets: hold points and acceptance", job),
        *_cautions(job),
        Spacer(0, 3 * mm),
        _grid(holds, [18, width - 18 - 62, 22, 40], heights=[None, *([FIELD_MM * mm] * len(HOLD_POINTS))]),
        Paragraph("Acceptance", style("head", bold=True, spaceBefore=9, spaceAfter=2)),
        _text(
            "When the last coat has cured, photograph each panel again in the same places with the same card, score "
            "it, and compare: texscan compare BEFORE AFTER --promised targets.csv. Kept is what lies within the "
            "range to be reached, with the intervals of both measurements.",
            spaceAfter=4,
        ),
        _grid(rows, [share * width for share in widths], heights=None),
        *(_small(f"({n}) {markup(why)}", muted=True, spaceBefore=2) for n, why in enumerate(reasons, start=1)),
    ]


def _cautions(job: Job) -> list[Flowable]:
    """Every caution of the ways that are planned, once."""
    sentences = dict.fromkeys(words for panel in job.panels for words in cautions_of(panel.option))
    sentences.pop(CLOSING, None)
    return [
        Paragraph("Before you start", style("head", bold=True, spaceAfter=2)),
        *(_small(f"- {markup(words)}", spaceAfter=1.5, leftIndent=6, firstLineIndent=-6) for words in sentences),
        _small(markup(CLOSING), spaceBefore=1),
    ]


# Second sheet: air and deck by the hour


def _conditions(job: Job) -> list[Flowable]:
    heads = ("time", "air °C", "RH %", "deck °C", "dew point °C", "deck - dew point °C", "rain, dew", "within?", "by")
    width = job.width_mm
    hours = _hours(job)
    rows = [[_small(head) for head in heads]] + [[_text(hour), *[""] * (len(heads) - 1)] for hour in hours]
    widths = [0.09, 0.1, 0.09, 0.1, 0.12, 0.17, 0.12, 0.1, 0.11]
    return [
        *_head("Air and deck by the hour", job),
        _text("One sheet a day, from an hour before the first coat until the last coat of the day no longer fears "
              "dew. Measure the deck itself, in shade and sun: at night it is colder than the air.", spaceAfter=4),
        _limits(job),
        Spacer(0, 2 * mm),
        _text("Date ____________________", spaceAfter=4),
        _grid(rows, [share * width for share in widths], heights=[None, *([6.4 * mm] * len(hours))]),
        Spacer(0, 3 * mm),
        KeepTogether([_text("Dew point, °C, at the temperature of the air (down) and its relative humidity (across), "
                            "by the Magnus formula (WMO-No. 8)", spaceAfter=2), _dew_points(width)]),
        Spacer(0, 3 * mm),
        _small(ASSUMED_NOTE, muted=True),
    ]  # fmt: skip


def _hours(job: Job) -> list[str]:
    """Each hour from one before work starts to the end of the last dew-free time."""
    crew = job.survey.crew
    hour, minute = map(int, crew.day_starts.split(":"))
    cure = max((limit.times.dew_free_h for panel in job.sheets for limit in panel.coats), default=0.0)
    first, last = hour - 1, math.ceil(hour + minute / 60 + crew.hours_a_day + cure)
    return [f"{at % 24:02d}:00" for at in range(first, min(last, first + 23) + 1)]


def _limits(job: Job) -> Table:
    """The conditions of each kind of coat, once."""
    seen: dict[str, CoatLimits] = {}
    for panel in job.sheets:
        for limit in panel.coats:
            seen.setdefault(limit.coat.name, limit)
    heads = ("coat", "deck and air °C", "RH at most %", "deck above dew point, at least °C", "no dew or rain for")
    rows = [[_small(head) for head in heads]]
    for name, limit in seen.items():
        times = limit.times
        rows.append(
            [
                _text(markup(name)),
                _text(f"{times.least_c:g} to {times.most_c:g}{_star(limit, 'least_c', 'most_c')}"),
                _text(f"{times.rh_most_percent:g}{_star(limit, 'rh_most_percent')}"),
                _text(f"{times.above_dew_c:g}{_star(limit, 'above_dew_c')}"),
                _text(f"{times.dew_free_h:g} h{_star(limit, 'dew_free_h')}"),
            ]
        )
    width = job.width_mm
    return _grid(rows, [share * width for share in (0.28, 0.18, 0.16, 0.22, 0.16)])


def _star(limit: CoatLimits, *fields: str) -> str:
    """A mark on what is assumed: no data sheet was given for it."""
    return "" if limit.times.stated.issuperset(fields) else " *"


def _dew_points(width_mm: float) -> Table:
    dew = dew_point_c(np.array(AIR_C, float)[:, None], np.array(RH_PERCENT, float)[None])
    rows = [["", *(f"{rh}" for rh in RH_PERCENT)]]
    rows += [
        [f"{air}", *(f"{value:.1f}".replace("-0.0", "0.0") for value in line)]
        for air, line in zip(AIR_C, dew, strict=True)
    ]
    table = _grid(rows, [width_mm / (len(RH_PERCENT) + 1)] * (len(RH_PERCENT) + 1))
    table.setStyle(
        [
            ("FONT", (0, 0), (-1, -1), REGULAR, 7),
            ("ALIGN", (0, 0), (-1, -1), "RIGHT"),
            ("BACKGROUND", (0, 0), (0, -1), TINT),
            ("TOPPADDING", (0, 0), (-1, -1), 0.6),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.4),
        ]
    )
    return table


# One sheet a panel


def _panel(job: Job, panel: PanelLimits) -> list[Flowable]:
    units = job.survey.units
    facts = [f"{amount(panel.area_m2, 'm2', units)}"]
    if panel.target_mm is not None:
        facts.append(f"void depth to be reached {_span_mm(panel.target_mm)} mm ({panel.why})")
    elif panel.why:
        facts.append(f"void depth: {panel.why}")
    flow = [
        *_head(f"{panel.panel}: {panel.option.replace('-', ' ')}", job),
        _text(markup("; ".join(facts)), spaceAfter=3),
    ]
    flow += [_text(f"{bold('First:')} {markup(words)}", spaceAfter=2) for words in panel.mind]
    blocks: list[list[Flowable]] = [[_ground(job)], *_work(job, panel), _remarks(job)]
    for block in blocks:
        flow += [KeepTogether(block), Spacer(0, 2.5 * mm)]
    return [*flow, _small(ASSUMED_NOTE, muted=True)]


def _work(job: Job, panel: PanelLimits) -> list[list[Flowable]]:
    """Filler, coats, and grit after the topcoat that it falls into, in the order of the work."""
    blocks = [] if panel.filler_l is None else [_filler(job, panel.filler_l)]
    grit_after = next((n for n, limit in enumerate(panel.coats) if limit.coat.kind == "topcoat"), None)
    for place, limit in enumerate(panel.coats):
        blocks.append(_coat(job, limit, place + 1))
        if panel.grit_kg is not None and place == grit_after:
            blocks.append(_grit(job, panel.grit_kg))
    return blocks


def _fields(names: tuple[str, ...], width_mm: float) -> Table:
    """A row of fields to write in, each with its name in its corner."""
    share = width_mm / len(names)
    table = _grid([[_small(markup(name), muted=True) for name in names]], [share] * len(names), heads=0,
                  heights=[FIELD_MM * mm])  # fmt: skip
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("TOPPADDING", (0, 0), (-1, -1), 0.8)])
    return table


def _titled(words: str, width_mm: float) -> Table:
    return _grid([[_text(words)]], [width_mm])


def _ground(job: Job) -> Table:
    return _fields(
        ("washed, dewaxed", "sanded, grit", "dust off, wiped", "dry since", "taped", "checked by"), job.width_mm
    )


def _coat(job: Job, limit: CoatLimits, number: int) -> list[Flowable]:
    coat, times, units, width = limit.coat, limit.times, job.survey.units, job.width_mm
    film = (
        f"{coat.wet_um:.0f} µm wet ({coat.dry_um:.0f} dry): no reading under {limit.least_wet_um:.0f}, mean not over "
        f"{limit.most_wet_um:.0f}"
    )
    paint = "paint " + amount(limit.paint_l, "L", units)
    if limit.coat.thinning > 0:
        paint += f", thinner {amount(limit.thinner_l, 'L', units)}"
    if limit.paint is not None and limit.paint.mix:
        paint += f", mixed {' : '.join(f'{part:g}' for part in limit.paint.mix)} by volume"
    opens, closes = f"{times.least_h:g} h{_star(limit, 'least_h')}", f"{times.most_h:g} h{_star(limit, 'most_h')}"
    if times.least_h_at or times.most_h_at:
        opens, closes = "the sheet's hours at that temperature", "the sheet's hours"
    pot = (
        "" if times.pot_life_h is None else f" (pot life {times.pot_life_h:g} h at 20 °C{_star(limit, 'pot_life_h')})"
    )
    one_part = limit.paint is not None and not limit.paint.mix
    parts = ("batch",) if one_part else ("batch, base", "batch, hardener")
    return [
        _titled(f"{bold(f'{number}. {coat.name}')} &nbsp; {markup(film)}<br/>{markup(paint)}", width),
        _fields((*parts, "thinner, batch", "mixed at", f"use up by{pot}"), width),
        _fields((*(f"wet film {n + 1}, µm" for n in range(READINGS)), "mean", "litres laid"), width),
        _fields(
            (
                "started",
                "ended",
                f"window opens: ended + {opens}",
                f"window closes: ended + {closes}",
                "keyed, if after",
                "by",
            ),
            width,
        ),
    ]


def _remarks(job: Job) -> list[Flowable]:
    """Room for what was found or changed under way."""
    lines = [[""] for _ in range(REMARKS)]
    title = _titled(f"{bold('Found or changed under way')} &nbsp; what, when, agreed with", job.width_mm)
    return [title, _grid(lines, [job.width_mm], heads=0, heights=[FIELD_MM * mm] * REMARKS)]


def _filler(job: Job, litres: Figure) -> list[Flowable]:
    words = f"{amount(litres, 'L', job.survey.units)} up to the peaks; cured before it is sanded"
    fields = (
        "batch, epoxy",
        "batch, filler",
        "mixed, kg : kg",
        "started",
        "cured since",
        "flat, by straight edge",
        "by",
    )
    return [_titled(f"{bold('Filler')} &nbsp; {markup(words)}", job.width_mm), _fields(fields, job.width_mm)]


def _grit(job: Job, kilograms: Figure) -> list[Flowable]:
    words = f"{amount(kilograms, 'kg', job.survey.units)} in hand; into the wet topcoat above, or as its sheet says"
    fields = ("size, batch", "started", "ended", "reclaimed, kg", "loose grains off", "by")
    return [_titled(f"{bold('Grit')} &nbsp; {markup(words)}", job.width_mm), _fields(fields, job.width_mm)]
