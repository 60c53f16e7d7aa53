"""The parts of the height solver, each against a closed form or a slow, obvious version."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from relief_scenes import grid_of, lamp, picture, squares
from scipy import sparse
from scipy.sparse.linalg import spsolve

from texscan.relief import bounce, forward, integrate, pyramid, shadows
from texscan.relief.forward import Lighting


def random_form(rows, columns, step_mm, rng):
    """A masked, unevenly weighted problem, with some height differences asked for."""
    a, b = rng.uniform(0.2, 3, (2, rows, columns))
    c = 0.5 * np.sqrt(a * b) * rng.uniform(-1, 1, (rows, columns))
    mask = np.ones((rows, columns))
    mask[5:12, 8:15] = 1e-3
    m = (np.stack([a, c, b]) * mask).astype(np.float32)
    v = (rng.standard_normal((2, rows, columns)) * mask).astype(np.float32)
    nodes = (rows + 1) * (columns + 1)
    pick = rng.choice(nodes, (30, 2))
    differences = sparse.csr_array(
        (np.tile([3.0, -3.0], 30).astype(np.float32), (np.repeat(np.arange(30), 2), pick.ravel())), shape=(30, nodes)
    )
    return integrate.Quadratic(m, v, differences, rng.standard_normal(30).astype(np.float32), step_mm, 3.0, 0.5)


def test_the_masked_solution_is_that_of_a_direct_sparse_solve():
    """Reference: the same quadratic form put together column by column and solved by scipy's sparse LU."""
    rng = np.random.default_rng(7)
    form = random_form(24, 30, 0.1, rng)
    rows, columns, nodes = 24, 30, 25 * 31
    index = np.arange(nodes).reshape(25, 31)
    cell = np.arange(rows * columns)
    corner = {k: index[i : i + rows, j : j + columns].ravel() for k, (i, j) in
              {"tl": (0, 0), "tr": (0, 1), "bl": (1, 0), "br": (1, 1)}.items()}  # fmt: skip

    def cells_by_nodes(signs):
        total = sparse.csr_array((rows * columns, nodes))
        for name, sign in signs.items():
            total = total + sparse.csr_array((np.full(cell.size, sign), (cell, corner[name])), (cell.size, nodes))
        return total

    half = 0.5 / 0.1
    gx = cells_by_nodes({"tr": half, "br": half, "tl": -half, "bl": -half})
    gy = cells_by_nodes({"tl": half, "tr": half, "bl": -half, "br": -half})
    twist = cells_by_nodes({"tl": 1, "br": 1, "tr": -1, "bl": -1})
    pp, pq, qq = (sparse.diags_array(part.ravel().astype(float)) for part in form.m)
    share = integrate.TWIST_SHARE * (form.m[0].mean() + form.m[2].mean()) / 2 / 0.1**2
    flat = integrate._Flatness((25, 31), form)
    flat_matrix = np.stack([flat.apply(unit.reshape(25, 31)).ravel() for unit in np.eye(nodes, dtype=np.float32)])
    matrix = (
        gx.T @ pp @ gx + gx.T @ pq @ gy + gy.T @ pq @ gx + gy.T @ qq @ gy
        + float(share) * twist.T @ twist + form.rows.T @ form.rows + sparse.csr_array(flat_matrix)
    )  # fmt: skip
    right = gx.T @ form.v[0].ravel() + gy.T @ form.v[1].ravel() + form.rows.T @ form.rhs
    expected = spsolve(matrix.tocsc(), right).reshape(25, 31)
    got = integrate.minimise(form, np.zeros((25, 31), np.float32), tolerance=1e-6, most=400)
    assert np.abs(got - expected).max() < 2e-3 * np.ptp(expected)  # float32


def test_slopes_of_a_tilted_plane_are_its_tilt_with_y_up_the_page():
    grid = grid_of(5, 7, 0.5)
    x, y = np.meshgrid(grid_of(6, 8, 0.5).x_mm, grid_of(6, 8, 0.5).y_mm)
    p, q = integrate.slopes(0.3 * x - 0.2 * y, grid.step_mm)
    assert p.shape == grid.shape
    assert p == pytest.approx(np.full(grid.shape, 0.3))
    assert q == pytest.approx(np.full(grid.shape, -0.2))


