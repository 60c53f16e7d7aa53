"""The deck plan: panels where they lie, told apart with and without colour, in SVG and PNG alike."""

import io
import json
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
import resvg_py
from PIL import Image
from typer.testing import CliRunner

from texscan.cli import app
from texscan.errors import SettingsError
from texscan.inputs import read_survey
from texscan.survey.deck_plan import HEAD, deck_plan, deck_plan_png, deck_plan_svg
from texscan.survey.outcome import PatchOutcome, panel_outcome
from texscan.survey.records import Boat, DeckPlan, Survey, SurveyPanel
from texscan.survey.shapes import PNG_ZOOM, Area, Disc, Drawing, Strokes, Words, hatch, png_file, svg_text

SAMPLES = Path(__file__).parents[1] / "sample_images"
SVG = "{http://www.w3.org/2000/svg}"
ACTIONS = ("recoat", "sand-flat-and-retexture", "inconclusive")


def score(action="recoat", void=0.25):
    figures = {
        key: {"value": 0.2, "low": 0.1, "high": 0.3} for key in ("Sq_mm", "relief_mm", "contact_area_fraction")
    }
    return {
        "schema": "texscan.score/1",
        "grid": {"step_mm": 0.1},
        "texture": {**figures, "void_depth_mm": void and {"value": void, "low": void - 0.05, "high": void + 0.05}},
        "shares": {"sound": 1.0, "worn": 0.0, "filled": 0.0},
        "recommendation": {"action": action, "reasons": ["because"], "would_change_it": []},
        "flags": [],
    }


def outcome(panel, action="recoat", void=0.25):
    return panel_outcome(panel.name, (PatchOutcome("", panel.name, score(action, void)),), panel)


def square(x, y, side=1.0):
    return ((x, y), (x + side, y), (x + side, y + side), (x, y + side))


PANELS = tuple(SurveyPanel(f"panel {k}", outline_m=square(1.5 * k, 0.0)) for k in range(4))
BOAT = Survey(Boat("Imaginary"), panels=PANELS)
OUTCOMES = tuple(
    outcome(p, action, void) for p, action, void in zip(PANELS, ACTIONS, (0.05, 0.25, 0.45), strict=False)
)
# The fourth panel is not scored.


def panel_polygons(svg):
    """Corners on the page by panel number, from the SVG's own titles."""
    found = {}
    for polygon in ET.fromstring(svg).iter(f"{SVG}polygon"):
        title = polygon.findtext(f"{SVG}title") or ""
        if re.match(r"\d+ ", title):
            corners = [tuple(map(float, pair.split(","))) for pair in polygon.get("points").split()]
            found[int(title.split()[0])] = np.array(corners)
    return found


def test_panels_lie_on_the_page_as_on_the_deck_bow_right_port_up():
    survey = read_survey(SAMPLES / "survey.toml")
    found = panel_polygons(deck_plan_svg(survey, (), shade_by="verdict"))
    assert sorted(found) == list(range(1, 11))
    deck = np.vstack([panel.outline_m for panel in survey.panels])
    page = np.vstack([found[number] for number in sorted(found)])
    # One scale, x to the right, y up, no turn: page = place + scale (x, -y), by least squares over all corners.
    along = np.polyfit(deck[:, 0], page[:, 0], 1)
    across = np.polyfit(deck[:, 1], page[:, 1], 1)
    assert along[0] == pytest.approx(-across[0], rel=1e-3)
    assert along[0] > 0
    assert np.abs(np.polyval(along, deck[:, 0]) - page[:, 0]).max() < 0.2  # places have one decimal
    assert np.abs(np.polyval(across, deck[:, 1]) - page[:, 1]).max() < 0.2


