"""Coat systems as text: the coats file of a user, and the generic systems that are shipped."""

from __future__ import annotations

import json
import textwrap
from dataclasses import dataclass, replace

from texscan.coating import DEFAULT_PEAK_SHARE
from texscan.errors import SettingsError
from texscan.model import Coat, Flow, Measured
from texscan.settings import number, parse, refuse_unknown, rising, text_of

KINDS = ("primer", "topcoat")
FLOW_KEYS = ("viscosity_pa_s", "surface_tension_n_m", "open_time_s", "density_kg_m3")
COAT_KEYS = ("name", "kind", "volume_solids", "wet_um", "dry_um", "thinning", "peak_share", *FLOW_KEYS, "sources")
SYSTEM_KEYS = ("name", "title", "note", "coat")
MOST_COATS = 12  # more is a slip of the pen
# Widest values that a paint sold for decks could have; from memory, far outside any data sheet seen.
WET_UM = (5.0, 3000.0)
VISCOSITY_PA_S = (0.001, 1000.0)
SURFACE_TENSION_N_M = (0.015, 0.08)
OPEN_TIME_S = (1.0, 86_400.0)
DENSITY_KG_M3 = (700.0, 2500.0)
DEFAULT_SURFACE_TENSION_N_M = 0.030  # solvent-borne 0.025 to 0.035, from memory
DEFAULT_DENSITY_KG_M3 = 1200.0  # from memory


@dataclass(frozen=True, slots=True)
class CoatSystem:
    """A generic system: no product, typical figures of its kind."""

    name: str
    title: str
    note: str
    coats: tuple[Coat, ...]
    sources: tuple[str, ...] = ()  # of each coat: where its figures come from, in words


def coats_from_toml(text: str, name: str) -> tuple[Coat, ...]:
    """
    The coats of a coats file, in the order they are laid.

    Parameters
    ----------
    text : TOML with [[coat]] tables: name, kind, volume_solids, wet_um or dry_um, thinning, and peak_share = [low,
        likely, high] or viscosity_pa_s = [thin, likely, thick] with open_time_s (surface_tension_n_m, density_kg_m3).
    name : of the file, for the sentence.

    Raises
    ------
    SettingsError : unknown keys (with the nearest known one), missing or impossible values.
    """
    tables = parse(text, name)
    refuse_unknown(tables, ("coat",), name)
    return _coats(tables, name)


def systems_from_toml(text: str, name: str) -> dict[str, CoatSystem]:
    """
    Named systems: [[system]] tables with name, title, note and their [[system.coat]] tables.

    Raises
    ------
    SettingsError : as `coats_from_toml`, or two systems of one name.
    """
    tables = parse(text, name)
    refuse_unknown(tables, ("system",), name)
    systems: dict[str, CoatSystem] = {}
    for number_of, table in enumerate(_list_of_tables(tables, "system", name), start=1):
        where = f"{name}, system {number_of}"
        refuse_unknown(table, SYSTEM_KEYS, where)
        key = text_of(table.get("name"), f"{where}: name")
        if key in systems:
            raise SettingsError(f"{name} has two systems named {key!r}. Rename one.")
        title = text_of(table.get("title", key), f"{where}: title")
        note = text_of(table.get("note", title), f"{where}: note")
        coats = _coats(table, where)
        systems[key] = CoatSystem(key, title, note, coats, tuple(_sources(t, where) for t in table["coat"]))
    return systems


def _sources(table: dict, where: str) -> str:
    sources = table.get("sources", {})
    if not isinstance(sources, dict):
        raise SettingsError(f'{where}: sources is {sources!r}; a table like {{ wet_um = "data sheet" }} is needed.')
    refuse_unknown(sources, COAT_KEYS, f"{where}: sources")
    return "; ".join(f"{key}: {text_of(words, f'{where}: sources: {key}')}" for key, words in sources.items())


def _coats(tables: dict, where: str) -> tuple[Coat, ...]:
    entries = _list_of_tables(tables, "coat", where)
    if not 1 <= len(entries) <= MOST_COATS:
        raise SettingsError(f"{where} has {len(entries)} coats; 1 to {MOST_COATS} [[coat]] tables are needed.")
    return tuple(_coat(table, f"{where}, coat {n}") for n, table in enumerate(entries, start=1))


