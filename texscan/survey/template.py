"""An empty survey.toml with a word on each entry."""

from __future__ import annotations

import json

from texscan.cautions import OF_OPTION
from texscan.compatibility import EXISTING, PLANNED, SEEN
from texscan.survey.records import Patch, SurveyPanel

HEAD = """\
# Survey of a boat's non-skid. Lengths in metres, areas in square metres.
# Lines that start with # and a letter or bracket are entries to use: delete the #, and that of the heading
# in brackets above them. The others are words to you.
# Leave out what you do not know. Names of files and folders are relative to this file, with / between folders.

#surveyor = "your name"
#surveyed_on = 2026-05-16
#weather = "dry, 17 degrees, overcast"
#units = "metric"  # or "imperial": how areas and volumes are printed; this file stays metric
#printed_bar_mm = 100.0  # the card's bar of 100 mm, measured with a ruler
#coats = "coats.toml"  # the planned coats; 'texscan coats' writes such a file
#notes = "what else matters"

[boat]
name = ""  # needed
#kind = "sloop"
#length_m = 11.0
#place = "the yard, hall 2"
#ashore = true

#[owner]
#name = "owner's name"
#address = ["street and number", "town"]
#contact = "telephone or mail"

#[yard]
#name = "yard's name"
#address = ["street and number", "town"]
#contact = "telephone or mail"

# What stands on the proposal.
#[looks]
#logo = "logo.png"
#accent = "#1b6f8a"
#paper = "a4"  # or "letter"
#language = "en"

# Who works, and when.
#[crew]
#people = 2
#day_starts = "08:00"
#hours_a_day = 8.0
#days_off = ["saturday", "sunday"]
#closed = [2026-05-25]  # holidays
#first_day = 2026-05-18  # when the work may start
#last_day = 2026-06-12  # when it must be done

# What lies under the panels on the deck plan.
#[deck_plan]
#outline_m = [[0.0, -1.2], [5.0, -1.7], [11.0, 0.0], [5.0, 1.7], [0.0, 1.2]]  # edge of the deck
# A picture, for panels with outline_px; where its bow is: right, left, up, down.
#picture = "deck.png"
#metres_per_px = 0.005
#bow = "right"
"""

PANEL_ENTRIES = f"""\
#tag = 3  # number of the printed tag in its photos; then photos may be left out
# Its size: area_m2, or the two sides of a rectangle, or an outline.
#area_m2 = 2.4
#sides_m = [2.0, 1.2]  # instead of area_m2
#perimeter_m = 6.4  # for the tape
# Corners in order around the panel: x forward from the transom, y to port from the middle line.
#outline_m = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.2], [0.0, 1.2]]
# The same as pixels of the [deck_plan] picture: x to the right, y down. Instead of outline_m.
#outline_px = [[410, 220], [810, 220], [810, 460], [410, 460]]
#existing = "gelcoat"  # {", ".join(EXISTING)}
#planned = "two-part"  # {", ".join(PLANNED)}
#hours_since_coat = 30  # only where the film is days old
# A rag wet with reducer, covered, on the old film. Seen: {", ".join(SEEN)}.
#rag_test = {{ reducer = "two-part", minutes = 10, seen = "unharmed" }}
#adhesion = {{ method = "cross-cut and tape, ISO 2409", outcome = "holds", note = "" }}  # or "fails"
#lead = {{ method = "swab", outcome = "none found" }}  # or "found"
#soft_spots = "0.3 by 0.2 m at the stanchion"  # anything here: repair first
#cracks = "two hairlines at the hatch corner"  # anything here: repair first
#fittings = ["hatch", "two cleats"]  # to come off
#coats = "coats-lid.toml"  # where other coats are planned than above
#reference = true  # this panel shows what sound looks like on this boat (one panel only)
#history = "painted in 2015"
#notes = "wet until noon"
# The owner's choice, where it is not what is recommended:
# {", ".join(list(OF_OPTION)[:3])},
# {", ".join(list(OF_OPTION)[3:])}.
#chosen = "sand-flat-and-retexture"
"""

EXAMPLE = (
    SurveyPanel("foredeck", photos=("foredeck/*.jpg",)),
    SurveyPanel(
        "side deck",
        patches=(
            Patch("worst", ("side-deck/worst/*.jpg",), share_of_area=0.3),
            Patch("typical", ("side-deck/typical/*.jpg",), share_of_area=0.7),
        ),
    ),
)
PANELS_HEAD = "# Panels, one [[panel]] each: a name of its own, and its photos.\n"


def survey_template(panels: tuple[SurveyPanel, ...]) -> str:
    """
    The text of a survey.toml that `survey_from_toml` reads once the boat has a name.

    Parameters
    ----------
    panels : names and photos, as found; none = two examples, as entries to use.
    """
    lines = "\n".join(_panel(panel, full=n == 0) for n, panel in enumerate(panels or EXAMPLE)).splitlines()
    if not panels:
        lines = [line if line.startswith("#") or not line else f"#{line}" for line in lines]
    return "\n".join([HEAD, PANELS_HEAD, *lines, ""])


def _panel(panel: SurveyPanel, *, full: bool) -> str:
    lines = ["[[panel]]", f"name = {_text(panel.name)}"]
    if panel.photos:
        lines.append(f"photos = {_texts(panel.photos)}")
        lines += [
            '#ambient = "torch-off.jpg"  # a photo with the torch off',
            '#mask = "mask.png"  # white where not to look',
        ]
    if full:
        lines += [*PANEL_ENTRIES.splitlines()]
    else:
        lines += ["# Its entries as above.", "#area_m2 = 2.4", '#existing = "gelcoat"', '#planned = "two-part"']
    for patch in panel.patches:
        lines += ["", *_patch(patch)]
    return "\n".join(lines) + "\n"


def _patch(patch: Patch) -> list[str]:
    share = "#share_of_area = 0.5" if patch.share_of_area is None else f"share_of_area = {patch.share_of_area:g}"
    return [
        "[[panel.patch]]",
        f"name = {_text(patch.name)}",
        f"photos = {_texts(patch.photos)}",
        f"{share}  # of the panel; all patches of a panel have one, or none",
        '#ambient = "torch-off.jpg"  # a photo with the torch off',
        '#mask = "mask.png"  # white where not to look',
    ]


def _text(text: str) -> str:
    """A basic string of TOML; those of JSON are a part of them, but for one control character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _texts(texts: tuple[str, ...]) -> str:
    return f"[{', '.join(_text(text) for text in texts)}]"
