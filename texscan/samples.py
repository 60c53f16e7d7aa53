"""
The sample panels: an invented scenario, rendered, with photos that ship beside the program or are fetched once.

A photo is used where it lies in a checkout, else from the folder `sample_images` where the command is run, else from
the cache, else from the address in TEXSCAN_DATA_URL. Fetched files must match their SHA-256 sums.
"""

from __future__ import annotations

import hashlib
import logging
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path

from texscan.errors import SettingsError, StorageError
from texscan.files import read_text

FOLDER = "sample_images"
URL_VARIABLE = "TEXSCAN_DATA_URL"
CACHE_VARIABLE = "TEXSCAN_DATA_DIR"
KNOWN_KEYS = frozenset(
    ("name", "title", "story", "photos", "ambient", "existing", "planned", "printed_bar_mm", "reference", "truth")
)


@dataclass(frozen=True, slots=True)
class SamplePanel:
    """One invented panel; `photos` and `ambient` are names for `sample_path`."""

    name: str
    title: str
    story: str
    photos: tuple[str, ...]
    ambient: str | None
    existing: str | None
    planned: str | None
    printed_bar_mm: float | None
    reference: str | None = None  # name of the panel that shows what sound looks like
    truth: str | None = None  # sample file that tells how the panel was made


def sample_panels() -> tuple[SamplePanel, ...]:
    """
    The sample panels in their order.

    Raises
    ------
    SettingsError, StorageError
        If panels.toml is damaged or missing.
    """
    text = read_text(_shipped("panels.toml"), "list of sample panels")
    return panels_from_toml(text, sample_registry())


def sample_survey() -> Path:
    """The survey of the invented boat that the sample panels belong to."""
    return _shipped("survey.toml")


def panels_from_toml(text: str, registry: dict[str, str]) -> tuple[SamplePanel, ...]:
    """Panels from `[[panel]]` tables; photos are named from sample_images/ or from the panel's own folder."""
    try:
        entries = tomllib.loads(text).get("panel", [])
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"panels.toml is not TOML ({error}). Get it again with the program.") from error
    return tuple(_panel(entry, registry) for entry in entries)


def _panel(entry: dict, registry: dict[str, str]) -> SamplePanel:
    name = entry.get("name")
    unknown = set(entry) - KNOWN_KEYS
    if not isinstance(name, str) or unknown or not entry.get("photos"):
        raise SettingsError(
            f"panels.toml: panel {name!r} needs a name and photos; not understood: {sorted(unknown)}."
        )

    def full(photo: str) -> str:
        for path in (photo, f"panels/{name}/{photo}"):
            if path in registry:
                return path
        raise SettingsError(f"panels.toml: {photo!r} of panel {name!r} is not in registry.txt.")

    bar = entry.get("printed_bar_mm")
    return SamplePanel(
        name=name,
        title=entry.get("title", name),
        story=entry.get("story", ""),
        photos=tuple(full(photo) for photo in entry["photos"]),
        ambient=full(entry["ambient"]) if entry.get("ambient") else None,
        existing=entry.get("existing"),
        planned=entry.get("planned"),
        printed_bar_mm=float(bar) if bar is not None else None,
        reference=entry.get("reference"),
        truth=entry.get("truth"),
    )


def sample_registry() -> dict[str, str]:
    """File name -> SHA-256 sum, of every sample file."""
    lines = read_text(_shipped("registry.txt"), "list of sample files").splitlines()
    pairs = [line.split() for line in lines if line.strip() and not line.startswith("#")]
    if any(len(pair) != 2 for pair in pairs):
        raise SettingsError("registry.txt: each line needs a file name and its SHA-256 sum.")
    return {name: digest.removeprefix("sha256:") for name, digest in pairs}


def sample_path(name: str) -> Path:
    """
    Where a sample file lies on this computer; fetched if it is not here yet.

    Raises
    ------
    SettingsError
        If there is no such sample, or it is not here and cannot be fetched.
    """
    registry = sample_registry()
    if name not in registry:
        raise SettingsError(f"There is no sample file {name!r}. See {FOLDER}/registry.txt for the names.")
    for folder in _homes():
        if (folder / name).is_file():
            return folder / name
    here = Path.cwd() / FOLDER / name
    if here.is_file() and hashlib.sha256(here.read_bytes()).hexdigest() == registry[name]:
        return here
    return _fetched(name, registry)


def _homes() -> tuple[Path, Path]:
    """sample_images in the installed package, and in the checkout around it."""
    package = Path(__file__).resolve().parent
    return package / FOLDER, package.parent / FOLDER


def _shipped(name: str) -> Path:
    for folder in _homes():
        if (folder / name).is_file():
            return folder / name
    raise StorageError(f"The shipped file {FOLDER}/{name} is missing from this installation. Install texscan again.")


def _fetched(name: str, registry: dict[str, str]) -> Path:
    import pooch

    base = os.environ.get(URL_VARIABLE, "")
    cache = Path(os.environ.get(CACHE_VARIABLE) or pooch.os_cache("texscan"))
    if not base and not (cache / name).is_file():
        raise SettingsError(
            f"The sample {name} is not on this computer. Run the command in the folder that holds {FOLDER}, "
            f"or set {URL_VARIABLE} to an address that serves it."
        )
    keeper = pooch.create(path=cache, base_url=base.rstrip("/") + "/", registry=registry, retry_if_failed=1)
    logger = pooch.get_logger()
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        return Path(keeper.fetch(name))
    except ValueError as error:  # wrong sum, or an address that is none
        reason = "its SHA-256 sum is wrong" if "hash" in str(error) else str(error)
        raise SettingsError(
            f"The sample {name} from {base} cannot be used: {reason}. Check {URL_VARIABLE}."
        ) from error
    except PermissionError as error:
        raise StorageError(
            f"The folder {cache} cannot be written. Set {CACHE_VARIABLE} to another folder."
        ) from error
    except OSError as error:
        raise SettingsError(f"The sample {name} cannot be fetched from {base}. Check {URL_VARIABLE}.") from error
    finally:
        logger.setLevel(level)
