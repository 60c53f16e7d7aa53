"""
Contact of a rigid periodic surface with an elastic half-space: a slow reference, apart from texscan.

Fourier Green's function u = 2 p / (E* q) (Johnson, Contact Mechanics, ch. 13; Stanley and Kato 1997) and the
conjugate gradients of Polonsky and Keer (Wear 231, 1999), pressure never negative, mean pressure given.
"""

import numpy as np


def press(z, step_mm, *, modulus_mpa, pressure_mpa, rounds=400, tolerance=1e-7):
    """Pressure (rows, columns) [MPa] where the flat half-space touches the surface z [mm]."""
    qy, qx = (2 * np.pi * np.fft.fftfreq(n, step_mm) for n in z.shape)
    q = np.hypot(qy[:, None], qx[None, : z.shape[1] // 2 + 1])
    green = np.divide(2 / modulus_mpa, q, out=np.zeros_like(q), where=q > 0)
    sunk = lambda p: np.fft.irfft2(green * np.fft.rfft2(p), z.shape)
    p = np.full(z.shape, pressure_mpa)
    t, old, keep = np.zeros_like(p), 1.0, 0.0
    for _ in range(rounds):
        gap = sunk(p) - z
        touch = p > 0
        gap -= gap[touch].mean()
        square = (gap[touch] ** 2).sum()
        t = np.where(touch, gap + keep * square / old * t, 0)
        old = square
        r = sunk(t)
        r -= r[touch].mean()
        length = (gap * t)[touch].sum() / (r * t)[touch].sum()
        before = p.copy()
        p = np.maximum(p - length * t, 0)
        pierced = (p == 0) & (gap < 0)
        keep = 0.0 if pierced.any() else 1.0
        p[pierced] -= length * gap[pierced]
        p *= pressure_mpa / p.mean()
        if np.abs(p - before).sum() < tolerance * p.sum():
            break
    return p
