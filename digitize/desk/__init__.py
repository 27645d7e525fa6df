"""The desk: a local page where a person sees what a run found, corrects it and finishes.

``serve`` is its server, ``work`` the process of one run. Nothing here is imported before ``boutline desk`` runs.
"""