def test_the_scale_bar_is_as_long_as_it_says():
    drawing = deck_plan(BOAT, OUTCOMES, shade_by="verdict")
    side = np.ptp(panel_polygons(svg_text(drawing))[1][:, 0])  # px, of 1 m
    said = next(
        shape.text for shape in drawing.shapes if isinstance(shape, Words) and re.fullmatch(r"[\d.]+ m", shape.text)
    )
    bars = [
        s for s in drawing.shapes if isinstance(s, Area) and np.ptp(np.array(s.points)[:, 1]) == pytest.approx(12)
    ]
    length = sum(np.ptp(np.array(bar.points)[:, 0]) for bar in bars)
    assert length / float(said.split()[0]) == pytest.approx(side, rel=1e-3)


def test_feet_stand_on_the_scale_bar_of_an_imperial_survey():
    drawing = deck_plan(replace(BOAT, units="imperial"), OUTCOMES, shade_by="verdict")
    texts = [shape.text for shape in drawing.shapes if isinstance(shape, Words)]
    assert any(re.fullmatch(r"\d+ ft", text) for text in texts)
    assert "10.76 ft²" in texts  # 1 m2


def test_hatch_lines_lie_within_and_stand_apart_by_the_pitch():
    triangle = ((10.0, 10.0), (110.0, 20.0), (40.0, 90.0))
    for angle in (0.0, 45.0, -45.0, 90.0, 30.0):
        lines = hatch(triangle, angle_deg=angle, pitch=7.0)
        normal = np.array([math.sin(math.radians(angle)), math.cos(math.radians(angle))])
        levels = sorted({round(float(np.dot(normal, line[0])), 6) for line in lines})
        assert np.diff(levels) == pytest.approx(7.0)
        assert len(levels) == pytest.approx(np.ptp(np.array(triangle) @ normal) / 7.0, abs=1)
        contour = np.array(triangle, dtype=np.float32)
        for line in lines:
            assert np.dot(normal, np.subtract(*line)) == pytest.approx(0, abs=1e-9)
            for end in line:
                assert cv2.pointPolygonTest(contour, end, True) > -1e-3  # OpenCV: signed distance to the outline


def test_hatch_keeps_out_of_the_notch_of_a_panel():
    horseshoe = (
        (0.0, 0.0),
        (90.0, 0.0),
        (90.0, 90.0),
        (60.0, 90.0),
        (60.0, 30.0),
        (30.0, 30.0),
        (30.0, 90.0),
        (0.0, 90.0),
    )
    lines = hatch(horseshoe, angle_deg=0.0, pitch=10.0)
    lengths = {
        round(y): sorted(round(abs(b[0] - a[0])) for a, b in lines if a[1] == pytest.approx(y)) for y in (20, 70)
    }
    assert lengths == {20: [90], 70: [30, 30]}


def inside(png, svg, number):
    """Pixels of a panel, the rim and the label's middle left out."""
    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(float)
    corners = PNG_ZOOM * panel_polygons(svg)[number]
    mask = np.zeros(pixels.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(corners).astype(np.int32)], 1)
    mask = cv2.erode(mask, np.ones((15, 15)))
    x, y = np.round(corners.mean(axis=0)).astype(int)
    mask[y - 120 : y + 120, x - 170 : x + 170] = 0
    return pixels[mask > 0]


@pytest.mark.parametrize("shade_by", ["verdict", "void-depth"])
def test_fills_are_told_apart_without_colour(shade_by):
    png, svg = (make(BOAT, OUTCOMES, shade_by=shade_by) for make in (deck_plan_png, deck_plan_svg))
    looks = []
    for number in (1, 2, 3, 4):
        grey = inside(png, svg, number) @ (0.299, 0.587, 0.114)
        fill = np.median(grey)
        looks.append((round((np.abs(grey - fill) > 25).mean(), 3), fill))  # share of the hatch, and the fill's grey
    for n, (share, fill) in enumerate(looks):
        for other_share, other_fill in looks[n + 1 :]:
            assert abs(share - other_share) > 0.04 or abs(fill - other_fill) > 25, looks