def test_the_adjoint_is_the_transpose():
    rng = np.random.default_rng(3)
    z, a, b = rng.standard_normal((9, 12)), *rng.standard_normal((2, 8, 11))
    p, q = integrate.slopes(z, 0.1)
    assert (p * a + q * b).sum() == pytest.approx((z * integrate.slopes_adjoint(a, b, 0.1)).sum())


def test_coarser_and_finer_grids_lie_on_each_other():
    """A plane is the same plane on every grid: half-pixel slips would show as an offset."""
    grid = grid_of(32, 40, 0.1)
    half = pyramid.half_grid(grid)
    plane = [0.7 * np.meshgrid(g.x_mm, g.y_mm)[0] - 0.4 * np.meshgrid(g.x_mm, g.y_mm)[1] for g in (grid, half)]
    assert pyramid.halve(plane[0]) == pytest.approx(plane[1], abs=1e-6)
    back = pyramid.finer(plane[1].astype(np.float32), grid.shape, nodes=False)
    assert back[2:-2, 2:-2] == pytest.approx(plane[0][2:-2, 2:-2], abs=1e-5)


@pytest.mark.parametrize(("azimuth", "distance"), [(0, 400), (130, 300), (250, math.inf)])
def test_cast_shadows_are_those_of_a_march_towards_the_lamp(azimuth, distance):
    grid = grid_of(140, 140, 0.05)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    height = squares(x + 0.7, y - 0.3)
    light = (
        lamp(azimuth, 22, distance)
        if math.isfinite(distance)
        else replace(lamp(azimuth, 22, 1), inverse_distance_per_mm=0.0)
    )
    marched = picture(height, grid, light) > 0
    shade = forward.lambert(*integrate.slopes(integrate.nodes_from_pixels(height), 0.05), lighting(light, grid)) > 0
    share = shadows.lit_share(height.astype(np.float32), shadows.fan(light, grid))
    inner = np.s_[40:-40, 40:-40]  # both lack what lies outside the picture
    agree = (share > 0.5)[inner] == marched[inner]
    assert agree[shade[inner]].mean() > 0.98  # the rest lies on the shadows' edges, one pixel wide
    assert 0.02 < (~marched[inner]).mean() < 0.6


def lighting(light, grid):
    x, y, z = light.towards(grid.x_mm[None, :], grid.y_mm[:, None])
    return Lighting(*(np.broadcast_to(a, grid.shape).astype(np.float32) for a in (x / z, y / z, z)))


@pytest.mark.parametrize("distance", [250, 600, math.inf])
def test_a_walls_shadow_tells_the_walls_height(distance):
    """Closed form: the ray over the edge of a wall of 0.5 mm; the equation must hold for the true heights."""
    grid = grid_of(60, 200, 0.05)
    light = lamp(0, 20, distance) if math.isfinite(distance) else replace(lamp(0, 20, 1), inverse_distance_per_mm=0.0)
    x, _ = np.meshgrid(grid.x_mm, grid.y_mm)
    height = 0.5 * np.clip((x - 1) / 0.1, 0, 1)
    over = shadows.fan(light, grid)
    runs = shadows.find_runs(
        shadows.dark(picture(height, grid, light).astype(np.float32) - 0.25, over), over, look_px=2
    )
    matrix, side = shadows.equations(runs, grid.shape)
    assert len(side) > 30
    left = side - matrix @ integrate.nodes_from_pixels(height).ravel()
    assert abs(np.median(left)) < 0.025  # a pixel more or less of shadow at 20 degrees is 0.018 mm
    assert np.median(side) == pytest.approx(0.5, abs=0.02)


def test_shadows_that_run_into_the_unmeasured_tell_nothing():
    grid = grid_of(60, 200, 0.05)
    light = lamp(0, 20, 500)
    x, _ = np.meshgrid(grid.x_mm, grid.y_mm)
    seen = picture(0.5 * np.clip((x - 1) / 0.1, 0, 1), grid, light).astype(np.float32) - 0.25
    seen[:, 95:105] = np.nan  # within the shadow, which ends near column 92
    over = shadows.fan(light, grid)
    assert shadows.find_runs(shadows.dark(seen, over), over, look_px=2).end.size == 0


