"""A decision as a tree of rules in text, and the ways to do the work side by side, from a result file."""

from __future__ import annotations

import textwrap

from texscan.cautions import cautions_of
from texscan.errors import SettingsError
from texscan.model import Recommendation, RuleReading

NARROW, TABLE, WIDE = 40, 80, 100  # characters: least width, least for the options as a table, greatest
OFFERED, FIGURE = 9, 13  # widths of columns of the table


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
            RuleReading(*_words(rule["name"], rule["outcome"], rule["sentence"], rule.get("would_change_it", "")))
            for rule in entry.get("rules", ())
        )
        (action,), reasons = _words(entry["action"]), _words(*entry["reasons"])
        return Recommendation(action, reasons, _words(*entry["would_change_it"]), rules)
    except (AttributeError, KeyError, TypeError) as error:
        raise SettingsError(f"{name} has no whole recommendation ({error!r}). Score the patch again.") from error


def _words(*values: object) -> tuple[str, ...]:
    return tuple(_word(value) for value in values)


def _word(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} instead of words")
    return value


def explained(data: dict, *, name: str, width: int = TABLE) -> list[str]:
    """
    All that a result says about its decision, as lines of text.

    Parameters
    ----------
    data : score.json of a result.
    name : of the file, for the sentence.
    width : characters a line, kept within 40 to 100; below 80 the options stand one below the other.

    Returns
    -------
    Lines: panel and action, every rule and what it saw, the options, the cautions of the recommended option (of the
    option with most cautions where the decision is open).

    Raises
    ------
    SettingsError : the result is not whole.
    """
    width = min(max(width, NARROW), WIDE)
    decided = recommendation_from(data.get("recommendation", {}), name)
    lines = _wrapped(f"{data.get('panel') or 'Panel'}: {explain(decided)}", width)
    try:
        ways = data["options"]
        lines += ["", "Ways to do the work (* recommended):", *_side_by_side(ways, width)]
        for way in ways:
            lines += ["", *_wrapped(f"{way['title']}: {way['sentence']}", width)]
            lines += _items(way["warnings"], width)
        chosen = [way for way in ways if way["recommended"]]
        cautions = chosen[0]["cautions"] if chosen else cautions_of(decided.action)
        title = chosen[0]["title"].lower() if chosen else "whatever follows"
        *items, closing = cautions
        lines += ["", _plain(f"Cautions for {title}:"), *_items(items, width), *_wrapped(closing, width)]
    except (ArithmeticError, AttributeError, IndexError, KeyError, TypeError, ValueError) as error:
        raise SettingsError(f"{name} has no whole list of options ({error!r}). Score the patch again.") from error
    return lines


def _side_by_side(ways: list[dict], width: int) -> list[str]:
    """The options as a table, or one below the other where the line is short."""
    rows = [("*" if way["recommended"] else " ", _plain(way["title"]), *_figures(way)) for way in ways]
    if width < TABLE:
        lines = []
        for mark, title, offered, left, fill, cut in rows:
            lines.append(f"{mark} {title}")
            lines.append(f"    {'offered' if offered == 'yes' else 'not offered'}")
            known = (("void depth left", left, "mm"), ("filler", fill, "L/m2"), ("or cut", cut, "L/m2"))
            lines += [f"    {label} {value} {unit}" for label, value, unit in known if value != "-"]
        return lines
    heads = (" ", "", "offered", "void left", "filler", "or cut")
    units = (" ", "", "", "mm", "L/m2", "L/m2")
    first = width - 2 - OFFERED - 3 * FIGURE + 1
    return [
        f"{mark} {title:<{first}.{first - 1}}{offered:<{OFFERED}}{left:<{FIGURE}}{fill:<{FIGURE}}{cut}".rstrip()
        for mark, title, offered, left, fill, cut in (heads, units, *rows)
    ]


def _figures(way: dict) -> tuple[str, str, str, str]:
    """Offered, void depth left, filler, cut, as words; "-" where the option has no such figure."""
    left, fill, cut = (_range(way[key]) for key in ("void_depth_mm", "fill_mm", "cut_mm"))
    return "yes" if way["offered"] else "no", left, fill, cut


def _range(figure: dict | None) -> str:
    if figure is None:
        return "-"
    low, high = f"{figure['low']:.2f}", f"{figure['high']:.2f}"
    return high if low == high else f"{low} to {high}"


def _items(sentences: list[str], width: int) -> list[str]:
    return [line for sentence in sentences for line in _wrapped(f"  - {sentence}", width)]


def _wrapped(text: str, width: int) -> list[str]:
    """Lines of a text, wrapped below their own first letter."""
    lines = []
    for line in text.split("\n"):
        plain = _plain(line)
        indent = len(plain) - len(plain.lstrip(" *-"))
        lines += textwrap.wrap(plain, width, subsequent_indent=" " * indent, break_long_words=False) or [""]
    return lines


def _plain(text: str) -> str:
    """Without what a terminal would take for a command."""
    return "".join(letter for letter in text if letter.isprintable())
