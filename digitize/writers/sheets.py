"""Paper sizes in mm: the ISO 216 A series, and the US office and architectural sheets (ASME Y14.1 and trade)."""

from __future__ import annotations

from calibration.errors import UsageError
from calibration.units import MM_PER_INCH, Unit

Size = tuple[float, float]  # short side, long side, mm

ISO_MM: dict[str, Size] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "A2": (420.0, 594.0),
    "A1": (594.0, 841.0),
    "A0": (841.0, 1189.0),
}
_US_IN: dict[str, Size] = {
    "Letter": (8.5, 11.0),
    "Tabloid": (11.0, 17.0),
    "Arch-C": (18.0, 24.0),
    "Arch-D": (24.0, 36.0),
    "Arch-E": (36.0, 48.0),
}
US_MM: dict[str, Size] = {name: (w * MM_PER_INCH, h * MM_PER_INCH) for name, (w, h) in _US_IN.items()}
SHEETS_MM: dict[str, Size] = {**ISO_MM, **US_MM}
FIT = "fit"


def candidates(page: str, unit: Unit, file: str, key: str = "page", besides: tuple[str, ...] = ()) -> list[str]:
    """Return the sheets that may be used: the one named, or for ``fit`` those of the unit's family, smallest first.

    A complaint calls the choice ``key`` and names what is known ``besides``.

    Raises:
        UsageError: ``bad-value`` when the sheet is unknown.
    """
    known = {name.lower(): name for name in SHEETS_MM}
    if page.lower() in known:
        return [known[page.lower()]]
    if page.lower() == FIT:
        return list(US_MM if unit == "in" else ISO_MM)
    need = f"one of {', '.join([*SHEETS_MM, *besides])} or {FIT}"
    raise UsageError("bad-value", file=file, key=key, got=f"'{page}'", need=need)
