"""A comparison in words, as JSON and as tables."""

from __future__ import annotations

from texscan import __version__
from texscan.batch.tables import Row, csv_bytes
from texscan.compare.change import LESS, MORE, NONE, SHARE_KEYS, Change
from texscan.compare.ground import CellChange
from texscan.compare.job import FORECAST, NOTHING, Comparison, PanelChange, PatchChange, Word
from texscan.compare.promise import Judged
from texscan.compare.registration import BY_TEXTURE, Registration, Unregistered
from texscan.model import Measured
from texscan.overlay import figure_text
from texscan.survey.outcome import ACTION_IN_WORDS, FIGURES

SCHEMA = "texscan.compare/1"
NAMES = {
    "Sq_mm": ("Sq, rms height", "mm"),
    "relief_mm": ("relief", "mm"),
    "void_depth_mm": ("void depth", "mm"),
    "contact_area_fraction": ("contact area", "%"),
    "share_worn": ("worn part", "%"),
    "share_filled": ("filled part", "%"),
}
ORDER = ("relief_mm", "void_depth_mm", "contact_area_fraction", "Sq_mm")
NAMES_IN_ORDER = (*ORDER, *SHARE_KEYS)
CELL_FIGURE = "void_depth_mm"  # of the picture and the line about cells
COLUMNS = ("panel", "patch", "figure", "before", "after", "change", "change_low", "change_high", "claim", "basis",
           "promised_low", "promised_high", "measured_low", "measured_high", "promise")  # fmt: skip
CELL_COLUMNS = ("x_mm", "y_mm", "common_share",
                *(key + end for key in ORDER for end in ("_before", "_after", "_change", "_low", "_high", "_claim")),
                )  # fmt: skip
CHANCE = 0.05  # of claims where nothing changed


def summary_lines(found: Comparison) -> list[str]:
    """What a comparison says, for the terminal."""
    lines = [line for panel in found.panels for line in _panel_lines(panel, found.promised)]
    if found.only_before:
        lines.append(f"Only before: {', '.join(found.only_before)}.")
    if found.only_after:
        lines.append(f"Only after: {', '.join(found.only_after)}.")
    lines.append(
        f"{found.count} figures were compared. Where nothing changed, one claim in twenty comes by chance: "
        f"up to {found.count * CHANCE:.1f} of them."
    )
    return lines


def _panel_lines(panel: PanelChange, promised: str) -> list[str]:
    name = panel.name if panel.name == panel.name_after else f"{panel.name} / {panel.name_after}"
    lines = [name, f"  {'verdict':16}{_verdicts(panel)}"]
    several = len(panel.patches) > 1
    if several:
        lines += ["  all patches", *_figure_lines(panel.changes | panel.share_changes)]
    for patch in panel.patches:
        if several or patch.name:
            lines.append(f"  patch {patch.name}")
        lines += _figure_lines(patch.changes if several else patch.changes | panel.share_changes)
        lines += [f"  {words}" for words in patch_words(patch)]
    if panel.left_out:
        lines.append(f"  Not compared, because only one of both has it: {', '.join(panel.left_out)}.")
    return [*lines, *_promise_lines(panel, promised), ""]


def _verdicts(panel: PanelChange) -> str:
    before, after = (ACTION_IN_WORDS[action] for action in panel.actions)
    return before if before == after else f"{before} before, {after} after"


def _figure_lines(changes: dict[str, Change]) -> list[str]:
    lines = [f"  {'':16}{'before':>8}{'after':>8}   change (95 % interval)"]
    for key in NAMES_IN_ORDER:
        if key in changes:
            change, (name, unit) = changes[key], NAMES[key]
            lines.append(f"  {name:16}{_plain(change.before, unit):>8}{_plain(change.after, unit):>8}   "
                         f"{change_text(change.change, unit)}: {change.claim}")  # fmt: skip
    return lines