@pytest.mark.parametrize("shade_by", ["verdict", "void-depth"])
def test_another_programs_rendering_of_the_svg_is_the_png(shade_by):
    # resvg, a general SVG renderer. Words are left out: their edges hang on the font's hinting.
    survey = read_survey(SAMPLES / "survey.toml")
    outcomes = tuple(outcome(panel, ACTIONS[n % 3], 0.05 * n) for n, panel in enumerate(survey.panels[:9], start=1))
    drawing = deck_plan(survey, outcomes, shade_by=shade_by)
    drawing = replace(drawing, shapes=tuple(shape for shape in drawing.shapes if not isinstance(shape, Words)))
    rendered = bytes(resvg_py.svg_to_bytes(svg_string=svg_text(drawing), zoom=PNG_ZOOM, skip_system_fonts=True))
    files = rendered, png_file(drawing)
    one, two = (np.asarray(Image.open(io.BytesIO(file)).convert("L")).astype(int) for file in files)
    differ = (np.abs(one - two) > 60).mean()
    moved = (np.abs(one - np.roll(two, PNG_ZOOM, axis=1)) > 60).mean()
    assert differ < 0.01  # smoothing of edges
    assert moved > 2 * differ  # a shift by one pixel of the drawing would be seen


def test_less_void_is_darker_and_hatched_closer():
    voids = (0.05, 0.15, 0.25, 0.35, 0.45)
    panels = tuple(SurveyPanel(f"p{k}", outline_m=square(1.5 * k, 0.0)) for k in range(5))
    survey = Survey(Boat("B"), panels=panels)
    outcomes = tuple(outcome(panel, void=void) for panel, void in zip(panels, voids, strict=True))
    png, svg = (make(survey, outcomes, shade_by="void-depth") for make in (deck_plan_png, deck_plan_svg))
    greys = [inside(png, svg, number).mean() for number in (1, 2, 3, 4, 5)]
    assert all(b - a > 10 for a, b in pairwise(greys)), greys


def test_what_was_not_scored_or_has_no_outline_is_said():
    survey = replace(BOAT, panels=(*PANELS, SurveyPanel("lid", area_m2=0.4)))
    texts = [s.text for s in deck_plan(survey, OUTCOMES, shade_by="verdict").shapes if isinstance(s, Words)]
    assert texts.count("Not scored") == 3  # legend, the fourth panel and the lid
    assert "lid (no outline)" in texts
    undefined = (outcome(PANELS[0], void=None),)
    texts = [s.text for s in deck_plan(BOAT, undefined, shade_by="void-depth").shapes if isinstance(s, Words)]
    assert "Not defined" in texts


def test_repairs_are_marked_on_the_panel_and_in_the_table():
    panels = (replace(PANELS[0], soft_spots="one", cracks="two"), *PANELS[1:])
    survey = replace(BOAT, panels=panels)
    texts = [s.text for s in deck_plan(survey, OUTCOMES, shade_by="verdict").shapes if isinstance(s, Words)]
    assert "repair" in texts
    assert "soft spots, cracks" in texts


def test_without_any_outline_there_is_no_plan_but_a_sentence():
    survey = Survey(Boat("B"), panels=(SurveyPanel("lid", area_m2=0.4),))
    with pytest.raises(SettingsError, match="No panel of the survey has an outline"):
        deck_plan_svg(survey, (), shade_by="verdict")


HOSTILE = "</title><script>alert(1)</script> \"&' \u202e]]> \x00 =cmd"


def test_names_are_words_and_never_markup_and_nothing_is_asked_from_elsewhere():
    panel = replace(PANELS[0], name=HOSTILE)
    survey = Survey(Boat(HOSTILE, kind="<b>", place="&amp;"), panels=(panel,))
    svg = deck_plan_svg(survey, (outcome(panel),), shade_by="verdict")
    root = ET.fromstring(svg)  # well-formed
    assert {node.tag.removeprefix(SVG) for node in root.iter()} <= {
        "svg", "title", "desc", "rect", "polygon", "path", "circle", "text"
    }  # fmt: skip
    assert not re.search(r"(href|url\(|https?://(?!www\.w3\.org/2000/svg))", svg)
    deck_plan_png(survey, (outcome(panel),), shade_by="verdict")


