"""The command line: reads the call, runs the pipeline, prints the product and nothing else."""

from digitize.cli.app import main

__all__ = ["main"]