def _plain(value: float, unit: str) -> str:
    return f"{100 * value:.1f}" if unit == "%" else f"{value:.3f}"


def change_text(change: Measured, unit: str) -> str:
    """A change with its interval, signs and unit."""
    factor, digits = (100.0, 1) if unit == "%" else (1.0, 3)
    value, low, high = (f"{factor * v:+.{digits}f}" for v in (change.value, change.low, change.high))
    return f"{value} {unit} ({low} to {high})"


def patch_words(patch: PatchChange) -> list[str]:
    """How the two lie on each other, cells, what cancelled and what to mind."""
    lines = [place_words(patch)]
    if patch.ground is not None:
        counts = cell_counts(patch.ground.cells)
        lines.append(
            f"Void depth in {len(patch.ground.cells)} squares of 10 mm: less in {counts[LESS]}, more in "
            f"{counts[MORE]}, no change can be claimed in {counts[NONE]}."
        )
    if patch.cancelled:
        lines.append(f"Common to both, so gone from the change: {', '.join(patch.cancelled)}.")
    return [*lines, *(f"Mind: {remark}." for remark in patch.remarks)]


def place_words(patch: PatchChange) -> str:
    """Which ground the changes are of."""
    place = patch.place
    if isinstance(place, Unregistered):
        return f"Cannot be registered: {place.reason}. The changes are of the two whole patches."
    share = 0.0 if patch.ground is None else patch.ground.share
    how = "by the card's place, as stated"
    if place.how == BY_TEXTURE:
        turned = round(place.turn_deg, 1) + 0.0  # no "-0.0"
        how = f"by the texture (card turned by {turned:+.1f} degrees, lengths 1 : {place.scale:.4f})"
    return f"Registered {how}. The changes are of the common ground, {100 * share:.0f} % of the earlier patch."


def cell_counts(cells: tuple[CellChange, ...], figure: str = CELL_FIGURE) -> dict[str, int]:
    """How many cells have less, more, or no change that can be claimed."""
    claims = [cell.claim(figure) for cell in cells]
    return {claim: claims.count(claim) for claim in (LESS, MORE, NONE)}


def _promise_lines(panel: PanelChange, promised: str) -> list[str]:
    if promised == NOTHING:
        return []
    if not panel.judged:
        return [f"  Nothing was promised of this panel in {promised}."] if promised != FORECAST else []
    head = "If the coats planned before were laid in between" if promised == FORECAST else f"Promised ({promised})"
    return [f"  {head}:", *(f"    {_judged_words(line)}" for line in panel.judged)]


def _judged_words(line: Judged) -> str:
    promise, (name, unit) = line.promise, NAMES[line.promise.figure]
    which = ", ".join(part for part in (line.patch and f"patch {line.patch}", promise.option) if part)
    head = f"{name} ({which})" if which else name
    agreed = (
        ""
        if promise.low is None or promise.high is None
        else f" {_plain(promise.low, unit)} to {_plain(promise.high, unit)} {unit}"
    )
    read = "" if line.reading is None else f", measured {figure_text(line.reading, unit)}"
    return f"{head}{agreed}{read}: {line.outcome}, {line.because}"


# Files


def compare_dict(found: Comparison, word: Word, folders: tuple[str, str]) -> dict:
    """compare.json as a dictionary."""
    return {
        "schema": SCHEMA,
        "texscan_version": __version__,
        "before": folders[0],
        "after": folders[1],
        "same_card": word.same_card,
        "same_place": word.same_place,
        "promised": found.promised,
        "panels": [_panel_dict(panel) for panel in found.panels],
        "only_before": list(found.only_before),
        "only_after": list(found.only_after),
        "compared": found.count,
        "by_chance": CHANCE * found.count,
    }


