"""
index.html: all panels of a batch on one page that opens from disk.

The page asks nothing of any network; thumbnails lie beside it, in the panels' folders. Without scripts it is a plain
table. Colours and hatches are those of the scored image.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from urllib.parse import quote

from texscan import __version__, files
from texscan.batch.frame import frame_of
from texscan.batch.work import THUMBNAIL
from texscan.model import FLAGS, Grid, Measured
from texscan.overlay import CAUTION, VERDICTS
from texscan.survey.outcome import WORST_FIRST, PanelOutcome, PatchOutcome
from texscan.zone_drawing import COLOURS

# Column: heading, what it sorts by, its first direction
COLUMNS = (
    ("Panel", "name", "ascending"),
    ("Verdict", "verdict", "ascending"),
    ("Relief, mm", "relief", "ascending"),
    ("Void depth, mm", "void", "ascending"),
    ("Contact area, %", "contact", "descending"),
    ("Worn, %", "worn", "descending"),
    ("Filled, %", "filled", "descending"),
)
FIGURES = (
    ("relief_mm", "relief", 1.0, 2),
    ("void_depth_mm", "void", 1.0, 2),
    ("contact_area_fraction", "contact", 100.0, 0),
)
POLICY = "default-src 'none'; img-src 'self' file:; style-src 'unsafe-inline'; script-src 'unsafe-inline'"


@dataclass(frozen=True, slots=True)
class Line:
    """One panel of the page: its row as HTML, and its verdict for the filter."""

    html: str
    action: str


def line_of(panel: PanelOutcome, number: int) -> Line:
    """The row of a panel; `number` is its place in the batch."""
    cells = [_pictures(panel), _heading(panel, number), _verdict(panel)]
    cells += [_figure(panel.figures[key], name, factor, digits) for key, name, factor, digits in FIGURES]
    cells += [_share(panel.shares[name], name) for name in ("worn", "filled")]
    return Line(f'<tr data-verdict="{panel.action}">{"".join(cells)}</tr>', panel.action)


def contact_sheet(lines: Sequence[Line], refused: Sequence[tuple[str, str]], *, title: str) -> str:
    """
    The page.

    Parameters
    ----------
    lines : one a scored panel.
    refused : file and reason.
    title : the boat's name; may be empty.
    """
    here = Path(__file__).parent / "page"
    style, script = (files.read_text(here / name, "part of the page") for name in ("page.css", "page.js"))
    name = title or "Panels"
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
            f"<title>{escape(name)}</title>",
            f"<style>\n{_colours()}\n{style}</style>\n</head>\n<body>\n{_hatches()}",
            f"<header><h1>{escape(name)}</h1><p>{_summary(lines, refused)}</p></header>",
            f"<main>{_controls(lines)}",
            f'<table id="panels">\n<caption class="for-readers">Scored panels</caption>\n{_headings()}\n<tbody>',
            *(line.html for line in lines),
            f"</tbody></table>\n{_refusals(refused)}</main>",
            f"<footer>{CAUTION} texscan {__version__}.</footer>",
            f"<script>\n{script}</script>\n</body>\n</html>\n",
        ]
    )


def _pictures(panel: PanelOutcome) -> str:
    patches = sorted(panel.patches, key=lambda patch: patch is not panel.deciding)
    return f'<td class="pictures"><div>{"".join(_picture(panel, patch) for patch in patches)}</div></td>'


def _picture(panel: PanelOutcome, patch: PatchOutcome) -> str:
    """A patch with its zones over it; hovering or pressing shows them."""
    shares = patch.score["shares"]
    zones = ", ".join(f"{name} {100 * shares[name]:.0f} %" for name in COLOURS)
    of = f"{panel.name}, patch {patch.name}" if patch.name else panel.name
    folder = quote(patch.folder)
    links = f'<a href="{folder}/scored.png">image</a> <a href="{folder}/figures.png">plates</a>'
    name = f"<b>{escape(patch.name)}</b> " if patch.name else ""
    return (
        f'<figure><button type="button" class="patch" aria-pressed="false" aria-label="{escape(of)}: show zones">'
        f'<img loading="lazy" src="{folder}/{THUMBNAIL}" alt="{escape(of)}: {zones}">{_zones(patch.score)}</button>'
        f"<figcaption>{name}{links}</figcaption></figure>"
    )


def _zones(score: dict) -> str:
    """The zones as an SVG over the picture; lengths in mm, y down from the frame's upper edge."""
    zones = score["zones"]
    frame = frame_of([zone["polygon_mm"] for zone in zones], Grid(**score["grid"]))
    shapes = []
    for zone in zones:
        points = " ".join(f"{x - frame.left_mm:.1f},{frame.top_mm - y:.1f}" for x, y in zone["polygon_mm"])
        shapes.append(f'<polygon class="{escape(zone["condition"])}" points="{points}"/>')
    size = f"0 0 {frame.right_mm - frame.left_mm:.1f} {frame.top_mm - frame.bottom_mm:.1f}"
    return f'<svg viewBox="{size}" preserveAspectRatio="none" aria-hidden="true">{"".join(shapes)}</svg>'


