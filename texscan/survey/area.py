"""
Area and perimeter of a panel, with an interval.

Assumptions, to be changed here where a yard measures better (policy, no source): a tape on a deck finds each end of a
side within 10 mm and each corner of an outline within 20 mm, a corner is picked on a plan picture within 2 pixels and
the picture's scale is known to 1 %, and an area that was entered is known to 2.5 % (all standard uncertainties).
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from texscan.model import Measured
from texscan.survey.records import SurveyPanel

END_U_M = 0.010
CORNER_U_M = 0.020
CORNER_U_PX = 2.0
PLAN_SCALE_U = 0.01  # relative
ENTERED_U = 0.025  # relative
Points = tuple[tuple[float, float], ...]


def panel_area_m2(panel: SurveyPanel) -> Measured | None:
    """
    Area of a panel [m2]: as entered, else from its sides, its outline, or its outline on a plan of known scale.

    Returns None where nothing of the kind is stated.

    Notes
    -----
    Sides a, b: u^2 = (b u_end')^2 + (a u_end')^2 with u_end' = sqrt(2) u_end, two ends a side. Outline: the shoelace
    formula, to first order u^2 = u_corner^2 / 4 * sum |p(i+1) - p(i-1)|^2, corners independent (JCGM 100, 5.1.2).
    """
    if panel.area_m2 is not None:
        return Measured.from_u(panel.area_m2, ENTERED_U * panel.area_m2, at_least=0.0)
    if panel.sides_m is not None:
        a, b = panel.sides_m
        return Measured.from_u(a * b, math.sqrt(2) * END_U_M * math.hypot(a, b), at_least=0.0)
    outline = _outline(panel)
    if outline is None:
        return None
    points, corner_u_m, scale_u = outline
    area = polygon_area(points)
    across = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    corners_u = corner_u_m / 2 * float(np.sqrt((across**2).sum()))
    return Measured.from_u(area, math.hypot(corners_u, 2 * scale_u * area), at_least=0.0)


def panel_perimeter_m(panel: SurveyPanel) -> Measured | None:
    """
    Length of a panel's edge [m]: as entered, else from its sides or its outline; None where nothing is stated.

    Notes
    -----
    Each corner moves the two sides that meet there: u^2 = u_corner^2 * sum |e(i) - e(i+1)|^2 with e the unit vectors
    along the sides (JCGM 100, 5.1.2). Sides: 2 (a + b), so u = 2 sqrt(2) sqrt(2) u_end.
    """
    if panel.perimeter_m is not None:
        return Measured.from_u(panel.perimeter_m, ENTERED_U * panel.perimeter_m, at_least=0.0)
    if panel.sides_m is not None:
        return Measured.from_u(2 * sum(panel.sides_m), 4 * END_U_M, at_least=0.0)
    outline = _outline(panel)
    if outline is None:
        return None
    points, corner_u_m, scale_u = outline
    sides = np.roll(points, -1, axis=0) - points
    lengths = np.hypot(*sides.T)
    along = sides / lengths[:, None]
    turns = along - np.roll(along, 1, axis=0)
    corners_u = corner_u_m * float(np.sqrt((turns**2).sum()))
    return Measured.from_u(float(lengths.sum()), math.hypot(corners_u, scale_u * float(lengths.sum())), at_least=0.0)


def _outline(panel: SurveyPanel) -> tuple[np.ndarray, float, float] | None:
    """Corners [m], the standard uncertainty of one [m], and that of the scale (relative)."""
    if panel.outline_m:
        return np.array(panel.outline_m), CORNER_U_M, 0.0
    if panel.outline_px and panel.metres_per_px is not None:
        scale = panel.metres_per_px
        return scale * np.array(panel.outline_px), scale * CORNER_U_PX, PLAN_SCALE_U
    return None


def polygon_area(points: np.ndarray | Points) -> float:
    """Area that a simple polygon encloses, in the square of its corners' unit."""
    return float(shapely.Polygon(points).area)


def outline_fault(points: Points) -> str | None:
    """What is wrong with a polygon as an outline, in words that end a sentence; None = nothing."""
    if len(set(points)) < 3:
        return f"has {len(set(points))} different corners; at least 3 are needed"
    twice = [p for n, p in enumerate(points) if p in points[:n]]
    if twice:
        return f"comes through ({twice[0][0]:g}, {twice[0][1]:g}) twice; each corner is needed once"
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        reason = shapely.is_valid_reason(polygon)
        at = reason.partition("[")[2].rstrip("]").split()
        place = f" at ({float(at[0]):g}, {float(at[1]):g})" if len(at) == 2 else ""
        return f"crosses or touches itself{place}; name the corners in order around the panel"
    return None