def _panel_dict(panel: PanelChange) -> dict:
    return {
        "panel": panel.name,
        "panel_after": panel.name_after,
        "action": list(panel.actions),
        "shares": _changes_dict(panel.share_changes),
        "changes": _changes_dict(panel.changes),
        "patches": [_patch_dict(patch) for patch in panel.patches],
        "left_out": list(panel.left_out),
        "promises": [
            {
                "figure": line.promise.figure,
                "option": line.promise.option,
                "patch": line.patch,
                "low": line.promise.low,
                "high": line.promise.high,
                "why": line.promise.why,
                "measured": line.reading,
                "outcome": line.outcome,
                "because": line.because,
            }
            for line in panel.judged
        ],
    }


def _changes_dict(changes: dict[str, Change]) -> dict:
    return {
        key: {"before": one.before, "after": one.after, "change": one.change, "claim": one.claim}
        for key, one in changes.items()
    }


def _patch_dict(patch: PatchChange) -> dict:
    ground = patch.ground
    return {
        "patch": patch.name,
        "before": patch.folders[0],
        "after": patch.folders[1],
        "registration": _place_dict(patch.place),
        "basis": _basis(patch),
        "common_share": None if ground is None else ground.share,
        "whole_patch": {"before": patch.whole[0], "after": patch.whole[1]},
        "changes": _changes_dict(patch.changes),
        "cells": None
        if ground is None
        else {"count": len(ground.cells), **{key: cell_counts(ground.cells, key) for key in FIGURES}},
        "cancelled": list(patch.cancelled),
        "remarks": list(patch.remarks),
    }


def _place_dict(place: Registration | Unregistered) -> dict:
    told = {"correlation": place.correlation, "standout": place.standout}
    if isinstance(place, Unregistered):
        return {"how": None, "reason": place.reason, "turn_deg": None, "scale": None, "to_before": None, **told}
    found = {"turn_deg": place.turn_deg, "scale": place.scale, "to_before": place.to_before}
    return {"how": place.how, "reason": None, **found, **told}


def _basis(patch: PatchChange) -> str:
    return "whole patches" if patch.ground is None else "common ground"


def compare_csv(found: Comparison) -> bytes:
    """compare.csv: one row a patch and figure, of panels with several patches also one of all; promises after."""
    rows: list[Row] = []
    for panel in found.panels:
        several = len(panel.patches) > 1
        if several:
            rows += [_row(panel.name, "all patches", key, panel.changes[key], "", ()) for key in panel.changes]
        for patch in panel.patches:
            for key, change in patch.changes.items():
                rows.append(_row(panel.name, patch.name, key, change, _basis(patch), ()))
        rows += [
            _row(panel.name, "", key, change, "whole patches", ()) for key, change in panel.share_changes.items()
        ]
        for line in panel.judged:
            rows.append(_row(panel.name, line.patch, line.promise.figure, None, line.promise.option, (line,)))
    return csv_bytes(COLUMNS, rows)


def _row(panel: str, patch: str, figure: str, change: Change | None, basis: str, promise: tuple[Judged, ...]) -> Row:
    numbers: Row = (None, None, None, None, None, "")
    if change is not None:
        moved = change.change
        numbers = (change.before, change.after, moved.value, moved.low, moved.high, change.claim)
    judged: Row = (None, None, None, None, "")
    for line in promise:
        read = (None, None) if line.reading is None else (line.reading.low, line.reading.high)
        judged = (line.promise.low, line.promise.high, *read, line.outcome)
    return (panel, patch, figure, *numbers, basis, *judged)


def cells_csv(cells: tuple[CellChange, ...]) -> bytes:
    """One row a cell, row by row from the top left of the earlier patch."""
    rows: list[Row] = []
    for cell in cells:
        row: list[str | float | None] = [cell.x_mm, cell.y_mm, cell.common_share]
        for key in ORDER:
            one = cell.changes[key]
            row += [one.before, one.after, one.change.value, one.change.low, one.change.high, cell.claim(key)]
        rows.append(tuple(row))
    return csv_bytes(CELL_COLUMNS, rows)