def test_outlines_in_pixels_lie_on_their_picture():
    picture = np.full((300, 600, 3), 255, np.uint8)
    picture[100:200, 400:500] = (0, 0, 0)  # a dark square, around which a panel is drawn, and one beside it
    panels = (
        SurveyPanel("a", outline_px=square(390.0, 90.0, 120.0)),
        SurveyPanel("b", outline_px=square(50.0, 50.0, 80.0)),
    )
    survey = Survey(Boat("B"), panels=panels, deck_plan=DeckPlan("plan.png", metres_per_px=0.01, bow="left"))
    svg = deck_plan_svg(survey, (), shade_by="verdict", picture=picture)
    found = panel_polygons(svg)
    image = next(ET.fromstring(svg).iter(f"{SVG}image"))
    left, top, wide = (float(image.get(key)) for key in ("x", "y", "width"))
    assert top == HEAD
    for number, panel in enumerate(panels, start=1):
        expected = np.array([left, top]) + wide / 600 * np.array(panel.outline_px)
        assert found[number] == pytest.approx(expected, abs=0.1)
    assert "data:image/png;base64," in image.get("href")
    deep = picture.astype(np.uint16) * 257  # 16-bit pictures look the same
    assert deck_plan_svg(survey, (), shade_by="verdict", picture=deep) == svg
    unscaled = replace(survey, deck_plan=DeckPlan("plan.png"))
    assert "Scale of the picture not stated" in deck_plan_svg(unscaled, (), shade_by="verdict", picture=picture)


def test_shapes_are_drawn_where_they_are_said_to_be():
    drawing = Drawing(100, 80, "t", "s", (
        Area(((10, 10), (50, 10), (50, 40), (10, 40)), (200, 0, 0), stroke=(200, 0, 0), width=1.0),
        Disc((75, 25), 10, fill=(0, 0, 200), stroke=(0, 0, 200)),
        Strokes((((0, 60), (100, 60)),), (0, 150, 0), 4.0),
    ))  # fmt: skip
    pixels = np.asarray(Image.open(io.BytesIO(png_file(drawing, zoom=1))))
    assert pixels.shape == (80, 100, 3)
    assert tuple(pixels[25, 30]) == (200, 0, 0)
    assert tuple(pixels[25, 75]) == (0, 0, 200)
    assert tuple(pixels[60, 50]) == (0, 150, 0)
    assert tuple(pixels[75, 50]) == (255, 255, 255)
    red = (np.abs(pixels.astype(int) - (200, 0, 0)).max(axis=2) < 60).sum()
    assert red == pytest.approx(40 * 30, rel=0.06)  # its area, and half a line's width around it
    blue = (np.abs(pixels.astype(int) - (0, 0, 200)).max(axis=2) < 100).sum()
    assert blue == pytest.approx(math.pi * 100, rel=0.06)


def test_the_command_writes_both_plans_and_names_strangers(tmp_path):
    (tmp_path / "survey.toml").write_text(
        '[boat]\nname = "B"\n[[panel]]\nname = "a"\noutline_m = [[0, 0], [1, 0], [1, 1]]\n', encoding="utf-8"
    )
    for name in ("a", "stranger"):
        (tmp_path / "out" / name).mkdir(parents=True)
        (tmp_path / "out" / name / "score.json").write_text(json.dumps(score()), encoding="utf-8")
    command = ["deck", str(tmp_path / "out"), "--survey", str(tmp_path / "survey.toml"), "--to", str(tmp_path / "to")]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    assert "Scored but not in the survey, so not on the plan: stranger." in done.output
    names = {path.name for path in (tmp_path / "to").iterdir()}
    assert names == {"deck.svg", "deck.png", "deck-void-depth.svg", "deck-void-depth.png"}
