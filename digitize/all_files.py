"""All that writes an outline's files, in one place to load it from: slow to load, and needed last."""

from digitize.report.overlay import write_overlay
from digitize.report.page import write_report
from digitize.writers.dxf import write_dxf
from digitize.writers.pdf import write_pdf
from digitize.writers.svg import write_svg

__all__ = ["write_dxf", "write_overlay", "write_pdf", "write_report", "write_svg"]
