"""
The frozen records that the steps hand on, and the table of flags.

Conventions (fixed here, used everywhere): mm and degrees; arrays are (rows, columns) with row 0 at the largest y;
x to the right and y up on the card as printed, z out of the deck towards the camera, z = 0 on the card's face;
azimuth points from the patch towards the light, anticlockwise from +x; elevation 0 is grazing; NaN means "not
measured".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

COVERAGE_FACTOR = 1.96  # two-sided 95 % of a normal distribution


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured number with its 95 % coverage interval; `low <= value <= high`, all finite."""

    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.value, self.low, self.high))):
            raise ValueError(f"a measured number must be finite, got {self.value}, {self.low}, {self.high}")
        if not self.low <= self.value <= self.high:
            raise ValueError(f"interval {self.low}..{self.high} does not hold {self.value}")

    @classmethod
    def from_u(cls, value: float, u: float, *, at_least: float = -math.inf, at_most: float = math.inf) -> Measured:
        """Value with standard uncertainty u; the interval is cut at physical bounds."""
        value = min(max(float(value), at_least), at_most)
        half = COVERAGE_FACTOR * float(u)
        return cls(value, max(value - half, at_least), min(value + half, at_most))

    @property
    def u(self) -> float:
        """Standard uncertainty told from the interval's width."""
        return (self.high - self.low) / (2 * COVERAGE_FACTOR)


def measured(figure: dict | None) -> Measured | None:
    """A measured number of score.json as a record; None stays None."""
    return None if figure is None else Measured(figure["value"], figure["low"], figure["high"])


@dataclass(frozen=True, slots=True)
class Photo:
    """A decoded photo, upright as displayed (EXIF orientation applied once)."""

    file: str
    sha256: str
    pixels: np.ndarray  # (rows, columns, 3) RGB, uint8 or uint16
    encoding: str  # "srgb" or "linear"
    focal_35mm: float | None = None  # EXIF focal length in 35 mm terms [mm]; a starting value only
    exposure: float | None = None  # t ISO / (100 N^2), to compare photos; None if EXIF does not tell
    taken_s: float | None = None  # EXIF time on the camera's clock, seconds since 1970
    shrunk: int = 1  # the file has this many times as many pixels a side


@dataclass(frozen=True, slots=True)
class LinearPhoto:
    """Luminance proportional to the light on the sensor."""

    file: str
    luminance: np.ndarray  # (rows, columns) float32, 1 = the sensor's white
    clipped: np.ndarray  # (rows, columns) bool


@dataclass(frozen=True, slots=True)
class Grid:
    """The orthographic mm grid: pixel (r, c) is centred at x0_mm + c step_mm, y1_mm - r step_mm."""

    x0_mm: float
    y1_mm: float
    step_mm: float
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows, self.columns

    @property
    def x_mm(self) -> np.ndarray:
        """(columns,) float64"""
        return self.x0_mm + self.step_mm * np.arange(self.columns)

    @property
    def y_mm(self) -> np.ndarray:
        """(rows,) float64, falling"""
        return self.y1_mm - self.step_mm * np.arange(self.rows)

    def part(self, window: tuple[slice, slice]) -> Grid:
        """The grid of some of its rows and columns."""
        (top, bottom, _), (left, right, _) = (s.indices(n) for s, n in zip(window, self.shape, strict=True))
        x0_mm, y1_mm = self.x0_mm + left * self.step_mm, self.y1_mm - top * self.step_mm
        return Grid(x0_mm, y1_mm, self.step_mm, bottom - top, right - left)

    @property
    def centre_mm(self) -> tuple[float, float]:
        return (
            self.x0_mm + self.step_mm * (self.columns - 1) / 2,
            self.y1_mm - self.step_mm * (self.rows - 1) / 2,
        )


