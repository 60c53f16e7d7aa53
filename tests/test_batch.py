"""
A batch: what stands is kept, what changed is done again, a killed run goes on, two runs do not mix.

Most of it with quick work in place of scoring; one small folder is scored for real, as a person would.
"""

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import batch_scene
import cv2
import numpy as np
import pytest

from texscan import files
from texscan.batch import state
from texscan.errors import SettingsError, StorageError
from texscan.survey.results import read_results

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images" / "panels"
HARD_NAME = '=1 "Vor\'deck"\n日本 ñ'


def texscan(*arguments, expect=0):
    command = [sys.executable, "-c", "from texscan.cli import main; main()", *map(str, arguments)]
    env = {**os.environ, "OMP_NUM_THREADS": "1", "NO_COLOR": "1", "PYTHONUTF8": "1"}
    done = subprocess.run(command, capture_output=True, text=True, timeout=280, env=env)
    assert done.returncode == expect, done.stdout + done.stderr
    return done


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def quarter(sample, target):
    """A sample photo at a quarter of its width and height."""
    target.parent.mkdir(parents=True, exist_ok=True)
    photo = cv2.imread(str(SAMPLES / sample))
    small = cv2.resize(photo, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    target.write_bytes(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes())
    return target


# Scored for real

OFF_AND_OLD = json.dumps(  # a height standard that read a fifth too high, years ago
    {
        "schema": "texscan.verify/1",
        "day": "2020-05-17",
        "measured_over_known": {"value": 1.2, "low": 1.15, "high": 1.25},
    }
)


def options(folder):
    return ["--existing", "two-part", "--planned", "two-part", "--verified", folder / "verify.json"]


@pytest.fixture(scope="module")
def boat(tmp_path_factory):
    """Two panels of which one photo each is good; every other file is bad in its own way."""
    folder = tmp_path_factory.mktemp("boat")
    good = quarter("bow-grit-sound/a.jpg", folder / HARD_NAME / "a.jpg")
    (folder / HARD_NAME / "b.jpg").write_bytes(good.read_bytes()[:9000])  # cut short
    (folder / HARD_NAME / "c.jpg").touch()
    (folder / HARD_NAME / "d.jpg").write_text("not a photo")
    quarter("aft-deck-sun/a.jpg", folder / "Aft deck" / "worst" / "a.jpg")
    (folder / "Aft deck" / "typical").mkdir()
    plain = np.full((300, 400, 3), 120, np.uint8)
    (folder / "Aft deck" / "typical" / "no card.png").write_bytes(files.png_bytes(plain))
    (folder / "Cockpit").mkdir()
    (folder / "Cockpit" / "folder.jpg").mkdir()
    (folder / "verify.json").write_text(OFF_AND_OLD)
    out = folder / "out"
    done = texscan("batch", folder, "--out", out, "--jobs", 2, *options(folder))
    return folder, out, done, json.loads((out / "run.json").read_text(encoding="utf-8"), parse_constant=pytest.fail)


def test_one_row_a_panel_as_the_contract_has_it(boat):
    _, out, _, _ = boat
    heading = (out / "results.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    figures = ["Sq_mm", "relief_mm", "void_depth_mm", "contact_area_fraction"]
    expected = ["panel", *(f + end for f in figures for end in ("", "_low", "_high"))]
    assert heading == [*expected, "share_worn", "share_filled", "action", "flags"]
    rows = rows_of(out / "results.csv")
    assert [row["panel"] for row in rows] == ["'" + HARD_NAME, "Aft deck"]
    for row in rows:
        assert float(row["relief_mm_low"]) < float(row["relief_mm"]) < float(row["relief_mm_high"])
        assert 0 <= float(row["share_worn"]) + float(row["share_filled"]) <= 1
        assert row["action"] in ("recoat", "sand-flat-and-retexture", "inconclusive")


def test_one_row_a_patch_agrees_with_its_score(boat):
    _, out, _, run = boat
    rows = rows_of(out / "patches.csv")
    folders = [patch["folder"] for panel in run["scored"] for patch in panel["patches"]]
    assert len(rows) == len(folders) == 2
    for row, folder in zip(rows, folders, strict=True):
        score = json.loads((out / folder / "score.json").read_text())
        assert float(row["relief_mm"]) == score["texture"]["relief_mm"]["value"]
        assert float(row["contact_area_fraction_high"]) == score["texture"]["contact_area_fraction"]["high"]
        assert row["flags"].split() == score["flags"] and row["action"] == score["recommendation"]["action"]


def test_bad_photos_are_refused_by_name_and_the_rest_of_the_set_is_scored_with_a_flag(boat):
    _, out, done, run = boat
    refused = {entry["file"]: entry["reason"] for entry in run["refused"]}
    hard = {f"{HARD_NAME}/{name}.jpg": word for name, word in (("b", "cut short"), ("c", "empty"), ("d", "not"))}
    other = {"Aft deck/typical/no card.png": "No scale card", "Cockpit/folder.jpg": "is a folder"}
    assert set(refused) == {*hard, *other}
    assert all(word in refused[file] for file, word in {**hard, **other}.items())
    assert len(done.stderr.splitlines()) == 5 and all("texscan: refused " in s for s in done.stderr.splitlines())
    rows = rows_of(out / "results.csv")
    assert "views-left-out" in rows[0]["flags"] and "patch-not-scored" in rows[1]["flags"]


def test_the_check_with_a_height_standard_stands_in_each_result(boat):
    _, out, _, _ = boat
    for row in rows_of(out / "results.csv") + rows_of(out / "patches.csv"):
        assert {"verification-off", "verification-old"} <= set(row["flags"].split())
        assert "not-verified" not in row["flags"]


def test_run_json_tells_nothing_of_the_machine(boat):
    folder, out, _, run = boat
    assert run["schema"] == "texscan.run/1"
    assert str(folder.parent) not in (out / "run.json").read_text(encoding="utf-8")
    assert {"texscan", "python", "numpy"} <= set(run["versions"])


def test_the_files_of_a_score_lie_in_the_panels_folder(boat):
    _, out, _, run = boat
    for panel in run["scored"]:
        for patch in panel["patches"]:
            names = {path.name for path in (out / patch["folder"]).iterdir()}
            assert {"score.json", "relief.tif", "conditions.tif", "scored.png", "thumbnail.jpg"} <= names
    assert [patch["folder"] for patch in run["scored"][1]["patches"]] == ["Aft deck/worst"]


def test_the_results_can_be_read_back_as_panels(boat):
    _, out, _, _ = boat
    assert {panel.name for panel in read_results(out, None)} == {HARD_NAME, "Aft deck"}


def test_a_second_run_scores_nothing_and_strict_ends_with_1(boat):
    folder, out, _, _ = boat
    before = batch_scene.tree(out)
    times = {path: path.stat().st_mtime_ns for path in out.rglob("score.json")}
    done = texscan("batch", folder, "--out", out, *options(folder), "--strict", expect=1)
    assert batch_scene.tree(out) == before
    assert {path: path.stat().st_mtime_ns for path in out.rglob("score.json")} == times
    assert done.stdout.count(" stands;") == 2 and " scored;" not in done.stdout


def test_a_folder_without_photos_gets_one_sentence(tmp_path):
    done = texscan("batch", tmp_path, "--out", tmp_path / "out", expect=1)
    assert len(done.stderr.splitlines()) == 1 and "holds no photos to score" in done.stderr
    assert not (tmp_path / "out").exists()


# With quick work in place of scoring


def test_a_run_that_was_stopped_goes_on_and_ends_the_same(tmp_path):
    folder = batch_scene.panels(tmp_path / "photos", 7, text="fine")
    whole = tmp_path / "whole"
    batch_scene.run(folder, whole)

    through = []

    def stop_after_three(step):
        through.append(step)
        if len(through) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        batch_scene.run(folder, tmp_path / "out", tell=stop_after_three)
    assert not (tmp_path / "out" / "run.json").exists()
    steps = []
    batch_scene.run(folder, tmp_path / "out", tell=steps.append)
    assert sum(step.is_kept for step in steps) == 3 and len(steps) == 7
    assert batch_scene.tree(tmp_path / "out") == batch_scene.tree(whole)


def worked_on(folder, out, **options):
    """Panels that a run did not take as they stood."""
    steps = []
    batch_scene.run(folder, out, tell=steps.append, **options)
    return {step.task.panel for step in steps if not step.is_kept}


@pytest.fixture
def done(tmp_path):
    """A folder of four panels and its results."""
    folder = batch_scene.panels(tmp_path / "photos", 4, text="fine")
    batch_scene.run(folder, tmp_path / "out")
    return folder, tmp_path / "out"


def test_a_photo_that_changed_has_its_panel_done_again(done):
    folder, out = done
    photo = folder / "panel 02" / "a.jpg"
    old = photo.stat()
    photo.write_text("fine X")
    os.utime(photo, ns=(old.st_atime_ns, old.st_mtime_ns))  # as some copying programs do
    assert worked_on(folder, out) == {"panel 02"}
    assert (out / "panel 02" / "relief.tif").read_text() == "fine X"


def test_a_further_photo_and_a_missing_one_have_their_panels_done_again(done):
    folder, out = done
    (folder / "panel 00" / "b.jpg").write_text("another")
    shutil.rmtree(folder / "panel 01")
    assert worked_on(folder, out) == {"panel 00"}
    assert [row["panel"] for row in rows_of(out / "results.csv")] == ["panel 00", "panel 02", "panel 03"]
    assert json.loads((out / "run.json").read_text())["left_from_earlier_runs"] == ["panel 01"]


def test_other_settings_have_all_done_again(done):
    folder, out = done
    assert worked_on(folder, out, settings={"printed_bar_mm": 99.5}) == {f"panel 0{n}" for n in range(4)}
    assert worked_on(folder, out, settings={"printed_bar_mm": 99.5}) == set()
    assert len(worked_on(folder, out, settings={"printed_bar_mm": 99.5, "planned": "one-part"})) == 4


def test_another_check_with_a_height_standard_has_all_done_again(done, tmp_path):
    folder, out = done
    record = tmp_path / "verify.json"
    for text, expected in ((OFF_AND_OLD, 4), (OFF_AND_OLD, 0), (OFF_AND_OLD.replace("2020", "2026"), 4)):
        record.write_text(text)
        assert len(worked_on(folder, out, settings={"verified": record})) == expected


def test_another_version_has_all_done_again(done, monkeypatch):
    folder, out = done
    monkeypatch.setattr(state, "__version__", "999")
    assert len(worked_on(folder, out)) == 4


def test_asked_again_all_is_done_again(done):
    assert len(worked_on(*done, again=True)) == 4


@pytest.mark.parametrize(
    "damage", [lambda path: path.unlink(), lambda path: path.write_text("x")], ids=["gone", "short"]
)
def test_a_result_that_lost_a_file_is_done_again(done, damage):
    folder, out = done
    before = batch_scene.tree(out)
    damage(out / "panel 03" / "relief.tif")
    assert worked_on(folder, out) == {"panel 03"}
    assert batch_scene.tree(out) == before


def test_a_panel_that_is_refused_now_keeps_no_old_result(done):
    folder, out = done
    (folder / "panel 01" / "a.jpg").write_text("refuse")
    finished = batch_scene.run(folder, out)
    assert finished.refused == (("panel 01/a.jpg", "It is not a photo. Take another."),)
    assert not (out / "panel 01").exists() and finished.panels == 3
    assert worked_on(folder, out) == set()  # a refusal stands too


def test_a_panel_that_gets_a_second_patch_leaves_nothing_at_the_old_place(done):
    folder, out = done
    (folder / "panel 01" / "worst").mkdir()
    (folder / "panel 01" / "a.jpg").rename(folder / "panel 01" / "worst" / "a.jpg")
    (folder / "panel 01" / "typical").mkdir()
    (folder / "panel 01" / "typical" / "a.jpg").write_text("fine")
    batch_scene.run(folder, out)
    assert sorted(path.name for path in (out / "panel 01").iterdir()) == ["typical", "worst"]
    assert len(rows_of(out / "patches.csv")) == 5 and len(rows_of(out / "results.csv")) == 4


def test_a_refusal_for_memory_is_tried_again_the_next_time(tmp_path):
    folder = batch_scene.panels(tmp_path / "photos", 1, text="full")
    assert "memory" in batch_scene.run(folder, tmp_path / "out").refused[0][1]
    assert worked_on(folder, tmp_path / "out") == {"panel 00"}


def test_an_out_that_is_full_stops_the_run_and_keeps_what_was_done(tmp_path, monkeypatch):
    folder = batch_scene.panels(tmp_path / "photos", 4, text="fine")
    write, calls = files.write_result, []

    def full(target, contents):
        calls.append(target)
        if len(calls) > 4:
            raise StorageError("The result cannot be written. Make room.")
        write(target, contents)

    monkeypatch.setattr(files, "write_result", full)
    with pytest.raises(StorageError):
        batch_scene.run(folder, tmp_path / "out", jobs=1)
    monkeypatch.undo()
    assert len(worked_on(folder, tmp_path / "out")) == 2


def test_half_written_work_of_a_killed_run_goes_and_other_folders_stay(done):
    folder, out = done
    before = batch_scene.tree(out)
    for half in (out / "panel 00" / ".x-0123abcd" / "new", out.parent / f".{out.name}-01234567" / "new"):
        half.mkdir(parents=True)
        (half / "score.json").write_text("half")
    kept = out / ".notes-0123abcd"
    kept.mkdir()
    (kept / "mine.txt").write_text("mine")
    batch_scene.run(folder, out)
    assert batch_scene.tree(out) == {**before, ".notes-0123abcd/mine.txt": b"mine"}
    assert not (out.parent / f".{out.name}-01234567").exists()


def test_a_damaged_record_counts_as_none_and_cannot_lead_out_of_the_folder(done):
    folder, out = done
    outside = out.parent / "precious.txt"
    outside.write_text("keep")
    for path in (out / ".texscan").glob("*.json"):
        data = json.loads(path.read_text())
        data["files"] = [["../../precious.txt", 4]]
        path.write_text(json.dumps(data) if data["folder"] != "panel 00" else "{")
    assert len(worked_on(folder, out)) == 4 and outside.read_text() == "keep"


@pytest.mark.skipif(os.name == "nt", reason="names are text there")
def test_folders_and_photos_whose_names_are_no_text_are_scored_and_refused_like_others(tmp_path):
    for name, text in ((b"caf\xe9", "fine"), (b"caf\xe8", "full"), (b"caf\xe7", "refuse")):
        folder = tmp_path / "photos" / os.fsdecode(name)
        folder.mkdir(parents=True)
        (folder / os.fsdecode(b"\xe9.jpg")).write_text(text)
    finished = batch_scene.run(tmp_path / "photos", tmp_path / "out")
    assert [file for file, _ in finished.refused] == ["caf\\xe7/\\xe9.jpg", "caf\\xe8"]
    assert (tmp_path / "out" / "caf_xe9" / "score.json").exists()
    assert worked_on(tmp_path / "photos", tmp_path / "out") == {"caf\\xe8"}


# Processes that are killed


def start(folder, out, jobs=2):
    program = "import sys; from batch_scene import main; main(*sys.argv[1:])"
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    return subprocess.Popen([sys.executable, "-c", program, str(folder), str(out), str(jobs)], env=env)


def wait_until(found, seconds=60):
    end = time.monotonic() + seconds
    while not (it := found()):
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)
    return it


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
def test_a_run_killed_in_the_middle_goes_on_and_its_workers_do_not_stay(tmp_path):
    folder = batch_scene.panels(tmp_path / "photos", 12)
    batch_scene.run(folder, tmp_path / "whole")
    out = tmp_path / "out"
    running = start(folder, out)
    wait_until(lambda: len(list(out.glob("*/score.json"))) >= 3)
    workers = _children(running.pid)
    assert workers
    with pytest.raises(SettingsError, match="Another run is writing"):
        batch_scene.run(folder, out)
    running.send_signal(signal.SIGKILL)
    running.wait()
    wait_until(lambda: not any(_is_running(pid) for pid in workers), seconds=20)
    assert len(list(out.glob("*/score.json"))) < 12
    batch_scene.run(folder, out)
    assert batch_scene.tree(out) == batch_scene.tree(tmp_path / "whole")


def _children(pid):
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def _is_running(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
