"""One writer per format; each re-reads and re-measures what it wrote before it returns."""