@dataclass(frozen=True, slots=True)
class Light:
    """
    The light of one view: near (a position) or distant (a direction).

    `covariance` is over (azimuth_deg, elevation_deg, inverse distance [1/mm]) at `at_mm`, with the upright heights'
    uncertainty included.
    """

    azimuth_deg: float
    elevation_deg: float
    inverse_distance_per_mm: float  # 1 / distance from (at_mm, z = 0) to the lamp; 0 = distant
    at_mm: tuple[float, float]
    covariance: np.ndarray  # (3, 3)
    ambient_share: Measured | None = None  # share of the light on the lit card that does not come from this lamp
    uprights_used: tuple[str, ...] = ()
    uprights_left_out: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def ambient(self) -> Measured:
        """The ambient share; ValueError as long as only the lamp is known."""
        if self.ambient_share is None:
            raise ValueError("the ambient share of this light was not measured")
        return self.ambient_share

    @property
    def direction(self) -> np.ndarray:
        """(3,) unit vector from (at_mm, 0) towards the lamp."""
        a, e = np.radians(self.azimuth_deg), np.radians(self.elevation_deg)
        return np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])

    @property
    def position_mm(self) -> np.ndarray | None:
        """(3,) lamp position in the card frame, or None when distant."""
        if self.inverse_distance_per_mm <= 0:
            return None
        return np.array([*self.at_mm, 0.0]) + self.direction / self.inverse_distance_per_mm

    def towards(self, x_mm: np.ndarray, y_mm: np.ndarray, z_mm: np.ndarray | float = 0.0) -> np.ndarray:
        """
        Unit vectors towards the lamp, shape (3, *broadcast shape); float32 where all places are.
        """
        position = self.position_mm
        if position is None:
            x = np.broadcast_arrays(x_mm, y_mm, z_mm)[0]
            return np.broadcast_to(self.direction.reshape(3, *([1] * x.ndim)), (3, *x.shape))
        right, up, above = (at - places for at, places in zip(position.tolist(), (x_mm, y_mm, z_mm), strict=True))
        distance = np.sqrt(right * right + up * up + above * above)
        return np.stack([right / distance, up / distance, above / distance])

    def irradiance(
        self, x_mm: np.ndarray | float, y_mm: np.ndarray | float, z_mm: np.ndarray | float = 0.0
    ) -> np.ndarray:
        """
        Light on a level face (cosine and 1/r^2), relative to 1 on a face square to the ray at (at_mm, 0); float32
        where all places are.
        """
        position = self.position_mm
        if position is None:
            return np.full(np.broadcast_shapes(*map(np.shape, (x_mm, y_mm, z_mm))), self.direction[2])
        right, up, above = (at - places for at, places in zip(position.tolist(), (x_mm, y_mm, z_mm), strict=True))
        squared = right * right + up * up + above * above
        return above / (np.sqrt(squared) * squared * float(self.inverse_distance_per_mm) ** 2)


@dataclass(frozen=True, slots=True)
class LitView:
    """
    One view on the grid, ready for the height solver.

    brightness : (rows, columns) float32, NaN where the photo says nothing (card, uprights, clipped, out of frame).
        Ambient light subtracted, torch falloff and vignetting divided out: brightness = (torch light from this
        pixel) / (torch light from lit white paper lying level at the same place). A level matt deck reads rho /
        rho_paper. Without a card it is scaled so that its median is 1.
    blur_mm : standard deviation of the photo's total blur on the grid, told from the card's edges; NaN if unknown.
    even_share : share of the lit card's light that was subtracted as if it fell evenly, for want of a photo without
        the torch.
    """

    brightness: np.ndarray
    light: Light
    blur_mm: float = math.nan
    even_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Relief:
    """
    A height map and what is known of its errors.

    height_mm : (rows, columns) float32 in the card frame's z direction, its level arbitrary; NaN = not measured.
    gain_u : relative standard uncertainty of all heights together that comes from the solver (not from light or
    scale). contact_u : absolute standard uncertainty of the contact-area fraction that comes from the solver.
    shading_over_shadow : size that shading alone gives over the size that shadows give; None if one is missing.
    """

    height_mm: np.ndarray
    gain_u: float
    contact_u: float
    shading_over_shadow: float | None
    lit_share: tuple[float, ...]  # of each view
    residual: float  # relative rms of the re-lit views; no measure of accuracy
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Term:
    """One line of the uncertainty budget: relative standard uncertainty of all heights together."""

    name: str
    relative_u: float


@dataclass(frozen=True, slots=True)
class Budget:
    """
    The common-gain terms of a result, and the solver's own uncertainty of the contact-area fraction.

    shape_unsure : the texture's shape may be misread, not its size alone: grooves and the light's only axis do that.
    """

    terms: tuple[Term, ...] = ()
    contact_u: float = 0.0
    views: int = 0  # 0 = heights measured by other means
    shape_unsure: bool = False

    @property
    def gain_u(self) -> float:
        return math.sqrt(sum(term.relative_u**2 for term in self.terms))


@dataclass(frozen=True, slots=True)
class Filters:
    """Settings of the areal filters and of the contact depth, as in score.json."""

    s_mm: float = 0.25
    l_mm: float = 25.0
    form: str = "polynomial-2"
    contact_depth_mm: float = 0.10