def _list_of_tables(tables: dict, key: str, where: str) -> list[dict]:
    entries = tables.get(key, [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise SettingsError(f"{where}: {key!r} is no list of tables. Write each one under [[{key}]].")
    return entries


def _coat(table: dict, where: str) -> Coat:
    refuse_unknown(table, COAT_KEYS, where)
    name = text_of(table.get("name"), f"{where}: name")
    kind = table.get("kind")
    if kind not in KINDS:
        raise SettingsError(f"{where}: kind is {kind!r}; {' or '.join(KINDS)} is needed.")
    solids = number(table.get("volume_solids"), 0.01, 1.0, f"{where}: volume_solids")
    thinning = number(table.get("thinning", 0.0), 0.0, 2.0, f"{where}: thinning")
    flow = _flow(table, where)
    share = rising(table.get("peak_share", list(DEFAULT_PEAK_SHARE)), 0.0, 1.0, f"{where}: peak_share")
    wet_um = _wet_um(table, solids / (1 + thinning), where)
    return Coat(name, kind, solids, wet_um, thinning=thinning, peak_share=share, flow=flow)


def _wet_um(table: dict, solids_as_applied: float, where: str) -> float:
    """Wet film; a dry film is divided by the solids of the thinned paint."""
    if ("wet_um" in table) == ("dry_um" in table):
        found = "both wet_um and dry_um" if "wet_um" in table else "neither wet_um nor dry_um"
        raise SettingsError(f"{where} has {found}; exactly one of them is needed.")
    if "wet_um" in table:
        return number(table["wet_um"], *WET_UM, f"{where}: wet_um")
    dry_um = number(table["dry_um"], *WET_UM, f"{where}: dry_um")
    return dry_um / solids_as_applied


def _flow(table: dict, where: str) -> Flow | None:
    """Flow, where the table states a viscosity; it then replaces the peak share."""
    stated = [key for key in FLOW_KEYS if key in table]
    if not stated:
        return None
    if "peak_share" in table:
        raise SettingsError(
            f"{where} has both peak_share and {stated[0]}; give the peak share or let it be computed."
        )
    if "viscosity_pa_s" not in table or "open_time_s" not in table:
        raise SettingsError(f"{where} has {stated[0]}; a computed peak share needs viscosity_pa_s and open_time_s.")
    tension = table.get("surface_tension_n_m", DEFAULT_SURFACE_TENSION_N_M)
    density = table.get("density_kg_m3", DEFAULT_DENSITY_KG_M3)
    return Flow(
        viscosity_pa_s=rising(table["viscosity_pa_s"], *VISCOSITY_PA_S, f"{where}: viscosity_pa_s"),
        surface_tension_n_m=number(tension, *SURFACE_TENSION_N_M, f"{where}: surface_tension_n_m"),
        open_time_s=number(table["open_time_s"], *OPEN_TIME_S, f"{where}: open_time_s"),
        density_kg_m3=number(density, *DENSITY_KG_M3, f"{where}: density_kg_m3"),
    )


def describe(coats: tuple[Coat, ...]) -> str:
    """The system in words, in the order of laying: 'primer, 40 um; topcoat, 40 um dry'."""
    parts = "; ".join(f"{coat.name}, {coat.dry_um:.0f} um" for coat in coats)
    return f"{parts} dry" if parts else "no coat"


def to_toml(coats: tuple[Coat, ...], *, heading: tuple[str, ...] = (), notes: tuple[str, ...] = ()) -> str:
    """
    The text of a coats file that `coats_from_toml` reads back as these coats (to six digits).

    `heading` stands above all, `notes` above each coat ("" = none), as comments.
    """
    tables = [_toml_of(coat) for coat in coats]
    if notes:
        tables = [_comment(note) + table for note, table in zip(notes, tables, strict=True)]
    top = "".join(_comment(line) for line in heading)
    return (f"{top}\n" if top else "") + "\n".join(tables)


def _comment(text: str) -> str:
    lines = textwrap.wrap(" ".join(text.split()), 117, break_long_words=False)
    return "".join(f"# {line}\n" for line in lines)


def _toml_of(coat: Coat) -> str:
    lines = [
        "[[coat]]",
        f"name = {json.dumps(coat.name, ensure_ascii=False)}",
        f'kind = "{coat.kind}"',
        f"volume_solids = {coat.volume_solids:.6g}",
        f"wet_um = {coat.wet_um:.6g}",
        f"thinning = {coat.thinning:.6g}",
    ]
    if coat.flow is None:
        lines.append(f"peak_share = [{', '.join(f'{share:.6g}' for share in coat.peak_share)}]")
    else:
        lines.append(f"viscosity_pa_s = [{', '.join(f'{v:.6g}' for v in coat.flow.viscosity_pa_s)}]")
        lines += [f"{key} = {getattr(coat.flow, key):.6g}" for key in FLOW_KEYS if key != "viscosity_pa_s"]
    return "\n".join(lines) + "\n"


def with_peak_share(coats: tuple[Coat, ...], share: Measured) -> tuple[Coat, ...]:
    """The coats with a peak share that a test patch showed, in place of the policy range or the computed one."""
    measured = (share.low, share.value, share.high)
    return tuple(replace(coat, peak_share=measured, flow=None) for coat in coats)
