"""A score in words: the lines that a command prints."""

from __future__ import annotations

from texscan.model import FLAGS, Measured
from texscan.score import Score

ACTION_WORDS = {
    "recoat": "Recoat",
    "sand-flat-and-retexture": "Sand flat and retexture",
    "inconclusive": "Inconclusive",
}
FIGURES = (
    ("relief_mm", "relief", "mm", 1),
    ("void_depth_mm", "void depth", "mm", 1),
    ("contact_area_fraction", "contact area", "%", 100),
)


def figure_words(measured: Measured | None, unit: str, factor: float = 1.0) -> str:
    """A figure with its interval, e.g. "0.41 mm (0.38 to 0.44)"."""
    if measured is None:
        return "not defined"
    digits = 0 if unit == "%" else 2
    value, low, high = (f"{factor * v:.{digits}f}" for v in (measured.value, measured.low, measured.high))
    return f"{value} {unit} ({low} to {high})"


def summary_lines(score: Score) -> list[str]:
    """The verdict, its reasons, the key figures and what weakens them."""
    decided = score.recommendation
    lines = [f"{score.settings.panel}: {ACTION_WORDS[decided.action]}"]
    lines += [f"  {reason}" for reason in decided.reasons]
    lines += [f"  What would change it: {change}" for change in decided.would_change_it[:2]]
    lines += [f"  {name}: {figure_words(score.figures[key], unit, factor)}" for key, name, unit, factor in FIGURES]
    shares = score.zone_map.shares
    lines.append("  " + ", ".join(f"{name} {shares.get(name, 0):.0%}" for name in ("sound", "worn", "filled")))
    return lines + [f"  Note: {FLAGS[flag]}" for flag in score.flags]


def budget_lines(score: Score) -> list[str]:
    """The uncertainty budget: term, size, share of the variance."""
    total = score.budget.gain_u**2
    lines = ["Uncertainty budget, relative standard uncertainty of all heights together:"]
    for term in score.budget.terms:
        share = term.relative_u**2 / total if total else 0.0
        lines.append(f"  {term.name:<20} {term.relative_u:7.2%}  {share:4.0%} of the whole")
    return [*lines, f"  {'together':<20} {score.budget.gain_u:7.2%}"]
