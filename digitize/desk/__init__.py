"""The desk: a local page where a person sees what a run found, corrects it and finishes.

Nothing here is imported before ``boutline desk`` runs.
"""

from digitize.desk.serve import run_desk

__all__ = ["run_desk"]
