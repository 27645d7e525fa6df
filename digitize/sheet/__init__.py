"""Photo to sheet: where the paper ends on the table, what is straight on it, and even light."""

from digitize.sheet.find import find_sheet
from digitize.sheet.light import flat_light

__all__ = ["find_sheet", "flat_light"]
