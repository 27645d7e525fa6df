"""An outline as it was written, read again: outline.dxf, with what the record beside it says of it.

The body is one closed polyline of lines and arcs on the layer BODY, body frame (Autodesk DXF reference: LWPOLYLINE,
bulges; $INSUNITS 4 for millimetres, 1 for inches).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
from ezdxf.document import Drawing as Document

from calibration.errors import Refusal, UsageError
from calibration.flags import TABLE, Doubt, doubt
from calibration.frames import frozen_floats
from calibration.units import MM_PER_INCH
from digitize.arcs import sampled
from digitize.shapes import ArcPath

OUTLINE_FILE = "outline.dxf"
RECORD_FILE = "record.json"
BODY_LAYER = "BODY"
MM_OF_INSUNITS = {4: 1.0, 1: MM_PER_INCH, 5: 10.0, 6: 1000.0}
LEAST_PIECE_MM = 1e-9
SAMPLED_MM = 1.0  # for the length of a body


@dataclass(frozen=True, eq=False)
class OutlineFile:
    """A body outline from a file. Body frame, mm."""

    path: ArcPath  # closed
    name: str  # of the file, without its folder
    sha256: str
    u95_mm: float | None  # as its record claims; None where no record speaks of this very file
    doubts: tuple[Doubt, ...]

    @property
    def length_mm(self) -> float:
        """How long the body is."""
        return float(np.ptp(sampled(self.path, SAMPLED_MM)[:, 1]))


def load_outline(path: Path) -> OutlineFile:
    """Return the outline of an ``outline.dxf``, or of a ``record.json`` with its outline.dxf beside it.

    Raises:
        UsageError: ``no-such-file`` or ``not-an-outline``.
        Refusal: ``outline-refused`` when the record says that no outline was found.
    """
    if not path.is_file():
        raise UsageError("no-such-file", file=path)
    drawing = path.with_name(OUTLINE_FILE) if path.suffix.lower() == ".json" else path
    record_path = path if path.suffix.lower() == ".json" else path.with_name(RECORD_FILE)
    record = _record(record_path, must=record_path == path)
    if record is not None and record_path == path and record.get("verdict") == "refused":
        raise Refusal("outline-refused", file=path.name)
    if not drawing.is_file():
        raise UsageError("no-such-file", file=drawing)
    sha256 = hashlib.sha256(drawing.read_bytes()).hexdigest()
    body = _read(drawing)
    u95_mm, doubts = _claim(record, drawing.name, sha256)
    return OutlineFile(body, drawing.name, sha256, u95_mm, doubts)


def _record(path: Path, *, must: bool) -> dict[str, Any] | None:
    """Return a record's content; None where there is none and none is needed.

    Raises:
        UsageError: ``not-an-outline``.
    """
    if not must and not path.is_file():
        return None
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError) as fault:
        if not must:
            return None
        raise UsageError("not-an-outline", file=path.name, why="it is no readable record") from fault
    if not isinstance(record, dict) or "verdict" not in record:
        if not must:
            return None
        raise UsageError("not-an-outline", file=path.name, why="it is no record of an outline")
    return record


def _claim(record: dict[str, Any] | None, name: str, sha256: str) -> tuple[float | None, tuple[Doubt, ...]]:
    """Return what the record claims of this very file, and the doubts that follow."""
    if record is None:
        return None, (doubt("outline-unproven", file=name),)
    if (record.get("files") or {}).get(name) != sha256:
        return None, (doubt("outline-changed", file=name),)
    every = [str(reason["code"]) for reason in record.get("reasons", [])]
    codes = [code for code in every if _to_look_at(code)] or every
    told = (doubt("outline-unsettled", codes=", ".join(codes)),) if record["verdict"] == "look" else ()
    return float(record["outline"]["u95_mm"]), told


def _to_look_at(code: str) -> bool:
    """Whether a record's doubt asks for eyes or a decision; one that this version does not know may do."""
    return code not in TABLE or TABLE[code][0] != "note"


def _read(path: Path) -> ArcPath:
    """Return the one closed polyline on the layer BODY, mm.

    Raises:
        UsageError: ``not-an-outline``.
    """
    try:
        document = ezdxf.readfile(path)
    except (OSError, ezdxf.DXFError, UnicodeDecodeError, ValueError) as fault:
        raise UsageError("not-an-outline", file=path.name, why=f"it is no readable DXF ({fault})") from fault
    lines = [one for one in document.modelspace().query("LWPOLYLINE") if one.dxf.layer.upper() == BODY_LAYER]
    if len(lines) != 1 or not lines[0].closed:
        why = f"its layer {BODY_LAYER} holds {len(lines)} polylines, and one closed one is needed"
        raise UsageError("not-an-outline", file=path.name, why=why)
    rows = np.array(lines[0].get_points("xyb"), dtype=np.float64).reshape(-1, 3)
    xy = rows[:, :2] * _mm_per_unit(document, path)
    kept = np.hypot(*(np.roll(xy, -1, axis=0) - xy).T) > LEAST_PIECE_MM
    if kept.sum() < 2 or not np.isfinite(rows).all():
        raise UsageError("not-an-outline", file=path.name, why="its body is no closed curve")
    return ArcPath(frozen_floats(xy[kept]), frozen_floats(rows[kept, 2]), True)


def _mm_per_unit(document: Document, path: Path) -> float:
    """Return the millimetres of a drawing unit.

    Raises:
        UsageError: ``not-an-outline`` when the file does not say what its unit is.
    """
    unit = int(document.header.get("$INSUNITS", 0))
    if unit not in MM_OF_INSUNITS:
        why = "it does not say whether its unit is mm or inches ($INSUNITS)"
        raise UsageError("not-an-outline", file=path.name, why=why)
    return MM_OF_INSUNITS[unit]
