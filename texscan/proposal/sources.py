"""Where a proposal's content comes from: results, survey, templates, each file read and checked."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from texscan import __version__, files
from texscan.coating import DEFAULT_COATS
from texscan.errors import InputError, SettingsError
from texscan.inputs import read_limits, read_survey
from texscan.proposal.content import Picture
from texscan.proposal.evidence_drawing import evidence_of
from texscan.proposal.material import Issue, Material, panels_of
from texscan.proposal.pictures import packed
from texscan.proposal.wording import Words, words_from_toml
from texscan.stored import read_patch
from texscan.survey.records import Survey
from texscan.survey.results import read_results

SHIPPED = Path(__file__).parent / "templates"
TEMPLATE_FILES = ("en.toml", "page.html", "page.css", "page.js")
FONT_FILES = {"regular.ttf": "SourceSansPro-Regular.ttf", "bold.ttf": "SourceSansPro-Semibold.ttf"}
LOGO_MM = 46.0


def read_material(out: Path, *, survey: Path | None, issue: Issue) -> Material:
    """
    Parameters
    ----------
    out : folder that `texscan batch` or `texscan score` wrote
    survey : survey.toml

    Raises
    ------
    InputError, StorageError
        With the sentence that says which file cannot be used.
    """
    noted = None if survey is None else read_survey(survey)
    outcomes = read_results(out, noted)
    evidence = {one.name: evidence_of(read_patch(out / one.deciding.folder)) for one in outcomes}
    return Material(
        panels=panels_of(outcomes, noted, evidence),
        survey=noted,
        issue=issue,
        limits=read_limits(None),
        version=__version__,
        logo=None if survey is None or noted is None else _logo(noted, survey),
        default_coats=DEFAULT_COATS,
    )


def _logo(survey: Survey, path: Path) -> Picture | None:
    if survey.looks.logo is None:
        return None
    place = path.parent / survey.looks.logo
    try:
        pixels = files.load_photo(place).pixels
    except InputError as error:
        raise SettingsError(f"{path.name}: the logo cannot be used: {error}") from error
    if pixels.dtype != "uint8":
        raise SettingsError(f"{path.name}: the logo {place.name} has 16 bits a channel; 8 are needed. Save it again.")
    return packed(pixels[..., :3], LOGO_MM, quality=95)


def read_words(templates: Path | None, *, language: str, units: str) -> Words:
    """
    The words of a language: the user's file, with the shipped English where it leaves a text out.

    Raises
    ------
    SettingsError : no such language file, or one that cannot be used.
    """
    shipped = words_from_toml(files.read_text(SHIPPED / "en.toml", "language file"), "en.toml")
    name = f"{language}.toml"
    if templates is not None and (templates / name).is_file():
        return Words(words_from_toml(files.read_text(templates / name, "language file"), name, shipped), units)
    if language != "en":
        where = "the shipped templates" if templates is None else str(templates)
        raise SettingsError(
            f"The survey asks for the language {language!r}, and {where} hold no {name}. Copy the templates with "
            "--write-templates, translate en.toml under that name, and name their folder with --templates."
        )
    return Words(shipped, units)


def read_template(templates: Path | None, name: str) -> str:
    """A file of the page's look: the user's, else the shipped one."""
    own = None if templates is None else templates / name
    return files.read_text(own if own is not None and own.is_file() else SHIPPED / name, "template")


def read_fonts(templates: Path | None) -> tuple[bytes, bytes]:
    """Regular and bold typeface: the user's, else the ones that the program brings along."""
    return tuple(_font(templates, name) for name in FONT_FILES)  # type: ignore[return-value]


def _font(templates: Path | None, name: str) -> bytes:
    own = None if templates is None else templates / name
    if own is not None and own.is_file():
        return files.read_bytes(own, "typeface")
    spec = find_spec("font_source_sans_pro")
    folder = Path(next(iter(spec.submodule_search_locations))) / "files"  # type: ignore[union-attr,arg-type]
    return files.read_bytes(folder / FONT_FILES[name], "typeface")


def template_files() -> dict[str, bytes]:
    """The shipped templates, to be copied and changed."""
    return {name: files.read_bytes(SHIPPED / name, "template") for name in TEMPLATE_FILES}
