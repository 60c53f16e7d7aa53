"""A score as the files of contract: score.json (schema texscan.score/1), maps, cells, scored image and plates."""

from __future__ import annotations

import math
from dataclasses import asdict

import numpy as np

from texscan import __version__, files, filters, overlay, plates, texture
from texscan.cautions import cautions_of
from texscan.cell_table import cell_table
from texscan.compatibility import Job
from texscan.model import CONDITION_NAMES, Measured, Zone
from texscan.mould import Mould
from texscan.options import Option
from texscan.score import Score
from texscan.views import ReadyView

SCHEMA = "texscan.score/1"


def result_files(score: Score) -> dict[str, bytes]:
    """The files of a result, by name."""
    step, used = score.grid.step_mm, score.settings.filters
    z = filters.filtered(score.relief.height_mm, step, used)
    cells = texture.cells(z, score.grid, filters=used, budget=score.budget)
    return {
        "score.json": files.json_bytes(score_dict(score)),
        "relief.tif": files.tiff_bytes(score.relief.height_mm, step),
        "conditions.tif": files.tiff_bytes(score.zone_map.condition, step),
        "scored.png": files.png_bytes(scored_picture(score)),
        "patch.jpg": files.jpeg_bytes(score.picture),
        "cells.csv": cell_table(cells, score.zone_map.condition, score.grid).encode("ascii"),
        "figures.png": files.png_bytes(plates_picture(score, z)),
    }


def score_dict(score: Score) -> dict:
    """score.json as a dictionary; a figure that is not defined is null, and a flag says why."""
    settings, grid = score.settings, score.grid
    return {
        "schema": SCHEMA,
        "panel": settings.panel,
        "texscan_version": __version__,
        "views": [_view(photo, view) for photo, view in zip(score.photos, score.views, strict=True)],
        "ambient": [{"file": photo.file, "sha256": photo.sha256} for photo in score.ambient],
        "refused": [{"file": file, "reason": reason} for file, reason in score.refused],
        "grid": asdict(grid),
        "scale": {"mm_per_px": score.scale_mm_per_px, "tilt_deg": score.tilt_deg} if score.scale_mm_per_px else None,
        "filters": {
            "s_mm": settings.filters.s_mm,
            "l_mm": settings.filters.l_mm,
            "form": settings.filters.form,
            "contact_depth_mm": settings.filters.contact_depth_mm,
        },
        "texture": score.figures,
        "pattern": {
            "kind": score.pattern.kind,
            "pitch_mm": list(score.pattern.pitch_mm),
            "direction_deg": list(score.pattern.direction_deg),
            "cells": _cells(score.mould),
        },
        "reference": {"kind": score.zone_map.reference, "figures": score.zone_map.reference_figures},
        "zones": [_zone(zone) for zone in score.zone_map.zones],
        "shares": {name: score.zone_map.shares.get(name, 0.0) for name in CONDITION_NAMES.values()},
        "coats": _coats(score),
        "job": _job(settings.job),
        "recommendation": _recommendation(score),
        "options": [_option(option) for option in score.options],
        "budget": {
            "terms": [{"name": term.name, "relative_u": term.relative_u} for term in score.budget.terms],
            "gain_u": score.budget.gain_u,
            "contact_u": score.budget.contact_u,
        },
        "relief": {
            "shading_over_shadow": score.relief.shading_over_shadow,
            "lit_share": list(score.relief.lit_share),
            "residual": score.relief.residual if math.isfinite(score.relief.residual) else None,
        },
        "flags": list(score.flags),
    }


def _view(photo, ready: ReadyView) -> dict:
    light = ready.view.light
    azimuth_u, elevation_u = np.sqrt(np.diag(light.covariance)[:2])
    position = light.position_mm
    return {
        "file": photo.file,
        "sha256": photo.sha256,
        "azimuth_deg": Measured.from_u(light.azimuth_deg, float(azimuth_u)),
        "elevation_deg": Measured.from_u(light.elevation_deg, float(elevation_u), at_least=0.0, at_most=90.0),
        "at_mm": list(light.at_mm),
        "light_position_mm": None if position is None else position,
        "ambient_share": light.ambient_share,
        "blur_mm": ready.view.blur_mm if math.isfinite(ready.view.blur_mm) else None,
        "uprights_left_out": list(light.uprights_left_out),
        "flags": list(ready.flags),
    }