@pytest.mark.parametrize(("flank", "flank_share"), [(1.0, 0.364), (2.0, 0.182), (0.2, 1.0)])
def test_behind_a_wall_a_flank_and_a_floor_lose_what_the_ray_loses(flank, flank_share):
    """
    Closed form: a wall of 0.5 mm under a distant lamp at 20 degrees; flank and floor together fall by 0.5 mm, the
    flank over tan 20 / flank of the shadow. A flank gentler than the light leaves no shadow: the light's own slope.
    """
    grid = grid_of(60, 200, 0.05)
    light = replace(lamp(0, 20, 1), inverse_distance_per_mm=0.0)
    x, _ = np.meshgrid(grid.x_mm, grid.y_mm)
    seen = picture(np.where(x > 1, 0.5, 0.0), grid, light).astype(np.float32) - 0.25
    over = shadows.fan(light, grid)
    slope, inside = shadows.hidden_slopes(shadows.dark(seen, over), over, flank=flank)
    middle = 30
    assert inside[middle].sum() * 0.05 == pytest.approx(0.5 / math.tan(math.radians(20)), abs=0.1)
    assert -slope[middle].sum() * 0.05 == pytest.approx(0.5, rel=0.08)  # the shadow's length to a pixel at both ends
    falling = slope[middle] < -0.5 * max(flank, math.tan(math.radians(20)))
    assert falling.sum() / inside[middle].sum() == pytest.approx(flank_share, abs=0.06)
    assert np.flatnonzero(falling).min() > np.flatnonzero(inside[middle] & ~falling).max(
        initial=0
    )  # lamp at the right
    assert not slope[:, grid.x_mm > 1.2].any()


def test_shadows_without_an_end_hide_nothing_that_can_be_told():
    grid = grid_of(60, 200, 0.05)
    seen = np.ones(grid.shape, np.float32)
    seen[:, :90] = -0.2  # dark to the edge of the picture
    seen[:20, 100:130] = -0.2
    seen[:20, 95:100] = np.nan  # dark to the unmeasured
    light = replace(lamp(0, 20, 1), inverse_distance_per_mm=0.0)
    over = shadows.fan(light, grid)
    slope, inside = shadows.hidden_slopes(shadows.dark(seen, over), over, flank=1.0)
    assert not inside.any()
    assert not slope.any()


def test_light_bounced_from_a_wall_onto_the_floor_is_that_of_the_closed_form():
    """
    Floor point and long inclined strip of even radiosity J: E = J / 2 (sin a2 - sin a1), a the angles of the strip's
    edges against the point's normal (crossed strings; Siegel and Howell, Thermal Radiation Heat Transfer).
    """
    step, rise = 0.05, 0.4
    grid = grid_of(141, 81, step)
    x, _ = np.meshgrid(grid.x_mm, grid.y_mm)
    wall = (x > 0) & (x < rise)  # 45 degrees
    height, slope = np.clip(x, 0, rise).astype(np.float32), wall.astype(np.float32)
    got = bounce.bounced(height, slope, 0 * slope, wall[None].astype(np.float32), step)[0, 70]
    for distance in (0.3, 0.5, 0.8):
        foot, top = math.pi / 2, math.atan2(distance + rise, rise)
        expected = 0.5 * (math.sin(foot) - math.sin(top))
        at = np.argmin(abs(grid.x_mm + distance))
        # the sum stops 2.5 mm along the strip, which cuts off a tenth
        assert got[at] == pytest.approx(expected, rel=0.15)


def test_bounced_light_obeys_reciprocity_and_flat_land_gets_none():
    rng = np.random.default_rng(5)
    height = (0.2 * rng.standard_normal((20, 24))).astype(np.float32)
    p, q = integrate.slopes(integrate.nodes_from_pixels(height), 0.2)
    area = np.sqrt(1 + p**2 + q**2)
    one, two = rng.random((2, 20, 24)).astype(np.float32)
    got = bounce.bounced(height, p, q, np.stack([one, two]), 0.2)
    # exchange factors are symmetric: sum A E1 J2 = sum A E2 J1
    assert (area * got[0] * two).sum() == pytest.approx((area * got[1] * one).sum(), rel=1e-4)
    assert not bounce.bounced(0 * height, 0 * p, 0 * q, np.stack([one, two]), 0.2).any()


def response(p, q, light, *, albedo, roughness):
    skin = None if roughness is None else forward.skin(light.sine, albedo, roughness)
    return forward.response(forward.faces(p, q), light, skin)


