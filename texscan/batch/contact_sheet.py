"""index.html: all panels on one page that opens from disk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from texscan.survey.outcome import PanelOutcome


@dataclass(frozen=True, slots=True)
class Entry:
    """One panel on the page."""

    panel: PanelOutcome

    @classmethod
    def of(cls, panel: PanelOutcome) -> Entry:
        return cls(panel)


def contact_sheet(entries: Sequence[Entry], refused: Sequence[tuple[str, str]], *, title: str) -> str:
    """The page."""
    rows = "".join(f"<tr><td>{escape(e.panel.name)}</td><td>{e.panel.action}</td></tr>" for e in entries)
    return f"<!doctype html><title>{escape(title)}</title><table>{rows}</table>"