@dataclass(frozen=True, slots=True)
class Pattern:
    """Repeating or random texture; `cell` is the sound unit cell averaged over the zone, if one could be told."""

    kind: str  # "repeating", "random", "none"
    pitch_mm: tuple[Measured, ...] = ()
    direction_deg: tuple[float, ...] = ()
    vectors_mm: np.ndarray | None = None  # (2, 2), rows are lattice vectors (x, y)
    cell: np.ndarray | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of the patch in one condition; figures on the zone's own top plane."""

    condition: str  # "sound", "worn", "filled"
    polygon_mm: np.ndarray  # (n, 2), card frame, anticlockwise
    area_mm2: float
    relief_mm: Measured | None
    void_depth_mm: Measured | None
    contact_area_fraction: Measured | None
    confidence: float = 0.5
    void_ratio_to_sound: Measured | None = None
    flags: tuple[str, ...] = ()


SOUND, WORN, FILLED = 1, 2, 3  # values of conditions.tif; 0 = not measured
CONDITION_NAMES = {SOUND: "sound", WORN: "worn", FILLED: "filled"}


@dataclass(frozen=True, slots=True)
class ZoneMap:
    """Condition of every measured pixel, and its zones."""

    condition: np.ndarray  # (rows, columns) uint8: 0 exactly where the height is NaN
    zones: tuple[Zone, ...]
    shares: dict[str, float]  # "sound", "worn", "filled": shares of the measured area, sum 1
    reference: str  # "named", "patch", "limits": what sound was compared with
    reference_figures: dict[str, float]  # relief_mm, void_depth_mm, contact_area_fraction of "sound"
    flags: tuple[str, ...] = ()
    lost_share: tuple[float, float] | None = None  # 95 % range of worn and filled, where a reference's size is unsure


@dataclass(frozen=True, slots=True)
class Flow:
    """How a wet film flows before it sets; (low, likely, high) runs from the thinnest paint to the thickest."""

    viscosity_pa_s: tuple[float, float, float]  # at the low shear of levelling, at the start
    surface_tension_n_m: float
    open_time_s: float  # effective: integral of eta(0) / eta(t) dt
    density_kg_m3: float = 1200.0


