"""HEIC as phones write it: HEVC-coded pictures, which libvips's own build opens but does not decode.

libheif turns and mirrors by the boxes irot and imir (ISO/IEC 23008-12, 6.5.10 and 6.5.12), and both libraries use
it; the orientation tag that phones write beside them says the same once more and is not to be applied.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

from calibration.errors import Refusal

# Top-level boxes of a picture file (ISO/IEC 14496-12). What follows others may be anything that a phone appended.
KNOWN_BOXES = (b"ftyp", b"meta", b"mdat", b"idat", b"free", b"skip", b"moov", b"uuid")
BOX_HEAD_BYTES = 8
LONG_BOX_HEAD_BYTES = 16


def refuse_cut_off(path: Path) -> None:
    """Refuse a file whose boxes reach beyond its end; decoders give grey tiles for what is missing.

    Raises:
        Refusal: ``truncated``.
    """
    size, at = path.stat().st_size, 0
    with path.open("rb") as stream:
        if stream.read(BOX_HEAD_BYTES)[4:] != b"ftyp":  # no picture of this kind
            return
        while at + BOX_HEAD_BYTES <= size:
            stream.seek(at)
            length, kind = _box(stream.read(LONG_BOX_HEAD_BYTES))
            if kind not in KNOWN_BOXES or length == 0:  # 0: to the end of the file
                return
            at += length
            if at > size:
                raise Refusal("truncated", file=path.name)


def _box(head: bytes) -> tuple[int, bytes]:
    """Return a box's length, 0 where it is not to be followed, and its kind."""
    length, kind = struct.unpack(">I4s", head[:BOX_HEAD_BYTES])
    if length == 1 and len(head) == LONG_BOX_HEAD_BYTES:
        length = struct.unpack(">Q", head[BOX_HEAD_BYTES:])[0]
    return (length if length >= BOX_HEAD_BYTES else 0), kind


def decode_hevc(path: Path, page: int) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Return the pixels (H, W) or (H, W, bands) of one picture of the file, upright; page 1 is its main one.

    More than 8 bits are brought to 8, except without colour, which come in 16.

    Raises:
        Refusal: ``unreadable`` or ``truncated``.
    """
    import pillow_heif  # only a HEIC needs it

    try:
        heif = pillow_heif.open_heif(path, convert_hdr_to_8bit=True)
        order = [heif.primary_index, *(at for at in range(len(heif)) if at != heif.primary_index)]
        return np.ascontiguousarray(heif[order[page - 1]])
    except (ValueError, EOFError, OSError, RuntimeError, SyntaxError, IndexError) as fault:
        said = str(fault).replace(str(path), path.name).strip() or "the decoder gave no reason"
        if "end of file" in said.lower() or "insufficient" in said.lower():
            raise Refusal("truncated", file=path.name) from fault
        raise Refusal("unreadable", file=path.name, why=said) from fault
