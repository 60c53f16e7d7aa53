"""What texscan does with each kind of file, in process: from bytes on disk to the records of a command."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from texscan.errors import InputError, StorageError

GOOD, REFUSED, NO_STORAGE, FAULT = "read", "refused", "no storage", "fault"


@dataclass(frozen=True, slots=True)
class Ending:
    """How one input ended: one of the four words, and the sentence or the traceback."""

    how: str
    words: str = ""


def end_of(read: Callable[[Path], object], path: Path) -> Ending:
    """
    Read a file and say how it ended. A warning is a fault: it would reach the user beside the sentence.
    """
    import traceback

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            read(path)
    except InputError as error:
        fault = sentence_fault(str(error))
        return Ending(FAULT, f"{fault}: {str(error)[:300]!r}") if fault else Ending(REFUSED, str(error))
    except StorageError as error:
        return Ending(NO_STORAGE, str(error))
    except Exception:
        return Ending(FAULT, traceback.format_exc())
    return Ending(GOOD)


def sentence_fault(sentence: str) -> str:
    """What is wrong with a refusal as a sentence for one line of a terminal; empty if nothing is."""
    if len(sentence.splitlines()) != 1:
        return "a refusal of more than one line"
    if not sentence.rstrip("'\")").endswith((".", "?")):
        return "a refusal that is no whole sentence"
    if len(sentence) > 1500:
        return f"a refusal of {len(sentence)} letters"
    if not sentence.isprintable():
        return "a refusal with letters that a terminal obeys or cannot print"
    return ""


def readers(folder: Path) -> dict[str, Callable[[Path], object]]:
    """A reader for each kind of `originals`; the folder holds the small boat."""
    from texscan import files, inputs
    from texscan.card import read_card
    from texscan.condition_map import conditions_from_tiff
    from texscan.plan.programme_job import read_forecast

    return {
        "photo": lambda path: files.load_photo(path, long_side_px=64 if path.stat().st_size % 2 else None),
        "mask": files.load_mask,
        "heights": lambda path: files.load_heights(path, 0.25),
        "x3p": files.load_heights,
        "conditions": lambda path: conditions_from_tiff(path.read_bytes(), path.name),
        "card": read_card,
        "survey": inputs.read_survey,
        "coats": lambda path: _written(inputs.read_coats(path)),
        "limits": inputs.read_limits,
        "rates": _rates,
        "forecast": lambda path: _forecast(read_forecast(path)),
        "score": lambda path: _score(path, folder),
        "run": lambda path: _run(path, folder),
    }


def _written(coats: tuple) -> None:
    """Coats go into a file again, and are described."""
    from texscan.coats import coats_from_toml, describe, to_toml

    describe(coats)
    coats_from_toml(to_toml(coats), "again")


def _rates(path: Path) -> None:
    """As `read_job` reads them."""
    from texscan.plan.job import read_materials, read_rates
    from texscan.plan.materials import with_users
    from texscan.plan.quantities import Means
    from texscan.plan.yard import PASSES, yard_from_tables

    given = read_rates(path)
    means = Means(with_users(read_materials(), given.materials, "materials"), given, 80)
    yard_from_tables(given.of_programme, path.name, paces=given.paces,
                     passes={name: means[name] for name in PASSES}, fitting_h=given.h_per_fitting)  # fmt: skip


def _forecast(forecast) -> None:
    from texscan.plan.weather import passing

    passing(forecast, None)
    forecast.dew_c.max()


def _score(path: Path, folder: Path) -> None:
    """A result folder with this score.json among whole maps: explained, listed, put together, used as reference."""
    import shutil

    from texscan import inputs, stored
    from texscan.explain import explained
    from texscan.scored_patch import zone_map_of
    from texscan.survey.results import read_results

    result = path.parent / "result"
    whole = folder / "out" / "lane"
    if not result.exists():
        shutil.copytree(whole, result)
    (result / "score.json").write_bytes(path.read_bytes())
    asked = (
        lambda: explained(inputs.read_score(result), name="score.json"),
        lambda: read_results(result, None),
        lambda: zone_map_of(stored.read_patch(result)),
        lambda: inputs.read_test_patch(result, whole),
    )
    _all_asked(asked)


def _run(path: Path, folder: Path) -> None:
    """run.json beside the results that it may or may not name."""
    import shutil

    from texscan.survey.results import read_results

    out = path.parent / "boat"
    if not out.exists():
        shutil.copytree(folder / "out", out)
    (out / "run.json").write_bytes(path.read_bytes())
    read_results(out, None)


def _all_asked(asked: tuple[Callable[[], object], ...]) -> None:
    """Every question is asked, though an earlier one was refused; then the first refusal counts."""
    refused = None
    for ask in asked:
        try:
            ask()
        except InputError as error:
            if sentence_fault(str(error)):
                raise
            refused = refused or error
    if refused:
        raise refused
