"""
The world outside: photos, height maps, masks and texts come in here, results go out here, and nowhere else.

A result is written whole or not at all: first into a folder beside its place, then moved in.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import secrets
import shutil
import stat
from contextlib import suppress
from dataclasses import asdict, is_dataclass
from pathlib import Path

import cv2
import numpy as np
import tifffile

from texscan.decode import TIFF_ERRORS, photo_from_bytes, png_pixels, tiff_pixels
from texscan.errors import InputError, PhotoError, ReliefError, SettingsError, StorageError, on_one_line
from texscan.headers import MAX_PIXELS
from texscan.model import Photo
from texscan.rawphoto import is_raw, photo_from_raw
from texscan.x3p import heights_from_x3p

MAX_FILE_BYTES = 2 << 30  # 200 Mpx of 16-bit RGB, not compressed, is 1.2 GB
MAX_TEXT_BYTES = 4 << 20
MAX_SPAN_MM = 50.0  # no non-skid, and no camber of a patch, spans this; a missing-value number or a wrong unit does
FARTHEST_MM = 1e4  # from zero: there float32 still tells 0.001 mm apart
STEP_RANGE_MM = (1e-4, 2.0)  # grid steps that can hold a texture of about 1 mm
SIGNIFICANT_DIGITS = 6
MAP_ERRORS = (*TIFF_ERRORS, PhotoError)


# Reading


def load_photo(path: str | Path, *, long_side_px: int | None = None) -> Photo:
    """
    Photo from a JPEG, PNG, TIFF, HEIC or camera raw file, upright, with its SHA-256 sum.

    Parameters
    ----------
    long_side_px : enough for the caller: a larger picture is halved while its long side keeps this (not camera raw)

    Raises
    ------
    PhotoError
        For a missing, locked, empty, truncated, oversized or unsuitable file, with what to do next.
    StorageError
        When the picture does not fit into memory.
    """
    path = Path(path)
    data = _read(path, "photo", PhotoError)
    digest, name = hashlib.sha256(data).hexdigest(), on_one_line(path.name)  # a name may be bytes that are no text
    try:
        if is_raw(data, name):
            return photo_from_raw(data, name, sha256=digest)
        return photo_from_bytes(data, name, sha256=digest, long_side_px=long_side_px)
    except (MemoryError, cv2.error) as error:
        raise StorageError(
            f"There is not enough memory to open {path.name}. Close other programs, or shrink it."
        ) from error


def load_heights(path: str | Path, step_mm: float | None = None) -> tuple[np.ndarray, float]:
    """
    Height map measured by other means.

    Parameters
    ----------
    path : a TIFF of one float channel [mm, NaN = not measured], or an X3P file (ISO 25178-72, metres inside)
    step_mm : grid step [mm]; needed for a TIFF, for X3P it must agree with the file

    Returns
    -------
    height_mm : (rows, columns) float32, row 0 at the largest y, NaN = not measured
    step_mm : float

    Raises
    ------
    ReliefError, SettingsError
        With what was found, what is needed and what to do next.
    """
    path = Path(path)
    if step_mm is not None and not STEP_RANGE_MM[0] <= step_mm <= STEP_RANGE_MM[1]:
        low, high = STEP_RANGE_MM
        raise SettingsError(f"--step-mm is {step_mm:g}; the grid step must lie between {low:g} and {high:g} mm.")
    data = _read(path, "height map", ReliefError)
    if data[:2] == b"PK":
        height, own_step = heights_from_x3p(data, path.name)
        if step_mm is not None and not math.isclose(own_step, step_mm, rel_tol=0.01):
            raise SettingsError(
                f"{path.name} has a step of {own_step:g} mm, --step-mm says {step_mm:g}. Leave it out."
            )
        return _plausible(height, path.name), own_step
    height = _heights_from_tiff(data, path.name)
    if step_mm is None:
        raise SettingsError(f"{path.name} does not tell its grid step. Give it with --step-mm, in mm.")
    return _plausible(height, path.name), float(step_mm)


def load_mask(path: str | Path) -> np.ndarray:
    """
    (rows, columns) bool, True = leave out: where the picture is lighter than mid-grey and not transparent.

    Raises
    ------
    SettingsError
        If the file is not a picture.
    """
    path = Path(path)
    data = _read(path, "mask", SettingsError)
    if data[:8] != b"\x89PNG\r\n\x1a\n":
        raise SettingsError(
            f"The mask {path.name} is not a PNG picture; paint white what is to be left out, on black."
        )
    try:
        picture, _ = png_pixels(data, path.name)
    except PhotoError as error:
        raise SettingsError(f"The mask cannot be used: {error}") from error
    half = np.iinfo(picture.dtype).max // 2
    alpha = picture.shape[2] in (2, 4)
    light = picture[..., : picture.shape[2] - alpha].max(axis=2) > half
    return light & (picture[..., -1] > half) if alpha else light


def read_text(path: str | Path, what: str, *, error: type[InputError] = SettingsError) -> str:
    """Text of a settings file (UTF-8); `what` names it in messages: "coats file"."""
    path = Path(path)
    data = _read(path, what, error, limit=MAX_TEXT_BYTES)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        raise error(f"The {what} {path.name} is not UTF-8 text. Save it as plain text in UTF-8.") from failure


def read_bytes(path: str | Path, what: str, *, error: type[InputError] = SettingsError) -> bytes:
    """A file as it is; `what` names it in messages: "logo"."""
    return _read(Path(path), what, error)


def read_schema(name: str) -> str:
    """A shipped JSON Schema, such as "score"."""
    return read_text(Path(__file__).resolve().parent / "schemas" / f"{name}.schema.json", "schema")


def find_calibration(name: str) -> Path:
    """Path of a shipped file such as "card.json": in the installed package, else in the checkout's calibration/."""
    here = Path(__file__).resolve().parent
    for folder in (here / "calibration", here.parent / "calibration"):
        if (folder / name).is_file():
            return folder / name
    raise StorageError(f"The shipped file {name} is missing from this installation. Install texscan again.")


