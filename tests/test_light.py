"""
From a photo of the card to camera, light and levels, against scenes whose geometry is known.

The scenes come from tests/scene.py, which projects and shades the other way round (a ray a pixel) and shares no code
with texscan. Tolerances: what the README states (scale 0.3 %, azimuth 1.5 and elevation 1 degree), tightened to what
a noise of 0.3 % and a blur of 0.7 px leave.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scene
from conftest import linear_photo

from texscan.budget import elevation_gain_u
from texscan.errors import CardError, LightError
from texscan.light import measure_light
from texscan.locate import Camera, locate
from texscan.model import Light
from texscan.rectify import card_face, common_grid, to_grid
from texscan.shadow import cast_by, outer_edges
from texscan.views import card_blur_mm

MIDDLE = (99.0, 107.0)
SIZE = (840, 1040)


def eye_over(middle, *, tilt_mm=0.0, distance_mm=430.0, size=SIZE, k1=0.015, roll_deg=4.0):
    position = (middle[0] + 12, middle[1] - 20 - tilt_mm, np.sqrt(distance_mm**2 - tilt_mm**2))
    return scene.Eye(size, 1.55 * size[1], position, (*middle, 0.0), roll_deg=roll_deg, k1=k1, k2=-0.01)


def scene_of(card_parts, azimuth_deg, elevation_deg, distance_mm=520.0, middle=MIDDLE, **more):
    _, data, artwork = card_parts
    lamp = scene.lamp_at(azimuth_deg, elevation_deg, distance_mm, middle)
    return scene.Scene(data, artwork, lamp_mm=lamp, lamp_radius_mm=6.0, middle_mm=middle, **more)


@pytest.fixture(scope="module")
def lit(shipped):
    """One photo under a lamp at 200 and 24 degrees, with what was found in it."""
    eye = eye_over(MIDDLE)
    photo = linear_photo(scene.photograph(scene_of(shipped, 200.0, 24.0), eye))
    sighting = locate(photo, shipped[0])
    face = card_face(photo, sighting.camera, shipped[0])
    return eye, photo, sighting, face, measure_light(face, shipped[0], MIDDLE, photo.file)


def test_places_on_the_card_are_found_within_a_tenth_of_a_mm(lit, shipped):
    eye, _, sighting, _, _ = lit
    places = np.array([[x, y, 0.0] for x in (45, 99, 153) for y in (100, 155, 210)])
    right_down_forward = scene.axes(eye)
    seen = (places - eye.position_mm) @ right_down_forward.T  # pinhole by hand, then the lens' radial terms
    u, v = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
    stretch = 1 + eye.k1 * (u**2 + v**2) + eye.k2 * (u**2 + v**2) ** 2
    true = np.column_stack([u * stretch, v * stretch]) * eye.focal_px + (np.array(eye.size) - 1) / 2
    assert np.abs(sighting.camera.project(places) - true).max() * sighting.camera.mm_per_px(*MIDDLE) < 0.1
    across = np.linalg.norm(true[6] - true[0]) / 108.0
    assert 1 / sighting.camera.mm_per_px(99, 100) == pytest.approx(across, rel=0.003)


def test_rows_run_down_and_columns_run_right_on_the_grid(shipped):
    """A white dot at a known place of a black photo lands at that place: order, sign and half pixels of the grid."""
    camera = Camera(800.0, (399.5, 299.5), 0.0, 0.0, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 400.0]))
    image = np.zeros((600, 800), np.float32)
    image[300 - 40, 400 + 100] = 1.0  # 100.5 px right of and 39.5 px above the axis: 2 px a mm
    x, y = np.arange(-80, 80, 0.25), np.arange(60, -60, -0.25)
    r, c = np.unravel_index(np.argmax(to_grid(image, camera, x, y)), (len(y), len(x)))
    assert (x[c], y[r]) == pytest.approx((50.25, 19.75), abs=0.13)


@pytest.mark.parametrize(
    ("azimuth_deg", "elevation_deg", "distance_mm"), [(15.0, 17.0, 600.0), (110.0, 32.0, 420.0), (285.0, 43.0, 380.0)]
)
def test_the_lamp_is_found_from_the_shipped_card(shipped, azimuth_deg, elevation_deg, distance_mm):
    photo = linear_photo(
        scene.photograph(scene_of(shipped, azimuth_deg, elevation_deg, distance_mm), eye_over(MIDDLE))
    )
    sighting = locate(photo, shipped[0])
    light = measure_light(card_face(photo, sighting.camera, shipped[0]), shipped[0], MIDDLE, "a.jpg").light
    assert light.azimuth_deg == pytest.approx(azimuth_deg, abs=0.5)
    assert light.elevation_deg == pytest.approx(elevation_deg, abs=0.5)
    assert 1 / light.inverse_distance_per_mm == pytest.approx(distance_mm, rel=0.08)
    u = np.sqrt(np.diag(light.covariance))
    assert abs(light.elevation_deg - elevation_deg) < 3 * u[1]
    assert light.uprights_left_out == ()


def test_the_ambient_share_is_what_the_scene_has(lit):
    share = lit[4].light.ambient_share
    true = 0.05 / 1.05  # the scene's ambient light over the lamp's at the middle
    assert share.value == pytest.approx(true, abs=0.01)
    assert share.low <= true <= share.high


def test_lit_paper_is_predicted_across_the_card(lit):
    """Falloff 1/r2 and cosine from the lamp's place, checked on the white: within 2 % where it is lit."""
    _, _, _, face, found = lit
    torch, ambient = found.paper(face.grid.x_mm[None, :], face.grid.y_mm[:, None])
    ratio = face.illumination / (torch + ambient)
    lit_paper = ratio[np.isfinite(ratio) & (ratio > 0.8)]
    assert np.quantile(lit_paper, [0.05, 0.95]) == pytest.approx([1.0, 1.0], abs=0.03)


