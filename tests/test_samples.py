"""The sample panels: used where they lie, or fetched and checked, here from a server on this computer."""

import hashlib
import http.server
import threading
from functools import partial
from pathlib import Path

import pytest

from texscan import samples
from texscan.errors import SettingsError

BODY = b"a picture, for all that the registry knows"
NAME = "panels/foredeck/1.jpg"


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_):
        pass


@pytest.fixture
def served(tmp_path):
    """A server on the loopback address with one file; gives its address and folder."""
    folder = tmp_path / "served"
    (folder / NAME).parent.mkdir(parents=True)
    (folder / NAME).write_bytes(BODY)
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}", folder
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """An installation whose samples are not beside it: only the registry ships; empty cache, empty folder."""
    home = tmp_path / "package" / "sample_images"
    home.mkdir(parents=True)
    (home / "registry.txt").write_text(f"# name sum\n{NAME} {hashlib.sha256(BODY).hexdigest()}\n")
    monkeypatch.setattr(samples, "_homes", lambda: (home, home))
    monkeypatch.setenv("TEXSCAN_DATA_DIR", str(tmp_path / "cache"))
    monkeypatch.delenv("TEXSCAN_DATA_URL", raising=False)
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    (tmp_path / "cwd").mkdir()
    monkeypatch.chdir(tmp_path / "cwd")
    return home


@pytest.mark.usefixtures("elsewhere")
def test_a_sample_is_fetched_once_and_then_used_from_the_cache(served, monkeypatch):
    address, folder = served
    monkeypatch.setenv("TEXSCAN_DATA_URL", address)
    first = samples.sample_path(NAME)
    assert first.read_bytes() == BODY
    (folder / NAME).unlink()
    assert samples.sample_path(NAME) == first
    monkeypatch.delenv("TEXSCAN_DATA_URL")
    assert samples.sample_path(NAME) == first


@pytest.mark.usefixtures("elsewhere")
def test_a_tampered_sample_is_refused_and_not_kept(served, monkeypatch, tmp_path):
    address, folder = served
    (folder / NAME).write_bytes(b"something else")
    monkeypatch.setenv("TEXSCAN_DATA_URL", address + "/")
    with pytest.raises(SettingsError, match="SHA-256 sum is wrong"):
        samples.sample_path(NAME)
    assert not [p for p in (tmp_path / "cache").rglob("*") if p.is_file()]


@pytest.mark.usefixtures("elsewhere")
def test_without_an_address_or_with_a_dead_one_the_sentence_says_what_to_set(served, monkeypatch):
    with pytest.raises(SettingsError, match="set TEXSCAN_DATA_URL"):
        samples.sample_path(NAME)
    monkeypatch.setenv("TEXSCAN_DATA_URL", served[0] + "/nowhere")
    with pytest.raises(SettingsError, match="cannot be fetched"):
        samples.sample_path(NAME)
    monkeypatch.setenv("TEXSCAN_DATA_URL", "nonsense")
    with pytest.raises(SettingsError, match="Check TEXSCAN_DATA_URL"):
        samples.sample_path(NAME)
    with pytest.raises(SettingsError, match="no sample file"):
        samples.sample_path("../../etc/passwd")


@pytest.mark.usefixtures("elsewhere")
def test_the_folder_where_the_command_runs_serves_when_its_sums_match(tmp_path):
    path = tmp_path / "cwd" / "sample_images" / NAME
    path.parent.mkdir(parents=True)
    path.write_bytes(BODY)
    assert samples.sample_path(NAME) == path
    path.write_bytes(BODY + b" changed")
    with pytest.raises(SettingsError, match="not on this computer"):
        samples.sample_path(NAME)


def test_in_a_checkout_samples_are_used_where_they_lie(elsewhere):
    path = elsewhere / NAME
    path.parent.mkdir(parents=True)
    path.write_bytes(BODY)
    assert samples.sample_path(NAME) == path


def test_panels_name_their_photos_from_the_folder_or_from_the_panel():
    text = f'[[panel]]\nname = "foredeck"\nphotos = ["1.jpg", "{NAME}"]\nprinted_bar_mm = 100\n'
    (panel,) = samples.panels_from_toml(text, {NAME: ""})
    assert panel.photos == (NAME, NAME)
    assert panel.printed_bar_mm == 100.0
    assert panel.ambient is None
    with pytest.raises(SettingsError, match=r"'2\.jpg' of panel 'foredeck' is not in registry"):
        samples.panels_from_toml(text.replace("1.jpg", "2.jpg", 1), {NAME: ""})
    with pytest.raises(SettingsError, match="colour"):
        samples.panels_from_toml(text + 'colour = "grey"\n', {NAME: ""})
    with pytest.raises(SettingsError, match="is not TOML"):
        samples.panels_from_toml("[[panel", {})


CHECKOUT = Path(__file__).parents[1] / "sample_images"


def test_every_shipped_sample_matches_the_registry_and_every_photo_is_there():
    registry = samples.sample_registry()
    for name, digest in registry.items():
        assert hashlib.sha256((CHECKOUT / name).read_bytes()).hexdigest() == digest, name
    panels = samples.sample_panels()
    assert len(panels) >= 6
    for panel in panels:
        for photo in (*panel.photos, *([panel.ambient] if panel.ambient else [])):
            assert samples.sample_path(photo).is_file()


def test_all_samples_together_stay_below_40_mb():
    assert sum(p.stat().st_size for p in CHECKOUT.rglob("*") if p.is_file()) < 40e6