def _read(path: Path, what: str, error: type[InputError], *, limit: int = MAX_FILE_BYTES) -> bytes:
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise error(f"{path} is a folder; a {what} is needed. Name the file itself.")
        if not stat.S_ISREG(found.st_mode):
            raise error(f"{path} is not an ordinary file; a {what} is needed.")
        if found.st_size == 0:
            raise error(f"{path.name} is empty (0 bytes); a {what} is needed. Copy it again.")
        if found.st_size > limit:
            raise error(f"{path.name} has {found.st_size / 1e6:.0f} MB; a {what} has at most {limit / 1e6:.0f} MB.")
        return path.read_bytes()
    except FileNotFoundError as failure:
        raise error(f"There is no file {path}; a {what} is needed. Check the name and the folder.") from failure
    except PermissionError as failure:
        raise error(
            f"{path} may not be read (permission denied). Allow reading it, or copy it elsewhere."
        ) from failure
    except OSError as failure:
        raise error(f"{path} cannot be read ({failure.strerror}). Copy the {what} to this computer.") from failure
    except ValueError as failure:  # a NUL in the name
        raise error(f"{str(path)!r} is not a file name; a {what} is needed.") from failure


def _heights_from_tiff(data: bytes, name: str) -> np.ndarray:
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages.first
            if page.imagewidth * page.imagelength > MAX_PIXELS:
                raise ReliefError(
                    f"{name} has {page.imagewidth} x {page.imagelength} points; at most 200 million. Crop it."
                )
            if page.dtype not in (np.float32, np.float64) or page.samplesperpixel != 1 or page.imagedepth != 1:
                raise ReliefError(
                    f"{name} holds {page.samplesperpixel} channel(s) of {page.dtype}; one channel of float heights "
                    "in mm is needed. Export it as float TIFF."
                )
            height = tiff_pixels(page, data, name).reshape(page.imagelength, page.imagewidth)
            missing = page.tags.get(42113)  # the usual "no data" number of raster files
    except MAP_ERRORS as error:
        raise ReliefError(
            f"{name} is not a height map that can be read; a float TIFF or X3P file is needed."
        ) from error
    with np.errstate(over="ignore"):  # what is too large becomes infinite, and is refused as such
        height = height.astype(np.float32)
    if missing is not None:
        try:
            height[height == np.float32(str(missing.value).strip("\0 "))] = np.nan
        except ValueError:
            raise ReliefError(f"{name} names {missing.value!r} as its missing value; a number is needed.") from None
    return height


