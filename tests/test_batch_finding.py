"""What a folder holds: the rule of the contract, names that are hard to bear, loops, and what is no photo."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from texscan.batch.finding import find_photos, panels_of
from texscan.batch.names import folder_part, natural, shown, unique_folders
from texscan.batch.planning import plan_of_folder
from texscan.compatibility import Job
from texscan.errors import SettingsError, on_one_line

# What Windows refuses in a file name: "Naming Files, Paths, and Namespaces" of its documentation
DEVICES = ["CON", "PRN", "AUX", "NUL", *(f"{p}{n}" for p in ("COM", "LPT") for n in range(1, 10))]


def put(root: Path, *names: str) -> None:
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"photo")


def found_in(root: Path, out: str = "nowhere"):
    return find_photos(root, root / out)


def plan_in(root: Path, out: str = "nowhere"):
    return plan_of_folder(found_in(root, out), {}, Job())


def patches(root: Path, out: str = "nowhere") -> dict[tuple[str, str], tuple[str, ...]]:
    return {(task.panel, task.patch): task.photos for task in plan_in(root, out).tasks}


def test_a_sub_folder_is_a_panel_and_its_sub_folders_are_patches(tmp_path):
    put(tmp_path, "Bow/a.jpg", "Bow/b.HEIC", "Cockpit/worst/a.jpg", "Cockpit/typical/a.jpg", "port/Side deck/x/a.tif")
    assert patches(tmp_path) == {
        ("Bow", ""): ("Bow/a.jpg", "Bow/b.HEIC"),
        ("Cockpit", "typical"): ("Cockpit/typical/a.jpg",),
        ("Cockpit", "worst"): ("Cockpit/worst/a.jpg",),
        ("port/Side deck", ""): ("port/Side deck/x/a.tif",),
    }


def test_photos_beside_sub_folders_with_photos_are_a_patch_of_their_own(tmp_path):
    put(tmp_path, "Bow/a.jpg", "Bow/worst/a.jpg")
    assert patches(tmp_path) == {("Bow", "photos"): ("Bow/a.jpg",), ("Bow", "worst"): ("Bow/worst/a.jpg",)}


def test_results_lie_at_the_panel_or_at_the_patch_where_there_are_several(tmp_path):
    put(tmp_path, "Bow/a.jpg", "Cockpit/worst/a.jpg", "Cockpit/typical/a.jpg")
    assert [task.folder for task in plan_in(tmp_path).tasks] == ["Bow", "Cockpit/typical", "Cockpit/worst"]


def test_the_photo_without_the_torch_and_the_mask_are_told_by_their_names(tmp_path):
    put(tmp_path, "Bow/a.jpg", "Bow/torch-off.jpg", "Bow/mask.png")
    (task,) = plan_in(tmp_path).tasks
    assert (task.photos, task.ambient, task.mask) == (("Bow/a.jpg",), "Bow/torch-off.jpg", "Bow/mask.png")


def test_hidden_files_results_and_the_out_folder_are_left_alone(tmp_path):
    put(tmp_path, "Bow/a.jpg", "Bow/._a.jpg", ".trash/b.jpg", "out/Bow/thumbnail.jpg", "old/score.json")
    put(tmp_path, "old/scored.png", "older/.texscan/x.json", "older/Bow/thumbnail.jpg", "Bow/notes.txt")
    assert patches(tmp_path, "out") == {("Bow", ""): ("Bow/a.jpg",)}
    skipped = dict(found_in(tmp_path, "out").skipped)
    assert "Bow/notes.txt" in skipped and "older" in skipped and "old/scored.png" in skipped


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_links_are_followed_once_and_a_loop_ends(tmp_path):
    put(tmp_path, "z real/a.jpg")
    (tmp_path / "a link").symlink_to(tmp_path / "z real")
    (tmp_path / "z real" / "loop").symlink_to(tmp_path)
    (tmp_path / "z real" / "self.jpg").symlink_to("self.jpg")
    elsewhere = tmp_path.parent / f"{tmp_path.name}-elsewhere"
    put(elsewhere, "a.jpg")
    (tmp_path / "outside").symlink_to(elsewhere)
    found = patches(tmp_path)
    assert found == {("outside", ""): ("outside/a.jpg",), ("z real", ""): ("z real/a.jpg", "z real/self.jpg")}
    assert {file for file, _ in found_in(tmp_path).skipped} == {"a link", "z real/loop"}


def test_a_folder_named_like_a_photo_is_refused_unless_it_holds_photos(tmp_path):
    put(tmp_path, "Bow/a.jpg", "Bow/c.jpg/note.txt", "Cockpit.jpg/a.jpg")
    (tmp_path / "Bow" / "b.jpg").mkdir()
    assert [file for file, reason in found_in(tmp_path).refused if "is a folder" in reason] == [
        "Bow/b.jpg",
        "Bow/c.jpg",
    ]
    assert set(patches(tmp_path)) == {("Bow", ""), ("Cockpit.jpg", "")}


@pytest.mark.parametrize("name", ["nowhere", "file.txt"])
def test_a_folder_that_is_none_is_refused_in_words(tmp_path, name):
    (tmp_path / "file.txt").write_text("x")
    with pytest.raises(SettingsError, match="is not a folder that can be read"):
        find_photos(tmp_path / name, tmp_path / "out")


def test_names_sort_as_people_count():
    assert sorted(["b 10", "b 9", "A 1", "b 9a"], key=natural) == ["A 1", "b 9", "b 9a", "b 10"]


def test_folders_stay_apart_where_capitals_do_not_count():
    assert unique_folders([("Bow",), ("bow",), ("BOW-2",), ("bow",)]) == ["Bow", "bow-2", "BOW-2-2", "bow-3"]


@given(st.lists(st.tuples(st.text()), max_size=8))
def test_any_name_becomes_a_folder_that_every_system_can_hold_and_no_two_the_same(names):
    folders = unique_folders(names)
    assert len({folder.casefold() for folder in folders}) == len(names)
    for folder in folders:
        assert not set(folder) & set('<>:"/\\|?*')
        assert not any(ord(c) < 32 for c in folder)
        assert folder == folder.strip(" .") and 0 < len(folder.encode("utf-8")) < 200
        assert folder.partition(".")[0].upper() not in DEVICES


def test_a_name_that_is_no_text_is_shown_with_escapes():
    name = os.fsdecode(b"caf\xe9.jpg")
    assert shown(name) == "caf\\xe9.jpg" and folder_part(name) == "caf_xe9.jpg"
    assert on_one_line("two\nlines\x1b[2J") == "two\\nlines\\x1b[2J"


def test_panels_follow_each_other_in_the_order_of_their_names(tmp_path):
    put(tmp_path, "Bow 10/a.jpg", "Bow 9/a.jpg", "Aft/b/a.jpg", "Aft/a/a.jpg")
    assert list(panels_of(found_in(tmp_path).folders)) == ["Aft", "Bow 9", "Bow 10"]
