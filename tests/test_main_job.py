"""
The main job on the shipped sample panels, against the truth that an outside renderer was given.

Photos: physically based rendering (mitsuba) with bounced light, gloss, sky, lens, tone curve and JPEG; see
sample_images/README.md. Tolerances are the project's promises in README: scale 0.3 %, azimuth 1.5 and elevation 1
degree; Sq, relief and void depth within 10 % for four views, 20 % for two, 30 % for one.
"""

import functools
import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
import truth

from texscan.demo import score_sample
from texscan.files import json_bytes, read_schema
from texscan.filters import filtered
from texscan.model import CONDITION_NAMES, FLAGS
from texscan.result import score_dict
from texscan.samples import sample_panels
from texscan.texture import figures

PANELS = {panel.name: panel for panel in sample_panels()}
PROMISED = {4: 0.10, 2: 0.20, 1: 0.30}
CONDITIONS = {name: value for value, name in CONDITION_NAMES.items()}
LEAST_OVERLAP = {4: 0.80, 2: 0.70, 1: 0.70}


@functools.cache
def _scored(name):
    """A worker gets whole files of tests, so each panel is scored once; photos lose their pixels to save memory."""
    score = score_sample(PANELS[name])
    score = replace(score, photos=tuple(replace(photo, pixels=photo.pixels[:1, :1]) for photo in score.photos))
    return score, truth.read(name, score.grid.x_mm, score.grid.y_mm)


@pytest.fixture(params=sorted(PANELS))
def scored(request):
    """(score, truth on the score's grid) of a sample panel."""
    return _scored(request.param)


def test_scale_and_light(scored):
    score, true = scored
    at = score.grid.centre_mm
    assert score.scale_mm_per_px.value == pytest.approx(true.mm_per_px(score.photos[0].file, at), rel=0.003)
    for photo, ready in zip(score.photos, score.views, strict=True):
        light = ready.view.light
        azimuth, elevation, _ = true.angles(photo.file, at)
        assert (light.azimuth_deg - azimuth + 180) % 360 - 180 == pytest.approx(0, abs=1.5)
        assert light.elevation_deg == pytest.approx(elevation, abs=1.0)


def test_heights(scored):
    """The same filter and figures on measured and true heights, over the pixels that both have."""
    score, true = scored
    both = np.isfinite(score.relief.height_mm) & np.isfinite(true.height_mm) & (true.zones > 0)
    assert both.sum() > 0.8 * (true.zones > 0).sum()
    step, settings = score.grid.step_mm, score.settings.filters
    ours, theirs = (
        filtered(np.where(both, z, np.nan), step, settings) for z in (score.relief.height_mm, true.height_mm)
    )
    flat = np.corrcoef(ours[both], theirs[both])[0, 1]
    assert flat > 0.8  # a flat plate has no correlation, an upside-down map a negative one
    found, known = figures(ours, step, settings), figures(theirs, step, settings)
    promised = PROMISED[len(score.photos)]
    wrong = {key: found[key] / known[key] - 1 for key in ("Sq_mm", "relief_mm", "void_depth_mm")}
    assert all(abs(error) < promised for error in wrong.values()), wrong


def test_conditions(scored):
    """Worn and filled panels come out as such, sound ones do not."""
    score, true = scored
    both = (score.zone_map.condition > 0) & (true.zones > 0)
    for condition, value in CONDITIONS.items():
        ours, theirs = (labels[both] == value for labels in (score.zone_map.condition, true.zones))
        if theirs.mean() < 0.02:
            assert ours.mean() < 0.02, f"{condition} where there is none"
            continue
        overlap = (ours & theirs).sum() / (ours | theirs).sum()
        assert overlap > LEAST_OVERLAP[len(score.photos)], f"{condition}: {overlap:.2f}"


def test_the_result_keeps_the_published_schema(scored):
    """JSON Schema 2020-12, by an independent validator."""
    data = json.loads(json_bytes(score_dict(scored[0])))
    validator = jsonschema.Draft202012Validator(json.loads(read_schema("score")))
    assert list(validator.iter_errors(data)) == []


def test_every_flag_can_be_explained(scored):
    score, _ = scored
    assert set(score.flags) <= set(FLAGS)


def test_depths_lost_at_the_top_and_gained_at_the_floor(scored):
    """
    Against the renderer's scene: tops cut by `share` of the height; floors raised by it, less the film on the tops.

    Within a twentieth of the deck's height, half of what four views promise for relief; the scene rounds its cuts and
    fills (round_mm), so that the depths themselves are known to 0.01 mm.
    """
    score, true = scored
    deck, cells = true.data["deck"], {cell.condition: cell for cell in score.mould.changed} if score.mould else {}
    whole_panel = any(deck[cause] and deck[cause]["where"]["kind"] == "all" for cause in ("wear", "fill"))
    if score.pattern.vectors_mm is None or whole_panel:
        assert cells == {}
        return
    lost = {"worn": deck["height_mm"] * deck["wear"]["share"]} if deck["wear"] else {}
    gained = {"filled": deck["height_mm"] * deck["fill"]["share"] - deck["fill"]["film_mm"]} if deck["fill"] else {}
    assert set(cells) == {*lost, *gained}
    for condition, cell in cells.items():
        for measured, known in ((cell.lost_at_top_mm, lost), (cell.gained_at_floor_mm, gained)):
            depth = known.get(condition, 0.0)
            assert measured.value == pytest.approx(depth, abs=0.05 * deck["height_mm"])
            assert measured.low - 0.01 <= depth <= measured.high + 0.01
