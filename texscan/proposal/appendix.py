"""The appendix: what another person needs to repeat it."""

from __future__ import annotations

from texscan.proposal.content import Block, Bullets, Facts, Paragraph, Table
from texscan.proposal.material import Material, Panel
from texscan.proposal.wording import Words, clean

PERCENT_DIGITS = 2


def appendix(material: Material, words: Words) -> tuple[Block, ...]:
    scored = [panel for panel in material.panels if panel.outcome is not None]
    if not scored:
        return (Paragraph(words("format.missing")),)
    used = scored[0].score["filters"]
    blocks: list[Block] = [
        Paragraph(words("appendix.how_title"), "title"),
        Bullets(
            words.items(
                "appendix.how", s_filter=words.number(used["s_mm"], 2), l_filter=words.number(used["l_mm"], 0)
            )
        ),
    ]
    for table in (_budget(scored, words), _rules(scored, words), _files(scored, words), _refused(scored, words)):
        if table is not None:
            blocks.append(table)
    blocks += [Paragraph(words("appendix.versions_table"), "title"), _versions(material, scored, words)]
    return tuple(blocks)


def _budget(scored: list[Panel], words: Words) -> Table | None:
    """Terms down, panels across, by their numbers."""
    budgets = {panel.number: panel.score.get("budget") or {} for panel in scored}
    names = list(dict.fromkeys(term["name"] for found in budgets.values() for term in found.get("terms", ())))
    if not names:
        return None
    sizes = {
        number: {t["name"]: t["relative_u"] for t in found.get("terms", ())} for number, found in budgets.items()
    }
    rows = [(clean(name), *(_percent(sizes[number].get(name), words) for number in budgets)) for name in names]
    together = (_percent(found.get("gain_u"), words) for found in budgets.values())
    rows.append((words("appendix.budget_together"), *together))
    head = (words("appendix.budget_term"), *(str(number) for number in budgets))
    numeric = tuple(range(1, len(head)))
    widths = (3.2, *(1.1 for _ in budgets))
    return Table(words("appendix.budget_table"), head, tuple(rows), widths, numeric, total=True, small=True)


def _percent(share: float | None, words: Words) -> str:
    return "" if share is None else f"{words.number(100 * share, PERCENT_DIGITS)} %"


def _rules(scored: list[Panel], words: Words) -> Table:
    rows = []
    for panel in scored:
        for number, rule in enumerate(panel.score["recommendation"].get("rules", ())):
            name = panel.title if number == 0 else ""
            rows.append((name, clean(rule["name"]), clean(rule["outcome"]), clean(rule["sentence"])))
    heads = tuple(words(f"appendix.rules_{head}") for head in ("panel", "rule", "outcome", "sentence"))
    return Table(words("appendix.rules_table"), heads, tuple(rows), widths=(2.6, 2.2, 2.0, 8), small=True)


def _files(scored: list[Panel], words: Words) -> Table:
    rows = []
    for panel in scored:
        for patch in panel.found.patches:
            name = panel.title + (f", {clean(patch.name)}" if patch.name else "")
            for photo in (*patch.score["views"], *patch.score.get("ambient", ())):
                rows.append((name, clean(photo["file"]), clean(photo["sha256"])))
                name = ""
    heads = tuple(words(f"appendix.files_{head}") for head in ("panel", "file", "sum"))
    return Table(words("appendix.files_table"), heads, tuple(rows), widths=(3.2, 2.4, 8), small=True)


def _refused(scored: list[Panel], words: Words) -> Table | None:
    rows = [
        (panel.title, clean(entry["file"]), clean(entry["reason"]))
        for panel in scored
        for patch in panel.found.patches
        for entry in patch.score.get("refused", ())
    ]
    if not rows:
        return None
    heads = (words("appendix.files_panel"), words("appendix.files_file"), words("appendix.refused_reason"))
    return Table(words("appendix.refused_table"), heads, tuple(rows), widths=(3, 3, 8), small=True)


def _versions(material: Material, scored: list[Panel], words: Words) -> Facts:
    scores = [patch.score for panel in scored for patch in panel.found.patches]
    used = {
        words(
            "appendix.versions_filters_value",
            s=words.number(f["s_mm"], 2),
            l=words.number(f["l_mm"], 0),
            form=f["form"],
            contact=words.number(f["contact_depth_mm"], 2),
        )
        for f in (score["filters"] for score in scores)
    }
    return Facts(
        (
            (words("appendix.versions_program"), material.version),
            (words("appendix.versions_scored"), ", ".join(sorted({clean(s["texscan_version"]) for s in scores}))),
            (words("appendix.versions_filters"), "; ".join(sorted(used))),
            (words("appendix.versions_schema"), ", ".join(sorted({clean(s["schema"]) for s in scores}))),
        )
    )
