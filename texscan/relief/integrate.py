"""
Heights from weighted slopes and height differences: one sparse least-squares problem, solved by conjugate gradients.

Heights live on the corners ("nodes") of the pixels, so slopes fall on the pixel centres, where the light was
measured, and no half-pixel shift can creep in. The solution at a pixel is the mean of its four corners.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft, sparse

TWIST_SHARE = 0.002  # weight of the corner mode that slopes cannot see, as a share of the mean slope weight
STRIP_ROWS = 64  # rows worked on at a time


@dataclass(frozen=True, slots=True)
class Quadratic:
    """
    The quadratic form  sum (g'Mg - 2 v'g) + |W(Rz - d)|^2  over node heights z, g = (dz/dx, dz/dy) at pixel centres.

    m : (3, rows, columns) float32, the entries pp, pq, qq of M; v : (2, rows, columns) float32.
    rows : sparse (equations, nodes) matrix with its weights already multiplied in, rhs : (equations,) likewise.
    flat_mm, flat_weight : pull to zero of wavelengths beyond flat_mm [mm], weight per pixel.
    """

    m: np.ndarray
    v: np.ndarray
    rows: sparse.csr_array
    rhs: np.ndarray
    step_mm: float
    flat_mm: float = math.inf
    flat_weight: float = 0.0


def slopes(nodes_mm: np.ndarray, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Slopes dz/dx and dz/dy at the pixel centres; nodes_mm is (rows + 1, columns + 1), the results (rows, columns).
    """
    along_x = nodes_mm[:, 1:] - nodes_mm[:, :-1]
    along_y = nodes_mm[:-1] - nodes_mm[1:]
    scale = nodes_mm.dtype.type(0.5 / step_mm)
    return (along_x[1:] + along_x[:-1]) * scale, (along_y[:, 1:] + along_y[:, :-1]) * scale


def slopes_adjoint(p: np.ndarray, q: np.ndarray, step_mm: float) -> np.ndarray:
    """The transpose of `slopes`: (rows, columns) twice to (rows + 1, columns + 1)."""
    rows, columns = p.shape
    out = np.zeros((rows + 1, columns + 1), p.dtype)
    rising, falling = (p + q) * p.dtype.type(0.5 / step_mm), (p - q) * p.dtype.type(0.5 / step_mm)
    out[:-1, 1:] += rising
    out[1:, :-1] -= rising
    out[1:, 1:] += falling
    out[:-1, :-1] -= falling
    return out


def pixels(nodes: np.ndarray) -> np.ndarray:
    """Values at pixel centres: the mean of the four corners."""
    pairs = nodes[1:] + nodes[:-1]
    return (pairs[:, 1:] + pairs[:, :-1]) * nodes.dtype.type(0.25)


def nodes_from_pixels(values: np.ndarray) -> np.ndarray:
    """(rows, columns) at pixel centres to (rows + 1, columns + 1) at their corners, edges repeated."""
    padded = np.pad(values, 1, mode="edge")
    return pixels(padded)


def _over_diagonals(form: Quadratic) -> np.ndarray:
    """
    M of each cell over the differences along its two diagonals, (3, rows, columns): falling, both, rising.

    With f = (lower right - upper left) and r = (upper right - lower left): 2 step p = r + f, 2 step q = r - f.
    """
    pp, pq, qq = form.m
    out = np.empty_like(form.m)
    np.subtract(pp, qq, out=out[1])
    np.add(pp, qq, out=out[0])
    np.add(out[0], 2 * pq, out=out[2])
    out[0] -= 2 * pq
    out *= np.float32(0.25 / form.step_mm**2)
    return out


def _add_cells(out: np.ndarray, nodes: np.ndarray, diagonals: np.ndarray) -> None:
    """Adds to `out` what the cells' slopes pull at the nodes; a few rows at a time stay in the cache."""
    for top in range(0, diagonals.shape[1], STRIP_ROWS):
        falling, both, rising = diagonals[:, top : top + STRIP_ROWS]
        near, into = (a[top : top + falling.shape[0] + 1] for a in (nodes, out))
        f, r = near[1:, 1:] - near[:-1, :-1], near[:-1, 1:] - near[1:, :-1]
        f, r = falling * f + both * r, both * f + rising * r
        into[1:, 1:] += f
        into[:-1, :-1] -= f
        into[:-1, 1:] += r
        into[1:, :-1] -= r


def _twisted(nodes: np.ndarray, twist: float) -> np.ndarray:
    """What the cells' twists pull at the nodes: second differences both ways, of the cells alone."""
    along = np.array([-1, 2, -1], np.float32)
    return cv2.sepFilter2D(nodes, cv2.CV_32F, along, np.float32(twist) * along, borderType=cv2.BORDER_REPLICATE)


