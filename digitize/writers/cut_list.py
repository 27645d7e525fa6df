"""The cut list as a table for people and spreadsheets: CSV (RFC 4180), UTF-8, one row a part."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from calibration.errors import Refusal


def write_cut_list(rows: Sequence[Mapping[str, str]], path: Path) -> None:
    """Write rows of the same columns, their names first, and read them again.

    Raises:
        ValueError: there are no rows.
        Refusal: ``file-check`` when the file does not hold what was written.
    """
    if not rows:
        raise ValueError("a cut list without parts")
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    with path.open(encoding="utf-8", newline="") as file:
        if list(csv.DictReader(file)) != [dict(row) for row in rows]:
            raise Refusal("file-check", file=path.name, why="its rows differ")