def test_the_matt_response_is_the_cosine_law():
    """A face tilted by 30 degrees towards a lamp at 30 degrees: cos(30) / sin(30)."""
    light = Lighting(*(np.full((1, 1), a, np.float32) for a in (1 / math.tan(math.radians(30)), 0, 0.5)))
    p = np.full((1, 1), -math.tan(math.radians(30)), np.float32)
    f, by_p, by_q = response(p, 0 * p, light, albedo=None, roughness=None)
    assert f[0, 0] == pytest.approx(math.cos(math.radians(30)) / 0.5, rel=1e-5)
    step = np.float32(1e-2)
    assert by_p[0, 0] == pytest.approx(
        (forward.lambert(p + step, 0 * p, light) - forward.lambert(p - step, 0 * p, light))[0, 0] / 0.02, rel=1e-3
    )
    assert by_q[0, 0] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("roughness", [0.15, 0.22, 0.3])
def test_a_level_satin_deck_reads_one_and_steep_lit_flanks_read_more_than_matt(roughness):
    light = Lighting(*(np.full((1, 3), a, np.float32) for a in (2.0, 0.0, 1 / math.sqrt(5))))
    p = np.array([[0.0, -0.4, 0.2]], np.float32)
    f = response(p, 0 * p, light, albedo=np.full((1, 3), 0.5, np.float32), roughness=roughness)[0]
    plain = forward.lambert(p, 0 * p, light)
    assert f[0, 0] == pytest.approx(1, abs=1e-5)
    assert f[0, 1] > 1.1 * plain[0, 1]
    assert f[0, 2] < plain[0, 2] + 0.01


@pytest.mark.parametrize("roughness", [None, 0.15, 0.3])
def test_the_responses_derivatives_are_its_slopes(roughness):
    """Reference: central differences in double precision, on faces turned into the light and well out of it."""
    p, q = (a.ravel()[None] for a in np.meshgrid(np.linspace(-1.2, 0.25, 12), np.linspace(-0.6, 0.4, 12)))
    light = Lighting(*(np.full(p.shape, a) for a in (1.8, 0.4, 1 / math.sqrt(1 + 1.8**2 + 0.4**2))))
    albedo = np.linspace(0.05, 0.9, p.size)[None]
    step = 1e-5

    def at(dp, dq):
        return response(p + dp, q + dq, light, albedo=albedo, roughness=roughness)[0]

    _, by_p, by_q = response(p, q, light, albedo=albedo, roughness=roughness)
    assert by_p == pytest.approx((at(step, 0) - at(-step, 0)) / (2 * step), abs=1e-5)
    assert by_q == pytest.approx((at(0, step) - at(0, -step)) / (2 * step), abs=1e-5)


@pytest.mark.parametrize("roughness", [0.15, 0.2, 0.3])
def test_light_entering_a_rough_skin_is_what_its_facets_let_through(roughness):
    """Reference: Walter et al. 2007 (Microfacet models for refraction through rough surfaces), summed over facets."""

    def fresnel(c, n=1.5):
        t = np.sqrt(1 - (1 - c * c) / n**2)
        return 0.5 * (((c - n * t) / (c + n * t)) ** 2 + ((t - n * c) / (t + n * c)) ** 2)

    def masking(c):
        return 2 / (1 + np.sqrt(1 + roughness**2 * (1 / c**2 - 1)))

    u, turn = np.meshgrid((np.arange(300) + 0.5) / 300, 2 * np.pi * (np.arange(200) + 0.5) / 200)
    up = 1 / np.sqrt(1 + roughness**2 * u / (1 - u))  # facets drawn from GGX
    for cosine in (0.2, 0.34, 0.5, 0.7, 0.9):
        on_facet = math.sqrt(1 - cosine**2) * np.sqrt(1 - up**2) * np.cos(turn) + cosine * up
        c = np.clip(on_facet, 1e-4, 1)
        inside = cosine / 1.5 - (c / 1.5 - np.sqrt(1 - (1 - c * c) / 1.5**2)) * up  # cosine of the refracted ray
        part = (1 - fresnel(c)) * masking(np.clip(inside, 1e-3, 1)) * masking(cosine) * c / (cosine * up)
        entered = np.where((on_facet > 0) & (inside > 0), part, 0).mean()
        assert forward.transmitted(np.float32(cosine)) == pytest.approx(entered, abs=0.04)  # the fit's own tolerance
