"""From the picture of a plan to the body outline in true millimetres."""

__version__ = "0.1.0"
