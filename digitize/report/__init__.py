"""The report: numbers, pictures and doubts on one self-contained page, and the overlay on the scan.

Every page is imported from its own file, so that none loads what another needs.
"""