def test_a_sun_is_told_from_a_near_lamp(shipped):
    a, e = np.radians(230.0), np.radians(21.0)
    sun = (np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e))
    bright = replace(scene_of(shipped, 230.0, 21.0), sun=sun, ambient=0.15)
    photo = linear_photo(scene.photograph(bright, eye_over(MIDDLE)))
    light = measure_light(
        card_face(photo, locate(photo, shipped[0]).camera, shipped[0]), shipped[0], MIDDLE, "a.jpg"
    ).light
    assert light.position_mm is None
    assert "light-distant" in light.flags
    assert (light.azimuth_deg, light.elevation_deg) == pytest.approx((230.0, 21.0), abs=0.5)


def test_an_upright_that_has_fallen_is_named_and_left_out(shipped):
    fallen = replace(scene_of(shipped, 200.0, 24.0), leave_out=("C",))
    photo = linear_photo(scene.photograph(fallen, eye_over(MIDDLE)))
    light = measure_light(
        card_face(photo, locate(photo, shipped[0]).camera, shipped[0]), shipped[0], MIDDLE, "a.jpg"
    ).light
    assert light.uprights_left_out == ("C",)
    assert "upright-left-out" in light.flags
    assert (light.azimuth_deg, light.elevation_deg) == pytest.approx((200.0, 24.0), abs=0.6)


def test_a_leaning_upright_does_not_turn_the_lamp(shipped):
    card, data, artwork = shipped
    leaning = {**data, "uprights": [dict(u) for u in data["uprights"]]}
    tall = leaning["uprights"][0]
    top = max(v[2] for v in tall["vertices"])
    tall["vertices"] = [
        [x + 0.25 * z, y, z] if z > top / 2 else [x, y, z] for x, y, z in tall["vertices"]
    ]  # 14 degrees
    photo = linear_photo(scene.photograph(scene_of((card, leaning, artwork), 110.0, 25.0), eye_over(MIDDLE)))
    light = measure_light(card_face(photo, locate(photo, card).camera, card), card, MIDDLE, "a.jpg").light
    assert tall["name"] in light.uprights_left_out
    assert (light.azimuth_deg, light.elevation_deg) == pytest.approx((110.0, 25.0), abs=0.6)


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(20.0, 22.0), (290.0, 20.0), (120.0, 35.0)])
def test_another_card_within_the_contract_works(other_card, azimuth_deg, elevation_deg):
    """Other size, other shape, three box uprights, six bare markers; a shadow may run off the card."""
    middle = (75.0, 75.0)
    photo = linear_photo(
        scene.photograph(
            scene_of(other_card, azimuth_deg, elevation_deg, 500.0, middle), eye_over(middle, size=(1240, 1000))
        )
    )
    sighting = locate(photo, other_card[0])
    light = measure_light(card_face(photo, sighting.camera, other_card[0]), other_card[0], middle, "a.jpg").light
    assert light.azimuth_deg == pytest.approx(azimuth_deg, abs=1.5)
    assert light.elevation_deg == pytest.approx(elevation_deg, abs=1.0)


def test_a_tilted_camera_sees_the_same_light(shipped):
    eye = eye_over(MIDDLE, tilt_mm=230.0)
    photo = linear_photo(scene.photograph(scene_of(shipped, 75.0, 27.0), eye))
    sighting = locate(photo, shipped[0])
    leaned = np.degrees(np.arccos(-scene.axes(eye)[2, 2]))
    assert leaned > 30
    assert sighting.camera.tilt_deg == pytest.approx(leaned, abs=1.0)
    light = measure_light(card_face(photo, sighting.camera, shipped[0]), shipped[0], MIDDLE, "a.jpg").light
    assert (light.azimuth_deg, light.elevation_deg) == pytest.approx((75.0, 27.0), abs=0.6)


