"""A survey in a batch: photos by pattern, tag or folder, its words on coats and coating, the reference first."""

from pathlib import Path

import batch_scene
import pytest

from texscan.batch.finding import find_photos
from texscan.batch.planning import plan_of_survey, untold_photos
from texscan.capture.grouping import PhotoSet
from texscan.commands.batch import deck_plan
from texscan.compatibility import Job
from texscan.survey.reading import survey_from_toml

COATS = "[[coat]]\nname = 'one'\nkind = 'topcoat'\nvolume_solids = 0.5\nwet_um = 90\n"


def put(root: Path, *names: str) -> None:
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"fine {name}")


def survey_of(text):
    return survey_from_toml('[boat]\nname = "Invented"\n' + text, "survey.toml")


def plan_in(root, text, sets=None):
    found = find_photos(root, root / "out")
    return plan_of_survey(survey_of(text), root, found, sets or {}, Job(None, "one-part"), folder=root)


def test_photos_come_by_pattern_with_the_ambient_photo_and_the_mask_left_out_of_them(tmp_path):
    put(tmp_path, "in/1.jpg", "in/2.jpg", "in/10.jpg", "in/off.jpg", "in/m.png", "in/note.txt")
    plan = plan_in(
        tmp_path,
        """[[panel]]
        name = "Foredeck"
        photos = ["in/*.jpg", "in/*.png"]
        ambient = "in/off.jpg"
        mask = "in/m.png"
        existing = "gelcoat"
        """,
    )
    (task,) = plan.tasks
    assert task.photos == ("in/1.jpg", "in/2.jpg", "in/10.jpg")
    assert (task.ambient, task.mask, task.folder) == ("in/off.jpg", "in/m.png", "Foredeck")
    assert task.job == Job("gelcoat", "one-part")


def test_patches_keep_the_names_of_the_survey_and_what_has_no_photo_is_said(tmp_path):
    put(tmp_path, "a/1.jpg", "b/1.jpg")
    plan = plan_in(
        tmp_path,
        """[[panel]]
        name = "Foredeck"
        [[panel.patch]]
        name = "worst"
        photos = ["a/*"]
        [[panel.patch]]
        name = "typical"
        photos = ["nowhere/*"]
        [[panel]]
        name = "Cockpit"
        """,
    )
    assert [(t.panel, t.patch, t.folder) for t in plan.tasks] == [("Foredeck", "worst", "Foredeck/worst")]
    assert [file for file, _ in plan.refused] == ["nowhere/*", "Cockpit"]
    assert dict(plan.skipped) == {"b/1.jpg": "The survey names no panel for it."}


def test_a_panel_goes_by_its_folder_or_by_the_tag_in_the_photos(tmp_path):
    put(tmp_path, "foredeck/1.jpg", "dump/7.jpg", "dump/8.jpg", "dump/9.jpg")
    text = '[[panel]]\nname = "Foredeck"\n[[panel]]\nname = "Cockpit"\ntag = 3\n'
    found = find_photos(tmp_path, tmp_path / "out")
    assert untold_photos(survey_of(text), tmp_path, found, folder=tmp_path) == tuple(
        f"dump/{n}.jpg" for n in (7, 8, 9)
    )
    assert untold_photos(survey_of('[[panel]]\nname = "Foredeck"\n'), tmp_path, found, folder=tmp_path) == ()
    sets = {
        "tag-03": PhotoSet(("dump/7.jpg",), "dump/8.jpg", 3, (("dump/6.jpg", "Blurred."),)),
        "tag-04": PhotoSet(("dump/9.jpg",), None, 4),
    }
    plan = plan_in(tmp_path, text, sets)
    assert [(t.panel, t.photos, t.ambient) for t in plan.tasks] == [
        ("Foredeck", ("foredeck/1.jpg",), None),
        ("Cockpit", ("dump/7.jpg",), "dump/8.jpg"),
    ]
    assert plan.refused == (("dump/6.jpg", "Blurred."),)
    assert list(plan.sets) == ["tag-03"] and dict(plan.skipped).keys() == {"dump/9.jpg"}


def test_names_of_a_survey_become_folders_that_stay_apart(tmp_path):
    put(tmp_path, "a.jpg", "b.jpg")
    text = '[[panel]]\nname = "Deck: 1?"\nphotos = ["a.jpg"]\n[[panel]]\nname = "Deck: 1*"\nphotos = ["b.jpg"]\n'
    assert [task.folder for task in plan_in(tmp_path, text).tasks] == ["Deck_ 1_", "Deck_ 1_-2"]


def test_the_reference_is_scored_first_and_the_others_are_compared_with_it(tmp_path):
    folder = batch_scene.panels(tmp_path / "photos", 3, text="fine")
    (folder / "coats.toml").write_text(COATS)
    text = '[boat]\nname = "Invented"\n' + "".join(f'[[panel]]\nname = "panel 0{n}"\n' for n in range(3))
    survey = folder / "survey.toml"
    survey.write_text(text + 'reference = true\ncoats = "coats.toml"\n')
    seen = []

    def unit(task, common):
        seen.append((task.panel, common.reference and Path(common.reference).name, task.coats))
        return batch_scene.quick(task, common)

    batch_scene.run(folder, tmp_path / "out", unit=unit, jobs=1, settings={"survey": survey})
    assert [(panel, reference) for panel, reference, _ in seen] == [
        ("panel 02", None),
        ("panel 00", "panel 02"),
        ("panel 01", "panel 02"),
    ]
    assert [coats and coats[0].wet_um for *_, coats in seen] == [90.0, None, None]
    (folder / "panel 02" / "a.jpg").write_text("fine, taken again")
    seen.clear()
    batch_scene.run(folder, tmp_path / "out", unit=unit, jobs=1, settings={"survey": survey})
    assert [panel for panel, *_ in seen] == ["panel 02", "panel 00", "panel 01"]  # they hang on the reference


@pytest.mark.parametrize("soft", ["", "near the mast step"])
def test_what_the_survey_says_of_a_panel_stands_on_the_page(tmp_path, soft):
    folder = batch_scene.panels(tmp_path / "photos", 1, text="fine")
    survey = folder / "survey.toml"
    survey.write_text(f'[boat]\nname = "Invented"\n[[panel]]\nname = "panel 00"\nsoft_spots = "{soft}"\n')
    batch_scene.run(folder, tmp_path / "out", settings={"survey": survey})
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "<h1>Invented</h1>" in page and ("near the mast step" in page) == bool(soft)


def test_a_batch_draws_the_deck_plan_and_stands_without_one(tmp_path):
    folder = batch_scene.panels(tmp_path / "photos", 1, text="fine")
    survey, out = folder / "survey.toml", tmp_path / "out"
    outline = "outline_m = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]]"
    survey.write_text(f'[boat]\nname = "Invented"\n[[panel]]\nname = "panel 00"\n{outline}\n')
    batch_scene.run(folder, out, settings={"survey": survey})
    assert str(out / "deck.svg") in deck_plan(out, survey)
    assert "Invented" in (out / "deck.svg").read_text(encoding="utf-8")
    survey.write_text(survey.read_text() + '[deck_plan]\npicture = "gone.png"\nmetres_per_px = 0.01\n')
    assert deck_plan(out, survey)[0].startswith("No deck plan: ")