@dataclass(frozen=True, slots=True)
class Coat:
    """One coat of a system; with `flow` the peak share is computed from it on the measured relief."""

    name: str
    kind: str  # "primer" or "topcoat"
    volume_solids: float  # 0 to 1, of the paint as supplied
    wet_um: float  # as applied
    thinning: float = 0.0  # volume of thinner per volume of paint
    peak_share: tuple[float, float, float] = (0.3, 0.5, 0.9)  # low, likely, high
    flow: Flow | None = None

    @property
    def dry_um(self) -> float:
        return self.wet_um * self.solids_as_applied

    @property
    def solids_as_applied(self) -> float:
        return self.volume_solids / (1 + self.thinning)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the coats will leave: one entry a coat in each list."""

    coats: tuple[Coat, ...]
    void_depth_mm: tuple[tuple[float, float, float], ...]  # low, likely, high after each coat
    relief_mm: tuple[tuple[float, float, float], ...]
    contact_area_fraction: tuple[tuple[float, float, float], ...]
    peak_film_um: tuple[tuple[float, float, float], ...]  # dry, on the peaks, each coat


@dataclass(frozen=True, slots=True)
class Reach:
    """What a tool with a round tip touches; radius_mm None is a flat disc."""

    radius_mm: float | None
    fraction: Measured
    gap_mm: Measured


@dataclass(frozen=True, slots=True)
class RuleReading:
    """One rule of the decision and what it saw."""

    name: str
    outcome: str  # "for recoat", "against recoat", "open", "not applied"
    sentence: str  # with the number, the limit and the margin
    would_change_it: str = ""


@dataclass(frozen=True, slots=True)
class Recommendation:
    action: str  # "recoat", "sand-flat-and-retexture", "inconclusive"
    reasons: tuple[str, ...]
    would_change_it: tuple[str, ...]
    readings: tuple[RuleReading, ...] = field(default=())
    flags: tuple[str, ...] = ()


# Every flag that a result may carry, and what it means to the reader of a report.
FLAGS: dict[str, str] = {
    "print-scale-unconfirmed": "The printed bar was not measured with a ruler; 3 % of scale stands in the interval.",
    "coating-not-stated": "Existing and planned coatings were not stated; the decision rests on texture alone.",
    "no-card": "No scale card in the photo: scale and light are the user's word, intervals are wider.",
    "light-from-user": "The light's direction is the user's word, not measured from shadows.",
    "card-clipped": "The card's white is clipped; light levels rest on the grey patches and the lamp's place is "
    "less certain.",
    "tone-curve-unmeasured": "No grey patches were readable; the photo's tone curve was taken as sRGB.",
    "upright-left-out": "An upright disagreed with the others (fallen or leaning) and was left out.",
    "one-upright": "The light rests on one upright; a near torch may be misplaced.",
    "light-distant": "The shadows show no near lamp; the light is taken as distant.",
    "ambient-unmeasured": "No umbra on white paper was readable; the share of ambient light was assumed.",
    "ambient-high": "Much of the light is not the torch's; shade the panel or wait for dusk.",
    "torch-high": "The torch stands higher than 45 degrees; shadows are short and the size is less certain.",
    "camera-tilted": "The camera was tilted by more than 25 degrees.",
    "few-fiducials": "Few card corners were found; the camera's pose is less certain.",
    "photo-soft": "The photo is soft; fine relief is smoothed.",
    "deck-clipped": "A part of the deck is clipped to white and left out.",
    "one-view": "One photo: relief across the light is weakly known, and some prints look like relief.",
    "print-not-excluded": "Light and shade show no order from the lamp's side to the other, so all of it may be "
    "print or stain without any relief; take a second photo with the torch at the opposite side.",
    "views-left-out": "A photo of the set was not used.",
    "same-light": "Two photos have their light on the same side; they count as one.",
    "one-patch-only": "One patch stands for the whole panel; how much the panel varies is not known.",
    "patch-not-scored": "The survey names a patch of this panel that was not scored.",
    "figure-left-out": "A figure is not defined in one of the patches; it rests on the others.",
    "shares-not-used": "Shares of the area are not stated for all scored patches; they count alike.",
    "shading-and-shadow-disagree": "Shading and shadow geometry disagree about the size of the relief.",
    "grooves-along-light": "Grooves run nearly along the light, where they are hardly seen, and may be deeper than "
    "read. Turn the torch by an eighth of a turn, or take two more photos with it a quarter turn away.",
    "grooves-under-one-light": "Under one light grooves read as deep as their angle to the light lets them seem, so "
    "the texture's shape is unsure. Beside a reference, add a photo with the torch at the opposite side.",
    "no-shadows-on-deck": "The relief throws no shadows that could confirm its size.",
    "nearly-smooth": "The panel is nearly smooth; there is little relief to measure.",
    "smooth-border": "A smooth part with a straight edge was taken for a border and left out; if it is worn deck, "
    "use a mask.",
    "fitting": "A smooth round part of other paint was taken for a fitting and left out; if it is deck, use a mask.",
    "coarse-sampling": "The photo resolves less than the S-filter asks for.",
    "core-undefined": "The core roughness (Sk family) is not defined on flat land and is left out.",
    "correlation-undefined": "The correlation does not fall off in every direction; Sal, Str or the sole's contact "
    "is left out.",
    "slope-undefined": "No four measured neighbours; the slopes Sdq and Sdr are left out.",
    "worn-and-filled": "Peaks are worn and valleys are filled in the same place; the larger loss of void names the "
    "zone.",
    "cause-unsure": "The loss is clear, its cause (worn or filled) is not.",
    "judged-by-limits": "No sound part to compare with; the condition rests on general limits of relief.",
    "share-unsure": "The size of the relief beside the reference's is too uncertain to tell how much of the patch is "
    "worn or filled; take more photos of both.",
    "near-sound-limit": "The relief lies between what is surely sound and what is surely not.",
    "cells-left-out": "Places with too few measured pixels took the condition of their neighbours.",
    "pattern-uncertain": "The pattern repeats weakly; its pitch is less certain.",
    "cell-split-unsure": "So little relief is left that what was lost at the top and gained at the floor cannot be "
    "told apart.",
    "window-missed": "A coat falls outside its recoat window and is washed and keyed first.",
    "no-forecast": "No forecast: every hour is taken as fit for paint. Measure before each coat.",
    "forecast-short": "The forecast does not cover every coat; outside it every hour is taken as fit for paint.",
    "surface-assumed": "The forecast has no surface temperature: the deck is taken as warm as the air. Under a clear "
    "night sky it is colder; measure it.",
    "work-assumed": "How fast the work goes is assumed where the yard states nothing.",
    "sheet-assumed": "Recoat windows and other times of a coat are assumed where no data sheet is given; the sheet "
    "decides.",
    "late": "The work ends after the crew's last day.",
    "shadow-on-deck": "In a photo something shades the deck; that part of the photo is left out.",
    "not-verified": "No height standard was read with this card and camera; 'texscan verify' checks the method.",
    "verification-old": "The height standard was read more than 180 days before or after these photos.",
    "verification-off": "The height standard was misread by more than its interval: heights of this card and camera "
    "are in doubt.",
}
