"""The proposal as one HTML file: pictures, style and script inside, and nothing fetched from anywhere."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from typing import Any

from jinja2 import StrictUndefined, TemplateError
from jinja2.sandbox import ImmutableSandboxedEnvironment
from markupsafe import Markup

from texscan.errors import SettingsError
from texscan.proposal.colour import colour_of, hex_of, legible, verdict_colour
from texscan.proposal.content import EvidencePage, Picture, Proposal
from texscan.proposal.material import ACTIONS, NOT_SCORED


@dataclass(frozen=True, slots=True)
class Template:
    """The texts that make the page: HTML with places to fill in, CSS and a script."""

    page: str
    style: str
    script: str


def html_bytes(proposal: Proposal, template: Template) -> bytes:
    """
    The page, UTF-8; every text of the proposal is escaped.

    Raises
    ------
    SettingsError : a template of the user's that cannot be filled in.
    """
    script = template.script.replace("</", "<\\/")  # no script ends before its end
    style = _properties(proposal) + template.style.replace("<", "")
    environment = ImmutableSandboxedEnvironment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["source"] = _source
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    try:
        page = environment.from_string(template.page).render(
            proposal=_shown(proposal),
            style=Markup(style),
            script=Markup(script),
            script_sum=f"sha256-{digest}",
        )
    except TemplateError as error:
        raise SettingsError(f"page.html cannot be filled in ({error}). Start again from a copy of it.") from error
    return page.encode("utf-8", "xmlcharrefreplace")


def _properties(proposal: Proposal) -> str:
    """Accent and verdict colours as CSS."""
    accent = hex_of(legible(colour_of(proposal.accent)))
    rules = [f":root {{ --accent: {accent}; }}"]
    for action in (*ACTIONS, NOT_SCORED):
        colour = hex_of(verdict_colour(action))
        rules.append(f".chip.{action} {{ background: {colour}; }} .part.{action} {{ border-color: {colour}; }}")
        rules.append(f".verdict.{action}, .part.{action} strong {{ color: {colour}; }}")
    return "\n".join(rules) + "\n"


def _source(picture: Picture) -> str:
    return f"data:image/{picture.media};base64,{base64.b64encode(picture.data).decode()}"


def _shown(proposal: Proposal) -> dict[str, Any]:
    """The proposal as the template walks through it; evidence pages have their tables in order."""
    names = ("title", "subtitle", "running", "contents", "brief", "language", "author", "description", "logo")
    sections = [
        {
            "anchor": section.anchor,
            "number": section.number,
            "heading": section.heading,
            "blocks": [_page(block) if isinstance(block, EvidencePage) else block for block in section.blocks],
            "panels": [block for block in section.blocks if isinstance(block, EvidencePage)],
        }
        for section in proposal.sections
    ]
    return {name: getattr(proposal, name) for name in names} | {"sections": sections}


def _page(page: EvidencePage) -> dict[str, Any]:
    names = ("kind", "anchor", "heading", "verdict", "photo", "texture", "facts", "views", "slider", "heights")
    tables = [one for one in (page.figures, page.reach, page.ways, page.patches) if one is not None]
    notes = list(zip(page.labels, (page.reasons, page.changes, page.weakens), strict=True))
    return {name: getattr(page, name) for name in names} | {"tables": tables, "notes": notes}
