"""What a new texture takes by the way it is made, and the void depth that it then has."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.errors import SettingsError
from texscan.plan import consumption
from texscan.plan.figure import ASSUMED, USER, Figure, rising, weakest
from texscan.plan.materials import Material

USUAL = "broadcast-grit"  # strongest, even, controllable: where the rates file names none
UM_PER_MM = 1000.0
# Which of the planned coats are laid: a thick coating is its own finish, a moulded pattern is gelcoat.
COAT_KINDS: dict[str, tuple[str, ...]] = {
    "broadcast-grit": ("primer", "topcoat"),
    "grit-in-paint": ("primer", "topcoat"),
    "texture-coating": ("primer",),
    "moulded": (),
}


@dataclass(frozen=True, slots=True)
class Need:
    """Material of a new texture by area."""

    item: str
    unit: str
    per_m2: Figure
    words: str


@dataclass(frozen=True, slots=True)
class NewTexture:
    """A way to make a texture; `grit_void_mm` is the void depth of broadcast grit before it is sealed."""

    way: str
    source: str  # whether the way is the user's or assumed
    coat_kinds: tuple[str, ...]  # of the planned coats, which are laid
    needs: tuple[Need, ...] = ()
    grit_void_mm: Figure | None = None
    grit_kg_per_l: Figure | None = None  # of topcoat


def new_texture(way: str | None, materials: dict[str, Material]) -> NewTexture:
    """
    Material per m2 of a new texture.

    Parameters
    ----------
    way : of `rates.TEXTURES`; None = `USUAL`, assumed.

    Raises
    ------
    SettingsError : grit in paint without `grit_per_paint`; no figure for it is shipped.
    """
    source = ASSUMED if way is None else USER
    way = way or USUAL
    figures = {name: material.figure for name, material in materials.items()}
    kinds = COAT_KINDS[way]
    if way == "broadcast-grit":
        return NewTexture(way, source, kinds, _broadcast(figures), grit_void_mm=_void(figures))
    if way == "grit-in-paint":
        return NewTexture(way, source, kinds, grit_kg_per_l=_grit_per_paint(figures))
    return NewTexture(way, source, kinds, _coating(figures) if way == "texture-coating" else _moulded(figures))


def _broadcast(figures: dict[str, Figure]) -> tuple[Need, ...]:
    size, cover, at_hand = (figures[key] for key in ("grit_size", "grit_cover", "grit_in_hand"))
    stays = rising(consumption.grit_kg_per_m2, size, cover, figures["grit_density"])
    in_hand = rising(lambda kg, times: kg * times, stays, at_hand)
    words = f"grains of {size.likely:g} mm over {cover.low:g} to {cover.high:g} of the area ({weakest(size, cover)})"
    excess = f"{at_hand.low:g} to {at_hand.high:g} times what stays, the rest is reclaimed ({at_hand.source})"
    return Need("grit", "kg", in_hand, f"{words}; {excess}"), Need("grit that stays", "kg", stays, words)


def _void(figures: dict[str, Figure]) -> Figure:
    """Void depth of one layer of grains [mm]: less where more of the area is covered."""
    size, cover = figures["grit_size"], figures["grit_cover"]
    low, likely, high = (consumption.grit_void_mm(s, c) for s, c in zip(size.ends, reversed(cover.ends), strict=True))
    return Figure(low, likely, high, weakest(size, cover))


def _grit_per_paint(figures: dict[str, Figure]) -> Figure:
    if "grit_per_paint" not in figures:
        raise SettingsError(
            "The new texture is grit-in-paint, and how much grit goes into the paint is not given. Write "
            "grit_per_paint = ... (kg per litre, from the data sheet) under [materials] in the rates file."
        )
    return figures["grit_per_paint"]


def _coating(figures: dict[str, Figure]) -> tuple[Need, ...]:
    film, loss = figures["texture_coating_wet"], figures["loss_rolled"]
    litres = rising(lambda um, lost: um / UM_PER_MM / (1 - lost), film, loss)
    words = (
        f"{film.low:g} to {film.high:g} um wet ({film.source}), loss {loss.low:g} to {loss.high:g} ({loss.source})"
    )
    return (Need("texture coating", "L", litres, words),)


def _moulded(figures: dict[str, Figure]) -> tuple[Need, ...]:
    film, waste = figures["gelcoat_film"], figures["filler_waste"]
    litres = rising(lambda mm, more: mm * (1 + more), film, waste)
    words = (
        f"{film.low:g} to {film.high:g} mm ({film.source}), waste {waste.low:g} to {waste.high:g} ({waste.source})"
    )
    return (Need("gelcoat", "L", litres, words),)
