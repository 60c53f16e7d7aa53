"""Coats files for a person to edit: a generic system written out, and the peak share that a test patch showed."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from texscan.coating import peak_share_from_test
from texscan.coats import CoatSystem, to_toml, with_peak_share
from texscan.errors import SettingsError
from texscan.model import Coat, Measured

PROVENANCE = (
    "Figures are typical of a kind of paint, of no product. Where they come from: policy = set by this package, not "
    "measured on a deck; from memory = typical of the kind, not looked up; sheet = seen in one published data sheet "
    "or trade manual. The data sheet of the paint in hand overrides them all."
)
HEADING = (
    "Coats in the order they are laid, for texscan score --coats. Put the figures of the data sheet and of your own "
    "work in the place of these: volume_solids (0 to 1) and thinning (volume of thinner per volume of paint) of the "
    "paint; wet_um by film comb, or dry_um instead; peak_share = [low, likely, high], the share of the wet film that "
    "stays on the peaks, or viscosity_pa_s = [thin, likely, thick] with open_time_s to have it computed.",
)


@dataclass(frozen=True, slots=True)
class TestPatch:
    """Void depth of one patch before and after one coat [mm], and the names of the two results."""

    __test__ = False  # no test of pytest

    before_name: str
    after_name: str
    before: Measured
    after: Measured


def system_lines(system: CoatSystem) -> list[str]:
    """A system in words: its figures, and where they come from."""
    lines = [f"{system.name}: {system.title}", f"  {system.note}"]
    for coat, sources in zip(system.coats, system.sources, strict=True):
        low, likely, high = coat.peak_share
        lines.append(
            f"  - {coat.name}: {100 * coat.volume_solids:.0f} % solids, {coat.wet_um:.0f} um wet, "
            f"{coat.dry_um:.0f} um dry, peak share {low:g} to {high:g} (likely {likely:g})"
        )
        lines.append(f"    {sources}")
    return lines


def coat_at(coats: tuple[Coat, ...], text: str) -> int:
    """
    Index of the coat that is meant by its number (from 1) or its name.

    Raises
    ------
    SettingsError : no such coat.
    """
    names = [coat.name for coat in coats]
    if text in names:
        return names.index(text)
    if text.isdecimal() and 1 <= int(text) <= len(coats):
        return int(text) - 1
    known = ", ".join(f"{number_of} ({name})" for number_of, name in enumerate(names, start=1))
    raise SettingsError(f"There is no coat {text!r}. The coats are {known}.")


def laid_like(coats: tuple[Coat, ...], index: int) -> tuple[bool, ...]:
    """Which coats are of the same kind, solids, film and thinning as this one: what it shows holds for them."""

    def way(coat: Coat) -> tuple:
        return coat.kind, coat.volume_solids, coat.wet_um, coat.thinning

    return tuple(way(coat) == way(coats[index]) for coat in coats)


def of_system(systems: dict[str, CoatSystem], name: str) -> str:
    """
    A generic system as the text of a coats file, with where each figure comes from.

    Raises
    ------
    SettingsError : no system of this name.
    """
    if name not in systems:
        near = difflib.get_close_matches(name, systems, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"Known are {', '.join(systems)}."
        raise SettingsError(f"There is no system {name!r}. {hint}")
    system = systems[name]
    heading = (f"{system.title}.", f"{system.note[:1].upper()}{system.note[1:]}.", PROVENANCE, *HEADING)
    return to_toml(system.coats, heading=heading, notes=system.sources)


def measured(coats: tuple[Coat, ...], coat: str, patch: TestPatch) -> str:
    """
    The text of a coats file with the peak share that a test patch showed, in every coat laid like the tested one.

    Parameters
    ----------
    coats : the system that holds the coat.
    coat : its number (from 1) or its name.
    patch : the two results; the coat that was laid between them is as `coats` says.

    Raises
    ------
    SettingsError : no such coat, or a change of void depth that it cannot make.
    """
    index = coat_at(coats, coat)
    share = peak_share_from_test(patch.before, patch.after, coats[index])
    alike = laid_like(coats, index)
    new = tuple(with_peak_share((c,), share)[0] if same else c for c, same in zip(coats, alike, strict=True))
    note = (
        f"peak_share: measured on a test patch of {coats[index].name}, {patch.before_name} before "
        f"({_range(patch.before)} mm of void depth) and {patch.after_name} after ({_range(patch.after)} mm)"
    )
    return to_toml(new, heading=HEADING, notes=tuple(note if same else "" for same in alike))


def measured_lines(coats: tuple[Coat, ...], coat: str, patch: TestPatch) -> list[str]:
    """
    What a test patch showed, in words.

    Raises
    ------
    SettingsError : as `measured`.
    """
    index = coat_at(coats, coat)
    tested = coats[index]
    share = peak_share_from_test(patch.before, patch.after, tested)
    lines = [
        f"{tested.name}: {tested.wet_um:.0f} um wet, {tested.dry_um:.0f} um dry",
        f"  Void depth: {_words(patch.before)} mm before, {_words(patch.after)} mm after",
        f"  Peak share: {share.value:.2f} ({share.low:.2f} to {share.high:.2f})",
    ]
    if share.high - share.low >= tested.peak_share[2] - tested.peak_share[0]:
        lines.append(
            f"  That is no narrower than the range assumed so far ({tested.peak_share[0]:g} to "
            f"{tested.peak_share[2]:g}): take four photos each time, from the same places, measure the printed bar, "
            "or lay the test coat thicker."
        )
    others = [c.name for k, (c, same) in enumerate(zip(coats, laid_like(coats, index), strict=True))
              if same and k != index]  # fmt: skip
    if others:
        lines.append(f"  It also stands for {', '.join(others)}, laid alike.")
    return lines


def _range(figure: Measured) -> str:
    return f"{figure.low:.3f} to {figure.high:.3f}"


def _words(figure: Measured) -> str:
    return f"{figure.value:.3f} ({_range(figure)})"
