"""Single-stroke lettering, as a draftsman's stencil cuts it; needs no font on the machine."""

from __future__ import annotations

import numpy as np

from calibration.frames import FloatArray

# Pen strokes on a grid 4 wide and 6 high: digit pairs are points, a blank lifts the pen.
GLYPHS = {
    "A": "002640 1232", "B": "0006 063645443303 3342413000", "C": "4536160501103041", "D": "00062644422000",
    "E": "46060040 0333", "F": "460600 0333", "G": "45361605011030414323", "H": "0006 4046 0343",
    "I": "1030 1636 2026", "J": "4641301001", "K": "0006 460340", "L": "060040", "M": "0006234640",
    "N": "00064046", "O": "103041453616050110", "P": "00063645443303", "Q": "103041453616050110 2240",
    "R": "00063645443303 2340", "S": "453616050413334241301001", "T": "0646 2026", "U": "060110304146",
    "V": "062046", "W": "0610233046", "X": "0046 0640", "Y": "062346 2320", "Z": "06460040",
    "0": "103041453616050110", "1": "152620 1030", "2": "05163645440040", "3": "0516364544334241301001 2333",
    "4": "30360242", "5": "460603334241301001", "6": "4536160501103041423303", "7": "064610",
    "8": "13040516364544331302011030414233", "9": "0110304145361605041343",
    ".": "2021", ",": "2110", "-": "1333", "/": "0046", ":": "2122 2425", "'": "2624", '"': "1614 3634",
    "(": "36242230", ")": "16242210", "=": "1232 1434", "+": "1333 2224", " ": "",
}
ADVANCE = 6.0  # grid units from one letter to the next
CAP = 6.0  # grid units of a capital's height


def text_width(text: str, height_mm: float) -> float:
    """Return the width of ``text`` in mm, without the gap after its last letter."""
    return (len(text) * ADVANCE - 2.0) * height_mm / CAP


def letter_strokes(
    text: str, at: tuple[float, float], height_mm: float, angle_deg: float = 0.0, middle: bool = False
) -> list[FloatArray]:
    """Return the pen strokes of ``text`` in mm.

    Args:
        text: letters; small letters are drawn as capitals.
        at: lower left end of the text, mm; the lower middle with ``middle``.
        height_mm: height of a capital.
        angle_deg: direction of writing, counter-clockwise from +x.
        middle: centre the text on ``at``.

    Raises:
        KeyError: a letter that the stencil does not hold.
    """
    turn = np.radians(angle_deg)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) * (height_mm / CAP)
    start = -text_width(text, height_mm) / 2 * CAP / height_mm if middle else 0.0
    strokes = []
    for place, letter in enumerate(text.upper()):
        for stroke in GLYPHS[letter].split():
            grid = np.array([[int(stroke[i]), int(stroke[i + 1])] for i in range(0, len(stroke), 2)], dtype=float)
            grid[:, 0] += start + place * ADVANCE
            strokes.append(grid @ matrix + at)
    return strokes
