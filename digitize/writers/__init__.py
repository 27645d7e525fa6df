"""One writer per format; each re-reads and re-measures what it wrote before it returns."""

from digitize.writers.dxf import write_dxf
from digitize.writers.pdf import write_pdf
from digitize.writers.record import write_record
from digitize.writers.svg import write_svg

__all__ = ["write_dxf", "write_pdf", "write_record", "write_svg"]
