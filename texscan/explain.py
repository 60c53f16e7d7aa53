"""A decision as a tree of rules in text, from the record or from the entry of a result file."""

from __future__ import annotations

from texscan.errors import SettingsError
from texscan.model import Recommendation, RuleReading


def explain(recommendation: Recommendation) -> str:
    """The rules and what each saw, a line or two each; those that carry the action are marked with an asterisk."""
    lines = [recommendation.action]
    carried = set(recommendation.reasons)
    for reading in recommendation.readings:
        mark = "*" if reading.sentence in carried else " "
        lines.append(f"{mark} {reading.name}: {reading.outcome}")
        lines.append(f"      {reading.sentence}")
        if reading.would_change_it:
            lines.append(f"      Would change it: {reading.would_change_it}")
    if recommendation.would_change_it:
        lines.append("What would change the decision:")
        lines.extend(f"  - {change}" for change in recommendation.would_change_it)
    return "\n".join(lines)


def recommendation_from(entry: dict, name: str) -> Recommendation:
    """
    The recommendation of a result file.

    Parameters
    ----------
    entry : the value of "recommendation" in score.json; "rules" may be missing.
    name : of the file, for the sentence.

    Raises
    ------
    SettingsError : the entry is not whole.
    """
    try:
        rules = tuple(
            RuleReading(rule["name"], rule["outcome"], rule["sentence"], rule.get("would_change_it", ""))
            for rule in entry.get("rules", ())
        )
        return Recommendation(entry["action"], tuple(entry["reasons"]), tuple(entry["would_change_it"]), rules)
    except (AttributeError, KeyError, TypeError) as error:
        raise SettingsError(f"{name} has no whole recommendation ({error!r}). Score the patch again.") from error
