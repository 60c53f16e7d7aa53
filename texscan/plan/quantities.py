"""What a panel takes, by the way the work is done: paint, filler, abrasive, texture material, tape, hours, waste."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.errors import SettingsError
from texscan.model import Coat
from texscan.options import sprayed
from texscan.plan import consumption
from texscan.plan.basis import Basis, edge_of_area
from texscan.plan.choice import NO_WORK, RETEXTURE
from texscan.plan.figure import ASSUMED, USER, Figure, exactly, inverse, rising, total
from texscan.plan.materials import Material
from texscan.plan.new_texture import NewTexture, new_texture
from texscan.plan.rates import Rates

SMOOTH, PAINTED = "smooth areas", "painted"  # panel and option of the borders' lines
LOCAL_REPAIR, FEWER, SPRAYED = "local-repair", "fewer-coats", "sprayed"
# For information: these stand in no total.
FULL_PEAKS, BURYING = "paint for the full film on the peaks", "paint that would bury the texture"
WITHOUT_PACE = "work without pace"
INFORMATION = ("area", "edge", FULL_PEAKS, BURYING, WITHOUT_PACE)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One line: what, of which kind (coat, grit, task), how much, and what it rests on in words."""

    panel: str
    option: str
    item: str
    detail: str
    unit: str
    figure: Figure
    rests_on: str


@dataclass(frozen=True, slots=True)
class Means:
    """What the work is done with: figures of materials, the user's rates, the paper that keys a texture."""

    materials: dict[str, Material]  # the user's figures already in place of the assumed ones
    rates: Rates
    key_grit: float  # P

    def __getitem__(self, name: str) -> Figure:
        return self.materials[name].figure


@dataclass(frozen=True, slots=True)
class _Work:
    """One panel done one way: the area that is worked on, its edge, its texture before paint."""

    basis: Basis
    option: str
    means: Means
    area_m2: Figure
    edge_m: Figure
    new: NewTexture | None  # None = the old texture stays
    coats: tuple[Coat, ...]

    def row(self, item: str, detail: str, unit: str, figure: Figure, rests_on: tuple[str, ...]) -> Quantity:
        return Quantity(self.basis.panel, self.option, item, detail, unit, figure, "; ".join(rests_on))


def told(words: str, figure: Figure, unit: str = "") -> str:
    """A figure as it went into a line: 'loss 0.1 to 0.2 (assumed)'."""
    low, high = f"{figure.low:.3g}", f"{figure.high:.3g}"
    span = low if low == high else f"{low} to {high}"
    return f"{words} {span}{' ' if unit else ''}{unit} ({figure.source})"


def quantities_of(basis: Basis, option: str, means: Means) -> tuple[Quantity, ...]:
    """
    The lines of a panel that is done this way, in the order of the work; none where no work is due.

    Low and high take every figure at its end (`figure.rising`). Nothing is rounded up: packs are, over the boat.

    Raises
    ------
    SettingsError : a way to make a texture that needs a figure which the rates file does not give.
    """
    if option == NO_WORK:
        return ()
    work = _work(basis, option, means)
    paint = [row for place in range(len(work.coats)) for row in _coat(work, place)]
    rows = [
        work.row("area", "", "m2", work.area_m2, (told("panel", basis.area_m2, "m2"),)),
        work.row("edge", "", "m", work.edge_m, (_of_edge(work.edge_m),)),
        *_flattening(work),
        *_sanding(work),
        *paint,
        *_burying(work),
        *_texture(work, paint),
        *_tape(work),
        *_labour(work),
    ]
    return tuple(rows)


def smooth_quantities(
    area_m2: Figure, coats: tuple[Coat, ...], coats_source: str, means: Means, *, sanding: Figure | None = None
) -> tuple[Quantity, ...]:
    """
    Paint and hours of the smooth borders, which are painted before the panels.

    Parameters
    ----------
    area_m2 : of all of them; flat, so that their true area is this one.
    coats : as on the panels.
    sanding : m2 that one person sands in an hour, where the user says it.
    """
    none, one = exactly(0.0, coats_source), exactly(1.0, USER)
    basis = Basis(SMOOTH, area_m2, none, one, none, None, none, coats, coats_source)
    work = _Work(basis, PAINTED, means, area_m2, none, None, coats)
    rows = [row for place in range(len(coats)) for row in _coat(work, place) if row.item not in INFORMATION]
    each = None if sanding is None else inverse(sanding)
    times = exactly(float(len(coats)), coats_source)
    return (
        work.row("area", "", "m2", area_m2, ()),
        *rows,
        _hours(work, "smooth areas", "m2", (area_m2, one), each),
        _hours(work, "coat", "m2", (area_m2, times), _each("coat", means)),
    )


