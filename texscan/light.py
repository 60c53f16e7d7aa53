"""The light of one view: its lamp, its ambient share, and how brightly it falls on lit paper."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from texscan.card import Card
from texscan.errors import LightError
from texscan.lamp import find_lamp
from texscan.model import Light, Measured
from texscan.rectify import CardFace, shadow_mask

UMBRA_INSIDE_MM, LEAST_UMBRA_MM2, UMBRA_QUANTILE = 1.2, 3.0, 0.3
LIT_CLEARANCE_MM = 3.0
FLAT_FIELD_TERMS = 6
MOSTLY_CLIPPED, LIT_SAMPLES, SCATTER_SAMPLES = 0.4, 40_000, 10_000
CLIPPED_EDGE_FACTOR = 2.5  # a clipped bright side moves the half level of a soft edge; measured on renders
UNREAD_SHARE_U, ONE_UMBRA_U, LEAST_SHARE_U = 0.03, 0.02, 0.004  # of the ambient share: no umbra, one, many
NO_TORCH_ABOVE, MUCH_AMBIENT = 0.80, 0.35


@dataclass(frozen=True, slots=True)
class CardLight:
    """
    The light and how brightly it falls on white paper across the patch.

    ambient : light that is not the lamp's, relative to the lamp's light on level paper at the light's at_mm.
    flat_field : (6,) coefficients of ln(luminance of lit paper / predicted) in (1, x, y, x^2, x y, y^2), x and y
    being
        relative to at_mm in units of 100 mm.
    """

    light: Light
    ambient: float
    flat_field: np.ndarray
    reach_mm: tuple[float, float, float, float]  # x low, x high, y low, y high of the white that was measured

    def paper(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """
        Luminance of level white paper at places (broadcast arrays): from the lamp, and from everything else.
        """
        gain = np.exp(self.log_gain(x_mm, y_mm))
        at = float(self.light.irradiance(*self.light.at_mm))
        return gain * self.light.irradiance(x_mm, y_mm) / at, gain * self.ambient

    def log_gain(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """ln(luminance of lit paper / predicted) at places; held at its edge values off the white that was "
        "measured."""
        low_x, high_x, low_y, high_y = map(float, self.reach_mm)
        x = (np.clip(x_mm, low_x, high_x) - self.light.at_mm[0]) / 100
        y = (np.clip(y_mm, low_y, high_y) - self.light.at_mm[1]) / 100
        one, c_x, c_y, c_xx, c_xy, c_yy = self.flat_field.tolist()  # as in `_flat_terms`
        return (one + c_x * x + c_xx * x * x) + (c_y * y + c_yy * y * y) + (c_xy * x) * y


