"""Loose photos in a batch: looked at once, grouped, named, and shown; what is wrong with one is said."""

import json
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import batch_scene
import pytest

from texscan.batch import loose
from texscan.batch.finding import find_photos
from texscan.batch.names import shown
from texscan.batch.planning import plan_of_folder
from texscan.batch.records import Common
from texscan.batch.words import plan_lines
from texscan.capture.grouping import Pose, Sighted
from texscan.compatibility import Job

HERE = Pose((0.0, 0.0, 400.0), 90.0)


@pytest.fixture
def look(monkeypatch):
    """In place of looking at a photo: its text is tag and azimuth; gives the list of photos that were looked at."""
    seen = []

    def sight(photo, common):
        seen.append(photo)
        tag, azimuth = (Path(common.folder) / photo).read_text().split()
        if tag == "none":
            return Sighted(photo, 0.0, refusal="No scale card was found.")
        return Sighted(photo, 0.0, int(tag), HERE, float(azimuth), 25.0)

    monkeypatch.setattr(loose, "sight", sight)
    return seen


def put(folder, **texts):
    folder.mkdir(exist_ok=True)
    for name, text in texts.items():
        (folder / f"{name}.jpg").write_text(text)


def sets_in(folder, out):
    photos = loose.loose_photos(find_photos(folder, out))
    return loose.sets_of(photos, Common(str(folder), ()), out, pool=ThreadPoolExecutor, jobs=2)


def test_each_set_is_a_panel_under_its_tag(tmp_path, look):
    put(tmp_path / "in", a="3 0", b="3 180", c="5 0", d="none 0")
    folder, out = tmp_path / "in", tmp_path / "out"
    sets = sets_in(folder, out)
    plan = plan_of_folder(find_photos(folder, out), sets, Job())
    assert {task.panel: task.photos for task in plan.tasks} == {"tag-03": ("a.jpg", "b.jpg"), "tag-05": ("c.jpg",)}
    assert plan.refused == (("d.jpg", "No scale card was found."),)
    assert "  grouped as tag-03: a.jpg, b.jpg" in plan_lines(plan)


def test_photos_are_looked_at_again_only_when_one_changed(tmp_path, look):
    put(tmp_path / "in", a="3 0", b="3 180")
    first = sets_in(tmp_path / "in", tmp_path / "out")
    assert len(look) == 2
    assert sets_in(tmp_path / "in", tmp_path / "out") == first and len(look) == 2
    put(tmp_path / "in", b="4 180")
    assert list(sets_in(tmp_path / "in", tmp_path / "out")) == ["tag-03", "tag-04"] and len(look) == 4


@pytest.mark.skipif(os.name == "nt", reason="names are text there")
def test_a_name_that_is_no_text_is_remembered_too(tmp_path, look):
    (tmp_path / "in").mkdir()
    name = os.fsdecode(b"caf\xe9.jpg")
    (tmp_path / "in" / name).write_text("3 0")
    first = sets_in(tmp_path / "in", tmp_path / "out")
    assert first["tag-03"].photos == (name,)
    assert sets_in(tmp_path / "in", tmp_path / "out") == first and len(look) == 1
    batch_scene.run(tmp_path / "in", tmp_path / "out", sets=first)
    run = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert run["grouped"] == [{"panel": "tag-03", "photos": [shown(name)]}]


def test_a_photo_at_which_a_process_dies_is_refused_and_the_others_grouped(tmp_path, look, monkeypatch):
    put(tmp_path / "in", a="3 0", b="3 180")
    monkeypatch.setattr(loose, "sight", lambda photo, common, plain=loose.sight: _or_full(photo, common, plain))
    sets = sets_in(tmp_path / "in", tmp_path / "out")
    assert sets["tag-03"].photos == ("b.jpg",)
    assert any("memory" in reason for one in sets.values() for _, reason in one.left_out)


def _or_full(photo, common, plain):
    if photo == "a.jpg":
        raise MemoryError
    return plain(photo, common)