def _of_edge(edge_m: Figure) -> str:
    return "from the area: nobody measured it" if edge_m.source == ASSUMED else "as entered or drawn"


def _work(basis: Basis, option: str, means: Means) -> _Work:
    area, edge, new, coats = basis.area_m2, basis.edge_m, None, basis.coats
    if option == FEWER:
        coats = _fewer(basis)
    if option == SPRAYED:
        coats = sprayed(coats)
    if option == LOCAL_REPAIR:
        area = rising(lambda a, share: a * share, area, basis.bad_share)
        edge = edge_of_area(area)
    if option in (LOCAL_REPAIR, RETEXTURE):
        new = new_texture(means.rates.texture, means.materials)
        coats = tuple(coat for coat in coats if coat.kind in new.coat_kinds)
    return _Work(basis, option, means, area, edge, new, coats)


def _fewer(basis: Basis) -> tuple[Coat, ...]:
    """The coats that the result leaves, of equal names the last; SettingsError where it does not name them."""
    rest = reversed(basis.coats)
    coats = tuple(next((coat for coat in rest if coat.name == name), None) for name in reversed(basis.fewer))
    if not coats or None in coats:
        raise SettingsError(
            f"The result of {basis.panel!r} does not name the coats of 'fewer-coats', or names others than the "
            "survey's. Score it again with the survey's coats."
        )
    return tuple(coat for coat in reversed(coats) if coat is not None)


def _flattening(work: _Work) -> list[Quantity]:
    """Filler by volume and by weight where the old texture is filled; dust where it is cut."""
    basis, means = work.basis, work.means
    if work.new is None:
        return []
    area = told("area", work.area_m2, "m2")
    if means.rates.flatten == "cut" and basis.cut_mm is not None:
        dust = rising(lambda a, depth: a * depth, work.area_m2, basis.cut_mm)
        return [work.row("dust", "old texture", "L", dust, (area, told("cut to the floors", basis.cut_mm, "mm")))]
    waste = means["filler_waste"]
    litres = rising(lambda a, depth, w: a * depth * (1 + w), work.area_m2, basis.fill_mm, waste)
    excess = rising(lambda a, depth, w: a * depth * w, work.area_m2, basis.fill_mm, waste)
    recipe = (means["filler_per_epoxy"], means["epoxy_density"], means["filler_density"])
    per_litre = consumption.mixture(1.0, *(figure.likely for figure in recipe))  # a recipe has no range
    volume = (area, told("up to the peaks", basis.fill_mm, "mm"), told("waste", waste))
    by_weight = (
        told("kg of filler per kg of epoxy", recipe[0]),
        told("densities", recipe[1], "kg/L"),
        told("and", recipe[2], "kg/L"),
    )
    return [
        work.row("filler, mixed", "", "L", litres, volume),
        work.row("epoxy", "", "kg", rising(lambda v, *_: v * per_litre.epoxy_kg, litres, *recipe), by_weight),
        work.row(
            "filler powder", "", "kg", rising(lambda v, *_: v * per_litre.filler_kg, litres, *recipe), by_weight
        ),
        work.row("dust", "filler", "L", excess, ("at most all of the waste", *volume)),
    ]


