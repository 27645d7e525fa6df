"""Centerline, halves and the gap between them; the only way from the sheet to the body frame."""

from digitize.symmetry.place import place_body

__all__ = ["place_body"]