def _plausible(height_mm: np.ndarray, name: str) -> np.ndarray:
    if np.isinf(height_mm).any():
        raise ReliefError(f"{name} holds infinite heights; write NaN where nothing was measured.")
    measured = height_mm[np.isfinite(height_mm)]
    if measured.size == 0:
        raise ReliefError(f"{name} holds no measured height at all, only NaN.")
    farthest = float(np.abs(measured).max())
    if farthest > FARTHEST_MM:
        raise ReliefError(
            f"The heights in {name} lie up to {farthest:.4g} mm from zero, where single precision no longer tells "
            "a texture. Take a level off them, or check that they are in mm, with NaN where nothing was measured."
        )
    span = float(measured.max()) - float(measured.min())
    if span > MAX_SPAN_MM:
        raise ReliefError(
            f"The heights in {name} span {span:.4g} mm, more than {MAX_SPAN_MM:g}. Heights in mm are needed, "
            "with NaN where nothing was measured."
        )
    return height_mm


# Writing


def tiff_bytes(array: np.ndarray, step_mm: float) -> bytes:
    """A (rows, columns) map as TIFF: deflate, its step as resolution (pixels per cm); float32 stays exact."""
    stream = io.BytesIO()
    per_cm = 10.0 / step_mm
    tifffile.imwrite(
        stream,
        np.ascontiguousarray(array),
        photometric="minisblack",
        compression="zlib",
        compressionargs={"level": 1 if array.dtype.kind == "f" else 6},  # heights hardly pack: 6 saves a hundredth
        resolution=(per_cm, per_cm),
        resolutionunit="CENTIMETER",
        metadata=None,
        software="texscan",
    )
    return stream.getvalue()


def png_bytes(pixels: np.ndarray) -> bytes:
    """A picture as PNG: (rows, columns) or (rows, columns, 3) RGB, uint8 or uint16."""
    done, packed = cv2.imencode(".png", _as_opencv(pixels))
    if not done:
        raise StorageError("A picture could not be packed as PNG.")
    return packed.tobytes()


