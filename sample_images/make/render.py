"""
Scene pieces for the renders, on mitsuba (pip install .[render]): deck, card, uprights, lamps, sky, linear pictures.

All lengths in mm, in the card frame: x right, y up, z towards the camera. Nothing here comes from texscan.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from PIL import Image

PAINT_INDEX = 1.5  # refractive index of a paint film; the usual textbook figure for polymers, from memory
PATH_DEPTH = 6  # up to five bounces
PAPER_REFLECTANCE = 0.8
DISC_SIDES = 96  # of a round fitting's outline
LANES = {"cuda": 60_000_000, "llvm": 12_000_000}  # samples a pass, so that the working memory stays in bounds


def load_mitsuba(variant):
    """The renderer, in the variant asked for: scalar_rgb runs alone, llvm_ad_rgb needs libLLVM, cuda_ad_rgb a GPU."""
    import mitsuba as mi

    mi.set_variant(variant)
    return mi


def deck_shape(mi, x_mm, y_mm, height_mm, albedo, *, alpha):
    """
    The deck as a mesh of flat triangles, painted with a glossy-satin paint (rough plastic).

    Parameters
    ----------
    x_mm : (columns,) rising; y_mm : (rows,) falling; height_mm : (rows, columns)
    albedo : (any rows, any columns, 3) linear reflectance of the pigment under the film, spread over the whole deck
    alpha : roughness of the film's surface (GGX)
    """
    rows, columns = height_mm.shape
    grid_x, grid_y = np.meshgrid(np.asarray(x_mm, np.float32), np.asarray(y_mm, np.float32))
    points = np.stack([grid_x, grid_y, height_mm], -1).astype(np.float32)
    first = (
        np.arange(rows - 1, dtype=np.uint32)[:, None] * columns + np.arange(columns - 1, dtype=np.uint32)
    ).ravel()
    right, below = first + 1, first + columns
    faces = np.concatenate([np.stack([first, below, right], 1), np.stack([right, below, below + 1], 1)])
    paint = {
        "type": "roughplastic",
        "distribution": "ggx",
        "int_ior": PAINT_INDEX,
        "alpha": float(alpha),
        "nonlinear": False,
        "diffuse_reflectance": _texture(mi, albedo),
    }
    points = points.reshape(-1, 3)
    low, high = points.min(0)[:2], points.max(0)[:2]
    uv = (points[:, :2] - low) / (high - low)
    return _mesh(mi, "deck", points, faces, paint, uv=uv)


def _texture(mi, linear):
    """Bitmap texture of linear reflectances, row 0 at v = 1."""
    data = mi.TensorXf(np.ascontiguousarray(np.asarray(linear, np.float32)[::-1]))
    return {"type": "bitmap", "data": data, "raw": True, "filter_type": "bilinear", "wrap_mode": "clamp"}


def _mesh(mi, name, points, faces, bsdf, *, uv=None):
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    properties["face_normals"] = True
    mesh = mi.Mesh(name, len(points), len(faces), has_vertex_texcoords=uv is not None, props=properties)
    parameters = mi.traverse(mesh)
    parameters["vertex_positions"] = np.ascontiguousarray(points, np.float32).ravel()
    parameters["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    if uv is not None:
        parameters["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    parameters.update()
    return mesh


def card_shapes(mi, card_folder, *, upright_heights=None):
    """
    The printed card as a sheet at z = 0 and its uprights as two-sided paper, after card.json (schema texscan.card/1).

    `upright_heights` replaces the heights that card.json states: folded paper is never exact.
    """
    folder = Path(card_folder)
    card = json.loads((folder / "card.json").read_text(encoding="utf-8"))
    paper = card.get("paper_reflectance", PAPER_REFLECTANCE)
    art = card["artwork"]
    grey = np.asarray(Image.open(folder / art["file"]).convert("RGB"), np.float32) / 255
    linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4) * paper  # IEC 61966-2-1
    rows, columns = linear.shape[:2]
    outline = np.asarray(card["outline"], float)
    uv = np.stack(
        [
            (outline[:, 0] - art["left"]) * art["px_per_mm"] / columns,
            1 - (art["top"] - outline[:, 1]) * art["px_per_mm"] / rows,
        ],
        1,
    )
    face = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _texture(mi, linear)}}
    sheet = np.column_stack([outline, np.zeros(len(outline))])
    shapes = {"card": _mesh(mi, "card", sheet, triangles(outline), face, uv=uv)}
    for i, upright in enumerate(card["uprights"]):
        points = np.asarray(upright["vertices"], float)
        if upright_heights is not None:
            points = points * [1, 1, upright_heights[i] / points[:, 2].max()]
        fan = [(f[0], f[k], f[k + 1]) for f in upright["faces"] for k in range(1, len(f) - 1)]
        white = {"type": "rgb", "value": float(upright["reflectance"] * paper)}
        bsdf = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": white}}
        shapes[f"upright{i}"] = _mesh(mi, f"upright{i}", points, np.asarray(fan), bsdf)
    return shapes


def disc_shape(mi, centre_mm, radius_mm, bottom_mm, top_mm, *, reflectance):
    """A plain matt round plate: its top and its side as flat triangles."""
    a = 2 * np.pi * np.arange(DISC_SIDES) / DISC_SIDES
    ring = np.column_stack([centre_mm[0] + radius_mm * np.cos(a), centre_mm[1] + radius_mm * np.sin(a)])
    top, foot = (np.column_stack([ring, np.full(DISC_SIDES, z)]) for z in (top_mm, bottom_mm))
    i = np.arange(DISC_SIDES)
    j, middle = (i + 1) % DISC_SIDES, np.full(DISC_SIDES, 2 * DISC_SIDES)
    faces = np.concatenate(
        [np.stack(f, 1) for f in ((middle, i, j), (i, i + DISC_SIDES, j), (j, i + DISC_SIDES, j + DISC_SIDES))]
    )
    matt = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": reflectance}}}
    return _mesh(mi, "fitting", np.concatenate([top, foot, [[*centre_mm, top_mm]]]), faces, matt)


def triangles(outline):
    """Ear clipping of a simple anticlockwise polygon (n, 2) into (n - 2, 3) vertex numbers."""
    outline = np.asarray(outline, float)
    left, out = list(range(len(outline))), []

    def turn(a, b, c):
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    while len(left) > 3:
        for k in range(len(left)):
            i, j, m = left[k - 1], left[k], left[(k + 1) % len(left)]
            a, b, c = outline[i], outline[j], outline[m]
            others = [outline[n] for n in left if n not in (i, j, m)]
            blocked = any(turn(a, b, p) >= 0 and turn(b, c, p) >= 0 and turn(c, a, p) >= 0 for p in others)
            if turn(a, b, c) >= 0 and not blocked:
                out.append((i, j, m))
                left.pop(k)
                break
        else:
            raise ValueError("The outline crosses itself. Give a simple anticlockwise polygon.")
    return np.array([*out, tuple(left)])


def lamp(mi, position_mm, radius_mm, *, colour=(1.0, 1.0, 1.0)):
    """A glowing ball of radiance `colour`: `lamp_irradiance` is exact for it."""
    return {
        "type": "sphere",
        "to_world": mi.ScalarTransform4f().translate(list(map(float, position_mm))).scale(float(radius_mm)),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(colour)}},
    }


def lamp_irradiance(position_mm, radius_mm, x_mm, y_mm):
    """Irradiance of a ball of unit radiance on the level plane z = 0: pi R^2 cos / r^2, exact while all is seen."""
    x, y, z = (p - q for p, q in zip(position_mm, (x_mm, y_mm, 0.0), strict=True))
    squared = x**2 + y**2 + z**2
    return np.pi * radius_mm**2 * z / np.sqrt(squared) / squared


def lamp_position(azimuth_deg, elevation_deg, distance_mm):
    """(3,) mm, seen from the origin."""
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    return distance_mm * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])


def sky(colour=(1.0, 1.0, 1.0)):
    """An even sky of radiance `colour`; irradiance on an open level plane is pi times it."""
    return {"type": "constant", "radiance": {"type": "rgb", "value": list(colour)}}


def integrator():
    return {"type": "path", "max_depth": PATH_DEPTH, "rr_depth": PATH_DEPTH, "hide_emitters": True}


def film(columns, rows):
    return {
        "type": "hdrfilm",
        "width": int(columns),
        "height": int(rows),
        "pixel_format": "rgb",
        "component_format": "float32",
        "rfilter": {"type": "box"},
    }


def picture(mi, scene, *, samples, seed=0):
    """(rows, columns, 3) float32 radiance, rendered in as many passes as the working memory asks for."""
    columns, rows = scene.sensors()[0].film().size()
    most = LANES.get(mi.variant().split("_")[0])
    at_once = samples if most is None else max(1, min(samples, most // (int(columns) * int(rows))))
    passes = -(-samples // at_once)
    total = np.zeros((int(rows), int(columns), 3), np.float64)
    for i in range(passes):
        total += np.array(mi.render(scene, spp=at_once, seed=seed * 1000 + i))
    return (total / passes).astype(np.float32)
