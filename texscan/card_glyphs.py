"""Digits and letters as strokes: the few words on the card's face look the same on paper and in the picture."""

from __future__ import annotations

import numpy as np

CAP_UNITS = 6  # a capital is 6 units tall and 4 wide, strokes run through unit points
ADVANCE_UNITS = 5.6  # from one glyph to the next

# Each glyph: strokes separated by spaces; a stroke is a row of points, two digits each (x 0 to 4, y 0 to 6).
GLYPHS = {
    "0": "103041453616050110",
    "1": "051626 2620 1030",
    "2": "05163645440040",
    "3": "05163645443323 33424130100101",
    "4": "3036014141 0141",
    "5": "46060313334241301001",
    "6": "4536160501103041423303",
    "7": "06464310",
    "8": "13040516364544331302011030414233",
    "9": "0110304145361605041343",
    "A": "002640 1232",
    "B": "000636454433033342413000",
    "C": "4536160501103041",
    "D": "00062644422000",
    "E": "40000646 0333",
    "F": "000646 0333",
    "G": "4536160501103041432343",
    "H": "0006 4046 0343",
    "L": "060040",
    "M": "0006234640",
    "N": "00064046",
    "O": "103041453616050110",
    "P": "00063645443303",
    "R": "00063645443303 2340",
    "S": "453616050413334241301001",
    "T": "0646 2620",
    "U": "060110304146",
    "X": "0046 0640",
    "Y": "062346 2320",
    "m": "0400 03142320 23344340",
    " ": "",
}


def text_width_mm(text: str, cap_mm: float) -> float:
    """Width of a line of text from its first stroke to its last [mm]."""
    return (ADVANCE_UNITS * len(text) - (ADVANCE_UNITS - 4)) * cap_mm / CAP_UNITS


def text_strokes(text: str, left_mm: float, base_mm: float, cap_mm: float) -> list[np.ndarray]:
    """
    Strokes of a line of text.

    Parameters
    ----------
    text : digits, letters of the table and spaces; anything else is a KeyError.
    left_mm, base_mm : lower left corner of the first glyph [mm].
    cap_mm : height of a capital [mm].

    Returns
    -------
    strokes : list of (n, 2) arrays [mm]
    """
    unit = cap_mm / CAP_UNITS
    strokes = []
    for place, letter in enumerate(text):
        for stroke in GLYPHS[letter].split():
            points = np.array([int(digit) for digit in stroke], dtype=float).reshape(-1, 2)
            strokes.append(points * unit + [left_mm + place * ADVANCE_UNITS * unit, base_mm])
    return strokes
