"""The report: numbers, pictures and doubts on one self-contained page, and the overlay on the scan."""

from digitize.report.context import ReportContext, carry_over
from digitize.report.overlay import write_overlay
from digitize.report.page import write_report

__all__ = ["ReportContext", "carry_over", "write_overlay", "write_report"]
