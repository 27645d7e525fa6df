"""Photo to sheet: where the paper ends on the table, what is straight on it, and even light."""

from digitize.sheet.find import find_sheet
from digitize.sheet.light import flat_light
from digitize.sheet.sharp import sharpness_of

__all__ = ["find_sheet", "flat_light", "sharpness_of"]