def _sanding(work: _Work) -> list[Quantity]:
    """Area to sand by grit, and discs where the user's yields are known."""
    means, basis = work.means, work.basis
    tasks = [("key_passes", means.key_grit, exactly(0.0, USER))]
    if work.new is not None:
        depth = basis.cut_mm if means.rates.flatten == "cut" and basis.cut_mm is not None else None
        waste = means["filler_waste"]
        cut = (
            rising(lambda a, f, w: a * f * w, work.area_m2, basis.fill_mm, waste)
            if depth is None
            else rising(lambda a, d: a * d, work.area_m2, depth)
        )
        tasks.insert(0, ("sand_flat_passes", means["sand_flat_grit"].likely, cut))
    rows = []
    for key, grit, cut in tasks:
        passes = means[key]
        rests_on = (told("area", work.area_m2, "m2"), told("passes", passes))
        sanded = rising(lambda a, n: a * n, work.area_m2, passes)
        rows.append(work.row("sanding", f"P{grit:g}", "m2", sanded, rests_on))
        disc = next((d for d in means.rates.discs if d.grit == grit), None)
        if disc is not None:
            needed = rising(
                lambda a, n, litres, disc=disc: consumption.discs_needed(
                    a, passes=n, m2_per_disc=disc.m2_per_disc, cut_l=litres, l_per_disc=disc.l_per_disc
                ),
                work.area_m2,
                passes,
                cut,
            )
            by = f"{disc.m2_per_disc:g} m2 per disc ({USER})"
            rows.append(work.row("discs", f"P{grit:g}", "discs", needed, (*rests_on, by)))
    return rows


def _coat(work: _Work, place: int) -> list[Quantity]:
    """Paint as supplied, thinner, what is lost, and what the full film on the peaks would take."""
    coat, basis = work.coats[place], work.basis
    loss, true_area = _loss(work, coat), _true_area(work, coat)
    film = exactly(coat.dry_um, basis.coats_source)

    def litres(area: float, lost: float, true: float, dry_um: float) -> float:
        return consumption.paint_l(area, coat.volume_solids, dry_um, loss=lost, true_area=true)

    laid = rising(litres, work.area_m2, loss, true_area, film)
    rests_on: tuple[str, ...] = (
        told("area", work.area_m2, "m2"),
        told("true area", true_area),
        f"{coat.dry_um:.0f} um dry, {100 * coat.volume_solids:.0f} % solids, "
        f"{consumption.spreading_rate_m2_per_l(coat.volume_solids, coat.dry_um):.3g} m2/L ({basis.coats_source})",
        told("loss", loss),
    )
    sunk = _sunk(work, place, loss)
    if sunk is not None:
        laid = total((laid, sunk))
        rests_on = (*rests_on, told("into the grit", sunk, "L"))
    lost = rising(lambda paint, share: paint * share, laid, loss)
    rows = [work.row("paint", coat.name, "L", laid, rests_on)]
    if coat.thinning > 0:
        thinner = rising(lambda paint: paint * coat.thinning, laid)
        rows.append(
            work.row("thinner", coat.name, "L", thinner, (f"{100 * coat.thinning:.0f} % of the paint ({USER})",))
        )
    rows.append(work.row("paint lost", coat.name, "L", lost, (told("loss", loss),)))
    known = coat.flow is None and coat.peak_share[0] > 0  # else no amount is sure to cover them
    if work.new is None and known:
        rows.append(_full_peaks(work, coat, loss))
    return rows


def _full_peaks(work: _Work, coat: Coat, loss: Figure) -> Quantity:
    share = Figure(*coat.peak_share, work.basis.coats_source)
    litres = rising(
        lambda area, lost, thin: consumption.paint_for_peaks_l(
            area, coat.volume_solids, coat.dry_um, loss=lost, peak_share=1 / thin
        ),
        work.area_m2,
        loss,
        inverse(share),
    )
    words = f"{coat.dry_um:.0f} um dry on every peak; for information, in no total"
    return work.row(FULL_PEAKS, coat.name, "L", litres, (words, told("peak share", share)))


def _burying(work: _Work) -> list[Quantity]:
    """What the last coat's paint would take to fill the old texture for good."""
    if work.new is not None or not work.coats:
        return []
    last, void = work.coats[-1], work.basis.fill_mm
    litres = rising(
        lambda area, depth: area * consumption.burying_l_per_m2(depth, last.volume_solids), work.area_m2, void
    )
    words = f"{last.name}, {100 * last.volume_solids:.0f} % solids; for information, in no total"
    return [work.row(BURYING, "", "L", litres, (told("void depth", void, "mm"), words))]


def _loss(work: _Work, coat: Coat) -> Figure:
    """The paint's own where it is rolled and stated, else what is usual for the way it is laid."""
    paint = work.means.rates.paint_of(coat.name)
    if work.option == SPRAYED:
        return work.means["loss_sprayed"]
    return paint.loss if paint is not None and paint.loss is not None else work.means["loss_rolled"]