def jpeg_bytes(pixels: np.ndarray, quality: int = 88) -> bytes:
    """A picture as JPEG: (rows, columns) or (rows, columns, 3) RGB, uint8; it carries no notes of the photo's."""
    done, packed = cv2.imencode(".jpg", _as_opencv(pixels), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise StorageError("A picture could not be packed as JPEG.")
    return packed.tobytes()


def _as_opencv(pixels: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR) if pixels.ndim == 3 else pixels


def json_bytes(data: object) -> bytes:
    """
    Strict JSON in the order given (dicts keep theirs): no NaN, no Infinity, floats to 6 significant digits.

    Records become objects, arrays lists. The same data give the same bytes.
    """
    return (json.dumps(_plain(data), indent=1, allow_nan=False, ensure_ascii=False) + "\n").encode("utf-8")


def _plain(data: object) -> object:
    if data is None or isinstance(data, bool | str):
        return data
    if isinstance(data, int | np.integer):
        return int(data)
    if isinstance(data, np.bool_):
        return bool(data)
    if isinstance(data, float | np.floating):
        number = float(data)
        return (
            float(f"{number:.{SIGNIFICANT_DIGITS}g}") + 0.0 if math.isfinite(number) else number
        )  # + 0.0: no "-0.0"
    if isinstance(data, np.ndarray):
        return _plain(data.tolist())
    if is_dataclass(data) and not isinstance(data, type):
        return _plain(asdict(data))
    if isinstance(data, dict):
        return {str(key): _plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(value) for value in data]
    raise TypeError(f"{type(data).__name__} has no place in a JSON result")


def write_result(folder: str | Path, contents: dict[str, bytes]) -> None:
    """
    Write the files of a result into `folder`, all of them or none.

    Parameters
    ----------
    folder : made with its parents if missing; other files in it are left alone
    contents : file name -> bytes; a name may hold sub-folders ("images/a.png") but may not leave the folder

    Raises
    ------
    StorageError
        Disk full, no permission, a file where the folder should be. What stood there before stands there still.
    """
    folder = Path(os.path.abspath(folder))
    names = {name: _inside(name) for name in contents}
    made: list[Path] = []
    try:
        if folder.exists() and not folder.is_dir():
            raise StorageError(f"{folder} is a file; a folder for the result is needed. Choose another --out.")
        made = _make_folders(folder)
        work = folder.parent / f".{folder.name}-{secrets.token_hex(4)}"
        if folder.parent == folder:
            raise StorageError(f"{folder} cannot take a result. Choose another --out.")
        try:
            for name, body in contents.items():
                _write_file(work / "new" / names[name], body)
            _move_in(work, folder, list(names.values()))
        finally:
            shutil.rmtree(work, ignore_errors=True)
        made = []
    except OSError as error:
        raise StorageError(
            f"The result cannot be written into {folder} ({error.strerror or error}). Nothing was changed. "
            "Make room or choose another --out."
        ) from error
    finally:
        with suppress(OSError):  # it may have vanished, or hold something by now
            for path in reversed(made):
                path.rmdir()


def write_new(path: str | Path, text: str, what: str) -> None:
    """
    Write a text file that is not there yet, its folder too if need be.

    Parameters
    ----------
    what : in words, for the sentence, such as "coats file".

    Raises
    ------
    SettingsError
        There is a file of that name: someone may have worked on it.
    StorageError
        Disk full, no permission, a file where the folder should be.
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = path.open("x", encoding="utf-8", newline="\n")
    except FileExistsError as error:
        raise SettingsError(
            f"{path} is there already and is not written over. Choose another name for the {what}, or delete it."
        ) from error
    except OSError as error:
        raise StorageError(
            f"The {what} {path} cannot be written ({error.strerror}). Choose another place."
        ) from error
    try:
        with file:
            file.write(text)
    except OSError as error:
        path.unlink(missing_ok=True)
        raise StorageError(f"The {what} {path} cannot be written ({error.strerror}). Make room.") from error


def _inside(name: str) -> Path:
    path = Path(name)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise ValueError(f"{name!r} leaves the result folder")
    return path


def _make_folders(folder: Path) -> list[Path]:
    """Make the folder and its missing parents; gives those that were made, outermost first."""
    missing = [p for p in (folder, *folder.parents) if not p.exists()][::-1]
    made: list[Path] = []
    try:
        for path in missing:
            path.mkdir()
            made.append(path)
    except OSError:
        for path in reversed(made):
            path.rmdir()
        raise
    return made


def _write_file(path: Path, body: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as stream:
        stream.write(body)
        stream.flush()
        os.fsync(stream.fileno())


def _move_in(work: Path, folder: Path, names: list[Path]) -> None:
    """Move work/new/* into the folder; what was there goes to work/old and comes back if one move fails."""
    moved: list[Path] = []
    kept: list[Path] = []
    made: list[Path] = []
    try:
        for name in names:
            target = folder / name
            made += _make_folders(target.parent)
            if target.exists() or target.is_symlink():
                (work / "old" / name).parent.mkdir(parents=True, exist_ok=True)
                os.replace(target, work / "old" / name)
                kept.append(name)
            os.replace(work / "new" / name, target)
            moved.append(name)
    except BaseException:
        for name in moved:
            (folder / name).unlink(missing_ok=True)
        for name in kept:
            os.replace(work / "old" / name, folder / name)
        for path in reversed(made):
            path.rmdir()
        raise