def _flat_terms(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    x, y = np.broadcast_arrays(x, y)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def measure_light(
    face: CardFace,
    card: Card,
    at_mm: tuple[float, float],
    file: str,
    *,
    greys: tuple[np.ndarray, np.ndarray] | None = None,
) -> CardLight:
    """
    Light of one view from the shadows on the card.

    Parameters
    ----------
    face : the card's face, tone curve undone
    at_mm : place for which azimuth, elevation and distance are stated, on z = 0
    file : names the photo in messages
    greys : places (n, 2) of the grey patches and the light (n,) that each tells; used where the white is clipped

    Raises
    ------
    LightError
        No shadow that fits, torch too high, or no torch.
    """
    light = find_lamp(face, card, at_mm, file)
    return _levels(face, card, light, file, greys)


def _levels(face: CardFace, card: Card, light: Light, file: str, greys) -> CardLight:
    """Ambient share from the umbra, and the smooth field of light on lit paper."""
    used = [u for u in card.uprights if u.name in light.uprights_used]
    places, values, clipped = _lit_paper(face, card, light)
    flags = list(light.flags)
    if clipped:
        flags.append("card-clipped")
        light = replace(light, covariance=light.covariance * CLIPPED_EDGE_FACTOR**2)
        places, values = _on_lit_greys(face, card, light, greys) if greys is not None else (places, values)
    terms = _flat_terms((places[:, 0] - light.at_mm[0]) / 100, (places[:, 1] - light.at_mm[1]) / 100)
    terms = terms if not clipped else terms * np.eye(1, FLAT_FIELD_TERMS)  # a dozen patches tell the level, no more
    towards = light.irradiance(places[:, 0], places[:, 1]) / light.irradiance(*light.at_mm)
    reach = (*np.array([places.min(axis=0), places.max(axis=0)]).T.ravel(),)
    hearts = _hearts(face, used, light)
    ambient, readings, flat = 0.0, np.empty(0), np.zeros(FLAT_FIELD_TERMS)
    for _ in range(3):
        flat = _robust_fit(terms, np.log(np.maximum(values, 1e-6)) - np.log(towards + ambient))
        readings = _ambient_readings(hearts, CardLight(light, ambient, flat, reach))
        ambient = float(np.median(readings)) if len(readings) else ambient
    share = ambient / (1 + ambient)
    if share > NO_TORCH_ABOVE:
        raise LightError(
            f"In {file} the shadows are {share:.0%} as bright as lit paper: no torch was found. Shade the panel or "
            "wait for dusk, and light it from one side."
        )
    flags += ["ambient-high"] if share > MUCH_AMBIENT else []
    flags += [] if len(readings) else ["ambient-unmeasured"]
    measured = Measured.from_u(share, _share_u(readings, ambient), at_least=0.0, at_most=1.0)
    light = replace(light, ambient_share=measured, flags=tuple(dict.fromkeys(flags)))
    return CardLight(light, ambient, flat, reach)


def _share_u(readings: np.ndarray, ambient: float) -> float:
    if not len(readings):
        return UNREAD_SHARE_U
    scatter = 1.4826 * float(np.median(np.abs(readings - ambient))) if len(readings) > 1 else ONE_UMBRA_U
    return max(LEAST_SHARE_U, scatter / np.sqrt(len(readings)))


def _lit_paper(face: CardFace, card: Card, light: Light) -> tuple[np.ndarray, np.ndarray, bool]:
    """Places (n, 2) and light (n,) of plain paper away from shadows, thinned; True if most of it is clipped."""
    clearance = int(2 * round(LIT_CLEARANCE_MM / face.grid.step_mm) + 1)
    shadows = shadow_mask(face, card.uprights, light)
    near_shadow = cv2.dilate(shadows, np.ones((clearance, clearance), np.uint8)).astype(bool)
    illumination = face.illumination
    plain = np.isfinite(illumination) & ~near_shadow
    clipped = face.clipped[plain].mean() > MOSTLY_CLIPPED if plain.any() else True
    lit = plain & ~face.clipped if not clipped else plain
    rows, columns = np.nonzero(lit & (np.random.default_rng(0).random(lit.shape) < LIT_SAMPLES / max(lit.sum(), 1)))
    return np.column_stack([face.grid.x_mm[columns], face.grid.y_mm[rows]]), illumination[rows, columns], clipped


def _on_lit_greys(face: CardFace, card: Card, light: Light, greys) -> tuple[np.ndarray, np.ndarray]:
    """The grey patches that no upright shades."""
    places, values = greys
    columns = np.rint((places[:, 0] - face.grid.x0_mm) / face.grid.step_mm).astype(int)
    rows = np.rint((face.grid.y1_mm - places[:, 1]) / face.grid.step_mm).astype(int)
    clearance = int(2 * round(LIT_CLEARANCE_MM / face.grid.step_mm) + 1)
    shaded = cv2.dilate(shadow_mask(face, card.uprights, light), np.ones((clearance, clearance), np.uint8))
    lit = shaded[rows, columns] == 0
    if not lit.any():
        raise LightError(
            "The card's white is clipped and no grey patch is lit and readable: the light's level cannot be told. "
            "Lower the exposure a little and take the photo again."
        )
    return places[lit], values[lit]


def _robust_fit(terms: np.ndarray, values: np.ndarray) -> np.ndarray:
    weights, columns = np.ones(len(values)), np.ascontiguousarray(terms.T)
    for _ in range(6):
        weighted = columns * weights
        fit, *_ = np.linalg.lstsq(
            weighted @ columns.T, weighted @ values, rcond=None
        )  # terms may all be 0 but the first
        residual = values - fit @ columns
        sigma = max(1e-3, 1.4826 * float(np.median(np.abs(residual[:: 1 + len(residual) // SCATTER_SAMPLES]))))
        weights = 1 / (1 + (residual / (2 * sigma)) ** 2)
    return fit


@dataclass(frozen=True, slots=True)
class _Heart:
    """The dark heart of one upright's shadow, away from the foot, where the upright hides little of the sky."""

    x_mm: np.ndarray
    y_mm: np.ndarray
    illumination: np.ndarray


def _hearts(face: CardFace, uprights, light: Light) -> list[_Heart]:
    illumination = face.illumination
    hearts = []
    for upright in uprights:
        shadow = shadow_mask(face, [upright], light)
        left, top, width, height = cv2.boundingRect(shadow)
        top, left = max(top - 1, 0), max(left - 1, 0)  # with lit paper around, from which depths are told
        depth = cv2.distanceTransform(shadow[top : top + height + 2, left : left + width + 2], cv2.DIST_L2, 3)
        rows, columns = np.nonzero(depth * face.grid.step_mm > UMBRA_INSIDE_MM)
        rows, columns = rows + top, columns + left
        known = np.isfinite(illumination[rows, columns])
        rows, columns = rows[known], columns[known]
        x, y = face.grid.x_mm[columns], face.grid.y_mm[rows]
        away = np.hypot(x - upright.base_mm[0], y - upright.base_mm[1])
        far = away > np.median(away) if away.size else np.zeros(0, bool)
        if far.sum() * face.grid.step_mm**2 >= LEAST_UMBRA_MM2:
            hearts.append(_Heart(x[far], y[far], illumination[rows[far], columns[far]]))
    return hearts


def _ambient_readings(hearts: list[_Heart], found: CardLight) -> np.ndarray:
    """Ambient light over the lamp's at at_mm, one reading an upright."""
    gains = (np.exp(found.log_gain(heart.x_mm, heart.y_mm)) for heart in hearts)
    return np.array(
        [float(np.quantile(h.illumination / g, UMBRA_QUANTILE)) for h, g in zip(hearts, gains, strict=True)]
    )
