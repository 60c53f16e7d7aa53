"""
A slow reference: one coat over a one-dimensional relief by the lubrication equation, integrated in time.

dh/dt = d/dx( h^3 / (3 eta) dp/dx ), p = -sigma kappa + rho g (z + h), kappa the full curvature of the free surface;
periodic, constant viscosity, no slip at the wall. Textbook thin-film theory (Oron, Davis and Bankoff, Rev. Mod. Phys.
69 (1997) 931, from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp

GRAVITY_M_S2 = 9.80665


def levelled_film(z_m, pitch_m, wet_m, *, viscosity_pa_s, tension_n_m, density_kg_m3, seconds):
    """Film thickness [m] over one period of the relief z_m (n,), after `seconds`, from an even film."""
    step = pitch_m / z_m.size

    def rate(_, film):
        surface = z_m + film
        slope = (np.roll(surface, -1) - surface) / step  # at the right face of each cell
        bend = slope / np.sqrt(1 + slope**2)
        curvature = (bend - np.roll(bend, 1)) / step
        pressure = -tension_n_m * curvature + density_kg_m3 * GRAVITY_M_S2 * surface
        thick = (film + np.roll(film, -1)) / 2
        flux = -(thick**3) / (3 * viscosity_pa_s) * (np.roll(pressure, -1) - pressure) / step
        return -(flux - np.roll(flux, 1)) / step

    start = np.full(z_m.size, wet_m)
    near = np.abs(np.subtract.outer(np.arange(z_m.size), np.arange(z_m.size)))
    sparsity = np.minimum(near, z_m.size - near) <= 2
    solved = solve_ivp(rate, (0, seconds), start, method="BDF", rtol=1e-6, atol=1e-11, jac_sparsity=sparsity)
    assert solved.success
    return solved.y[:, -1]


def coated(z_m, pitch_m, wet_m, *, solids, coats, **flow):
    """The relief [m] after some coats, each dried to its solids."""
    for _ in range(coats):
        z_m = z_m + solids * levelled_film(z_m, pitch_m, wet_m, **flow)
    return z_m
