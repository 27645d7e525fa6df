"""One writer per format; each re-reads and re-measures what it wrote before it returns.

Every writer is imported from its own file, so that none loads the library of another.
"""