def _low_pass(shape: tuple[int, int], step_mm: float, cut_mm: float) -> np.ndarray:
    """Response, float32 on the DCT-II grid, that is 1 for wavelengths well beyond cut_mm and 0 well below."""
    ky, kx = (np.arange(n, dtype=np.float32) * np.float32(cut_mm / (2 * n * step_mm)) for n in shape)
    cubed = np.square(ky)[:, None] + np.square(kx)
    cubed *= cubed * cubed
    return 1 / (1 + cubed)


class _Flatness:
    """The pull of long wavelengths to zero, worked out on block means, where it costs nothing."""

    def __init__(self, shape: tuple[int, int], form: Quadratic):
        self.block = max(1, int(form.flat_mm / 6 / form.step_mm))
        self.shape = shape
        self.coarse = (-(-shape[0] // self.block), -(-shape[1] // self.block))
        self.weight = np.float32(form.flat_weight) * _low_pass(self.coarse, self.block * form.step_mm, form.flat_mm)

    def apply(self, nodes: np.ndarray) -> np.ndarray:
        b = self.block
        # zeros beyond the edge keep the operator symmetric, as conjugate gradients need
        below, right = (c * b - s for s, c in zip(self.shape, self.coarse, strict=True))
        whole = cv2.copyMakeBorder(nodes, 0, below, 0, right, cv2.BORDER_CONSTANT) if below or right else nodes
        means = cv2.resize(whole, self.coarse[::-1], interpolation=cv2.INTER_AREA)
        pulled = fft.idctn(self.weight * fft.dctn(means, norm="ortho"), norm="ortho")
        return np.repeat(np.repeat(pulled, b, axis=0), b, axis=1)[: self.shape[0], : self.shape[1]]


def _symbol(shape: tuple[int, int], form: Quadratic, pp: float, qq: float, twist: float) -> np.ndarray:
    """Eigenvalues of the operator with constant weights, float32 on the DCT-II basis of the nodes."""
    sy, sx = (np.square(np.sin(np.pi / (2 * n) * np.arange(n))).astype(np.float32) for n in shape)
    stiff = np.float32(4 / form.step_mm**2)
    symbol = np.outer(1 - sy, stiff * np.float32(pp) * sx)
    symbol += np.outer(sy, stiff * np.float32(qq) * (1 - sx) + np.float32(16 * twist) * sx)
    if form.flat_weight:
        symbol += np.float32(form.flat_weight) * _low_pass(shape, form.step_mm, form.flat_mm)
    return symbol


def minimise(form: Quadratic, start_mm: np.ndarray, *, tolerance: float = 1e-3, most: int = 60) -> np.ndarray:
    """
    Node heights [mm] that minimise the form, by conjugate gradients preconditioned with the constant-weight solution.

    start_mm is (rows + 1, columns + 1) float32, kept unchanged. Stops when the preconditioned residual has fallen by
    `tolerance`, or after `most` steps. The mean is left where the equations put it (at zero with a flat term).
    """
    shape = start_mm.shape
    pp, qq = max(float(form.m[0].mean()), 1e-12), max(float(form.m[2].mean()), 1e-12)
    twist = TWIST_SHARE * (pp + qq) / 2 / form.step_mm**2
    flat = _Flatness(shape, form) if form.flat_weight else None
    symbol = _symbol(shape, form, pp, qq, twist)
    symbol[0, 0] = max(symbol[0, 0], symbol[0, 1])
    inverse = 1 / np.maximum(symbol, 1e-9 * symbol.max())
    back = form.rows.T if form.rows.shape[0] else None
    diagonals = _over_diagonals(form)

    def operator(z: np.ndarray) -> np.ndarray:
        out = _twisted(z, twist)
        if flat is not None:
            out += flat.apply(z)
        _add_cells(out, z, diagonals)
        if back is not None:
            out += (back @ (form.rows @ z.ravel())).reshape(shape)
        return out

    right = slopes_adjoint(form.v[0], form.v[1], form.step_mm)
    if back is not None:
        right += (back @ form.rhs).reshape(shape)
    return _conjugate_gradients(operator, inverse, right, start_mm, tolerance, most)


def _conjugate_gradients(operator, inverse, right, start, tolerance, most) -> np.ndarray:
    """Preconditioned conjugate gradients; `inverse` holds the preconditioner's eigenvalues on the DCT basis."""

    def precondition(r: np.ndarray) -> np.ndarray:
        spectrum = fft.dctn(r, norm="ortho")
        spectrum *= inverse
        return fft.idctn(spectrum, norm="ortho", overwrite_x=True)

    z, r = start.copy(), right - operator(start)
    direction = y = precondition(r)
    old = float(np.vdot(r, y))
    reference = max(float(np.vdot(right, precondition(right))), 1e-30)
    for _ in range(most):
        if old <= tolerance**2 * reference:
            break
        image = operator(direction)
        length = old / max(float(np.vdot(direction, image)), 1e-30)
        cv2.scaleAdd(direction, length, z, z)
        cv2.scaleAdd(image, -length, r, r)
        y = precondition(r)
        new = float(np.vdot(r, y))
        direction = cv2.scaleAdd(direction, new / old, y)
        old = new
    return z