def _true_area(work: _Work, coat: Coat) -> Figure:
    if work.new is None:
        return work.basis.true_area
    return exactly(1.0, ASSUMED) if coat.kind == "primer" else work.means["new_true_area"]


def _sunk(work: _Work, place: int, loss: Figure) -> Figure | None:
    """Paint that the first sealing coat over broadcast grit takes beyond its film [L]; None for any other coat."""
    if work.new is None or work.new.grit_void_mm is None:
        return None
    topcoats = [n for n, coat in enumerate(work.coats) if coat.kind == "topcoat"]
    if place != (topcoats[1] if len(topcoats) > 1 else None):  # the first topcoat is what the grit falls into
        return None
    void, sink = work.new.grit_void_mm, work.means["grit_sink"]
    return rising(lambda area, v, share, lost: area * v * share / (1 - lost), work.area_m2, void, sink, loss)


def _texture(work: _Work, paint: list[Quantity]) -> list[Quantity]:
    if work.new is None:
        return []
    area = told("area", work.area_m2, "m2")
    if work.new.grit_kg_per_l is not None:
        topcoats = [coat.name for coat in work.coats if coat.kind == "topcoat"]
        litres = total(tuple(row.figure for row in paint if row.item == "paint" and row.detail in topcoats))
        grit = rising(lambda v, kg: v * kg, litres, work.new.grit_kg_per_l)
        words = (told("topcoat", litres, "L"), told("grit", work.new.grit_kg_per_l, "kg/L"))
        return [work.row("grit", "", "kg", grit, words)]
    return [
        work.row(need.item, "", need.unit, rising(lambda a, n: a * n, work.area_m2, need.per_m2), (area, need.words))
        for need in work.new.needs
    ]


def _tape(work: _Work) -> list[Quantity]:
    runs, waste = work.means["tape_runs"], work.means["tape_waste"]
    metres = rising(lambda edge, n, w: edge * n * (1 + w), work.edge_m, runs, waste)
    return [
        work.row("tape", "", "m", metres, (told("edge", work.edge_m, "m"), told("runs", runs), told("waste", waste)))
    ]


def _labour(work: _Work) -> list[Quantity]:
    """Hours of one person by task where the user gives its pace, else the amount of work that has none."""
    means, basis, one = work.means, work.basis, exactly(1.0, USER)
    tasks = [("wash", "m2", work.area_m2, one), ("mask", "m", work.edge_m, means["tape_runs"])]
    if work.new is not None:
        tasks.append(("sand_flat", "m2", work.area_m2, means["sand_flat_passes"]))
        tasks += [("fill", "m2", work.area_m2, one)] if means.rates.flatten != "cut" else []
    tasks.append(("key", "m2", work.area_m2, means["key_passes"]))
    tasks.append(("coat", "m2", work.area_m2, exactly(float(len(work.coats)), basis.coats_source)))
    if work.new is not None:
        tasks.append(("texture", "m2", work.area_m2, one))
    rows = [_hours(work, task, unit, (amount, times), _each(task, means)) for task, unit, amount, times in tasks]
    for task, count, each in (
        ("fittings", basis.fittings, means.rates.h_per_fitting),
        ("repairs", basis.repairs, None),
    ):
        if count:
            rows.append(_hours(work, task, task, (exactly(float(count), USER), one), each))
    return rows


def _each(task: str, means: Means) -> Figure | None:
    """Hours of one person for one unit; None where the user gives no pace."""
    pace = means.rates.paces.get(task)
    return None if pace is None else inverse(pace)


def _hours(work: _Work, task: str, unit: str, amounts: tuple[Figure, Figure], each: Figure | None) -> Quantity:
    """A task of so much, so many times."""
    words = (told("amount", amounts[0], unit), told("times", amounts[1]))
    amount = rising(lambda once, times: once * times, *amounts)
    if each is None:
        return work.row(WITHOUT_PACE, task, unit, amount, (*words, "the rates file gives no pace; in no total"))
    hours = rising(lambda much, h: much * h, amount, each)
    return work.row("labour", task, "h", hours, (*words, told("each", each, "h")))
