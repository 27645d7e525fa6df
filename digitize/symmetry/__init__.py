"""Centerline, halves and the gap between them; the only way from the sheet to the body frame."""

from digitize.symmetry.audit import JudgedHalves, audit_halves, squared
from digitize.symmetry.place import place_body

__all__ = ["JudgedHalves", "audit_halves", "place_body", "squared"]