def _zone(zone: Zone) -> dict:
    return {
        "condition": zone.condition,
        "polygon_mm": zone.polygon_mm,
        "area_mm2": zone.area_mm2,
        "relief_mm": zone.relief_mm,
        "void_depth_mm": zone.void_depth_mm,
        "contact_area_fraction": zone.contact_area_fraction,
        "confidence": zone.confidence,
        "void_ratio_to_sound": zone.void_ratio_to_sound,
        "flags": list(zone.flags),
    }


def _cells(mould: Mould | None) -> list[dict] | None:
    """What the cells of each condition lost and gained against the mould's; None where there is no mould's cell."""
    if mould is None:
        return None
    return [
        {
            "condition": cell.condition,
            "lost_at_top_mm": cell.lost_at_top_mm,
            "gained_at_floor_mm": cell.gained_at_floor_mm,
            "flags": list(cell.flags),
        }
        for cell in mould.changed
    ]


def _coats(score: Score) -> dict:
    forecast = score.forecast
    return {
        **{
            name: [
                _entry(coat.name, values)
                for coat, values in zip(forecast.coats, getattr(forecast, name), strict=True)
            ]
            for name in ("void_depth_mm", "relief_mm", "contact_area_fraction", "peak_film_um")
        },
        "reach": [{"radius_mm": r.radius_mm, "fraction": r.fraction, "gap_mm": r.gap_mm} for r in score.reach],
    }


def _entry(coat: str, values: tuple[float, float, float]) -> dict:
    low, likely, high = values
    return {"coat": coat, "low": low, "likely": likely, "high": high}


def _job(job: Job) -> dict:
    test = job.rag_test
    return {
        "existing": job.existing,
        "planned": job.planned,
        "rag_test": test and {"reducer": test.reducer, "minutes": test.minutes, "seen": test.seen},
        "hours_since_coat": job.hours_since_coat,
    }


def _recommendation(score: Score) -> dict:
    decided = score.recommendation
    return {
        "action": decided.action,
        "reasons": list(decided.reasons),
        "would_change_it": list(decided.would_change_it),
        "rules": [
            {"name": r.name, "outcome": r.outcome, "sentence": r.sentence, "would_change_it": r.would_change_it}
            for r in decided.readings
        ],
    }


def _option(option: Option) -> dict:
    left = option.void_depth_mm
    return {
        "name": option.name,
        "title": option.title,
        "offered": option.offered,
        "recommended": option.recommended,
        "sentence": option.sentence,
        "coats": [coat.name for coat in option.coats],
        "void_depth_mm": None if left is None else dict(zip(("low", "likely", "high"), left, strict=True)),
        "fill_mm": option.fill_mm,
        "cut_mm": option.cut_mm,
        "warnings": list(option.warnings),
        "cautions": list(cautions_of(option.name)),
    }


def scored_picture(score: Score) -> np.ndarray:
    """The scored image (rows, columns, 3) uint8."""
    caption = overlay.Caption(
        panel=score.settings.panel or "Panel",
        figures=score.figures,
        recommendation=score.recommendation,
        flags=score.flags,
        forecast=score.forecast,
        note=_note(score),
    )
    lights = tuple(ready.view.light for ready in score.views)
    return overlay.scored_image(score.picture, score.zone_map, grid=score.grid, lights=lights, caption=caption)


def plates_picture(score: Score, z: np.ndarray) -> np.ndarray:
    """The plates (rows, columns, 3) uint8 that let a reader check the figures; z the filtered heights [mm]."""
    words = plates.Words(score.settings.panel or "Panel", _note(score), score.figures, score.settings.filters)
    return plates.plates(z, score.grid, zone_map=score.zone_map, mould=score.mould, words=words)


def _note(score: Score) -> str:
    count = len(score.photos)
    source = f"{count} photo{'s' if count != 1 else ''}" if count else "height map measured by other means"
    return f"{source} · texscan {__version__}"