def test_blur_is_read_from_the_printed_edges(shipped):
    sharp = scene.photograph(scene_of(shipped, 200.0, 24.0), eye_over(MIDDLE))
    found = []
    for blur_px in (0.8, 1.4):
        photo = linear_photo(sharp, blur_px=blur_px)
        sighting = locate(photo, shipped[0])
        found.append(card_blur_mm(card_face(photo, sighting.camera, shipped[0])) / sighting.camera.mm_per_px(*MIDDLE))
    assert found == pytest.approx([0.8, 1.4], rel=0.3)  # the pixel itself and resampling add a little


def test_no_card_is_refused_in_one_sentence(shipped):
    photo = linear_photo(np.full((600, 800), 0.3))
    with pytest.raises(CardError, match="No scale card was found"):
        locate(photo, shipped[0])


def test_half_a_card_is_refused_with_what_to_do(lit, shipped):
    _, photo, _, _, _ = lit
    corner = replace(photo, luminance=photo.luminance[:330, :330].copy(), clipped=photo.clipped[:330, :330])
    with pytest.raises(CardError, match="Move back until the whole card is in the photo"):
        locate(corner, shipped[0])


def test_a_mirrored_photo_is_refused(lit, shipped):
    _, photo, _, _, _ = lit
    with pytest.raises(CardError):
        locate(replace(photo, luminance=np.ascontiguousarray(photo.luminance[:, ::-1])), shipped[0])


def test_flat_light_is_refused_as_no_shadow(shipped):
    flat = replace(scene_of(shipped, 200.0, 24.0), leave_out=tuple("ABCDEFG"))
    photo = linear_photo(scene.photograph(flat, eye_over(MIDDLE)))
    face = card_face(photo, locate(photo, shipped[0]).camera, shipped[0])
    with pytest.raises(LightError, match=r"No shadow|fit no single lamp"):
        measure_light(face, shipped[0], MIDDLE, "a.jpg")


def test_a_high_torch_is_refused_with_its_angle(shipped):
    photo = linear_photo(scene.photograph(scene_of(shipped, 200.0, 70.0), eye_over(MIDDLE)))
    face = card_face(photo, locate(photo, shipped[0]).camera, shipped[0])
    with pytest.raises(LightError, match=r"stands (6[5-9]|7[0-5]) degrees above the panel"):
        measure_light(face, shipped[0], MIDDLE, "a.jpg")


def test_a_30_degree_light_throws_the_shadow_of_a_known_triangle():
    """tan(30) = 1 / sqrt(3): a point 10 mm high throws its shadow 17.32 mm away from the light."""
    light = Light(0.0, 30.0, 0.0, (0.0, 0.0), np.zeros((3, 3)))
    assert cast_by(light, np.array([[0.0, 0.0, 10.0]]))[0] == pytest.approx([-10 * np.sqrt(3), 0.0])
    near = replace(light, inverse_distance_per_mm=1 / 200)  # lamp 100 mm high, 173.2 mm away: similar triangles
    assert cast_by(near, np.array([[0.0, 0.0, 10.0]]))[0] == pytest.approx([-173.205 * 10 / 90, 0.0], rel=1e-4)


def test_only_outer_edges_of_a_shadow_are_looked_for(other_card):
    """A box lit along its diagonal shows two walls' far sides and its top's two far edges; seams are no edges."""
    box = other_card[0].uprights[0]
    edges = outer_edges(box, Light(45.0, 30.0, 0.0, (0.0, 0.0), np.zeros((3, 3))))
    assert len(edges) == 4
    away = -np.array([1.0, 1.0]) / np.sqrt(2)
    tips = [edge for edge in edges if box.vertices_mm[[edge.i, edge.j], 2].min() > 1]
    assert len(tips) == 2
    assert all(edge.outward @ away > 0.5 for edge in tips)


@pytest.mark.parametrize(
    ("elevation_deg", "per_degree"), [(10, 0.102), (15, 0.070), (20, 0.054), (30, 0.040), (45, 0.035)]
)
def test_a_degree_of_elevation_costs_what_the_triangle_says(elevation_deg, per_degree):
    """d ln(tan e) = 2 de / sin 2e, by hand."""
    assert elevation_gain_u(elevation_deg, 1.0) == pytest.approx(per_degree, abs=6e-4)


def test_the_grid_holds_what_the_card_brackets(lit, shipped):
    grid = common_grid((lit[2],), shipped[0])
    assert grid.x_mm[0] <= 39 and grid.x_mm[-1] >= 159
    assert grid.y_mm[-1] <= 95 and grid.y_mm[0] >= 214
    pixel_mm = lit[2].camera.mm_per_px(*MIDDLE)
    assert pixel_mm > 0.2  # the coarse test photo is laid on a finer grid
    assert grid.step_mm == pytest.approx(max(pixel_mm / 2, 0.2), abs=0.0025)