def _heading(panel: PanelOutcome, number: int) -> str:
    notes = [*panel.repair_first, *panel.cautions, *(FLAGS.get(flag, flag) for flag in panel.flags)]
    listed = "".join(f"<li>{escape(note)}</li>" for note in notes)
    word = "note" if len(notes) == 1 else "notes"
    more = f"<details><summary>{len(notes)} {word}</summary><ul>{listed}</ul></details>" if notes else ""
    return f'<th scope="row" data-sort="{number}">{escape(panel.name)}{more}</th>'


def _verdict(panel: PanelOutcome) -> str:
    first = f"<p>{escape(panel.reasons[0])}</p>" if panel.reasons else ""
    word = VERDICTS[panel.action][0]
    return (
        f'<td data-label="Verdict" data-sort="{WORST_FIRST.index(panel.action)}">'
        f'<span class="verdict {panel.action}">{word}</span>{first}</td>'
    )


def _figure(figure: Measured | None, name: str, factor: float, digits: int) -> str:
    label = next(heading for heading, key, _ in COLUMNS if key == name)
    if figure is None:
        return f'<td class="number" data-label="{label}" data-sort="">not defined</td>'
    value, low, high = (f"{factor * v:.{digits}f}" for v in (figure.value, figure.low, figure.high))
    return (
        f'<td class="number" data-label="{label}" data-sort="{figure.value:.6g}">{value}'
        f"<small>{low} to {high}</small></td>"
    )


def _share(share: float, name: str) -> str:
    label = next(heading for heading, key, _ in COLUMNS if key == name)
    return (
        f'<td class="number" data-label="{label}" data-sort="{share:.6g}">{100 * share:.0f}'
        f'<svg class="bar" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect class="{name}" width="{100 * share:.1f}" height="8"/></svg></td>'
    )


def _headings() -> str:
    cells = ['<th scope="col">Patch</th>']
    for heading, _, first in COLUMNS:
        cells.append(f'<th scope="col" data-first="{first}"><button type="button">{heading}</button></th>')
    return f"<thead><tr>{''.join(cells)}</tr></thead>"


def _summary(lines: Sequence[Line], refused: Sequence[tuple[str, str]]) -> str:
    panels = f"{len(lines)} panel{'s' if len(lines) != 1 else ''} scored"
    return (
        f"{panels}; {len(refused)} refused. Figures with 95 % intervals."
        if refused
        else f"{panels}. Figures with 95 % intervals."
    )


def _controls(lines: Sequence[Line]) -> str:
    counts = {action: sum(line.action == action for line in lines) for action in WORST_FIRST}
    buttons = [f'<button type="button" data-show="" aria-pressed="true">All <b>{len(lines)}</b></button>']
    for action, count in counts.items():
        words = f"{VERDICTS[action][0]} <b>{count}</b>"
        buttons.append(f'<button type="button" data-show="{action}" aria-pressed="false">{words}</button>')
    choices = "".join(f'<option value="{n + 1}">{heading}</option>' for n, (heading, _, _) in enumerate(COLUMNS))
    return (
        f'<div class="controls" hidden><div role="group" aria-label="Verdict">{"".join(buttons)}</div>'
        f'<label class="sort">Sort by <select id="sort">{choices}</select></label>'
        '<button type="button" id="zones" aria-pressed="false">Zones on all</button>'
        '<p id="count" role="status"></p></div>'
    )


def _refusals(refused: Sequence[tuple[str, str]]) -> str:
    if not refused:
        return ""
    items = "".join(f"<li><b>{escape(file)}</b> {escape(reason)}</li>" for file, reason in refused)
    return f'<section id="refused"><h2>Refused</h2><ul>{items}</ul></section>'


def _colours() -> str:
    named = {**{name: rgb for name, (_, rgb) in VERDICTS.items()}, **COLOURS}
    return ":root{" + "".join(f"--{name}:#{r:02x}{g:02x}{b:02x};" for name, (r, g, b) in named.items()) + "}"


def _hatches() -> str:
    """The hatches of worn (slanted lines) and filled (dots), once a page; pitch in mm."""
    dots = "".join(f'<circle cx="{at}" cy="{at}" r="1.6"/>' for at in (2, 6))
    return (
        '<svg class="for-readers" aria-hidden="true" width="0" height="0"><defs>'
        '<pattern id="lines" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path d="M4 0V8" stroke="#1c242e" stroke-width="2"/><path d="M4 0V8" stroke="var(--worn)"/></pattern>'
        '<pattern id="dots" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<g fill="var(--filled)" stroke="#1c242e" stroke-width=".5">{dots}</g></pattern>'
        "</defs></svg>"
    )
