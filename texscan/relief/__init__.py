"""Height maps in mm from raking-light views: `solve`."""

from .passes import Settings
from .solver import arrangement, settings_for, solve, solver_u

__all__ = ["Settings", "arrangement", "settings_for", "solve", "solver_u"]
