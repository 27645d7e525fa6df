"""Shots of a chessboard -> the lens that took them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calibration.chessboard import LEAST_SHOTS, BoardShot, MeasuredLens, measure_lens
from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt, doubt
from calibration.frames import PxPoints
from calibration.known_lens import turned_clockwise
from calibration.solve import FailedFit
from calibration.units import parse_length
from digitize.board import board_mm, find_board
from digitize.read import read_picture
from digitize.shapes import Picture
from digitize.traced import Clock

LEAST_CORNERS, MOST_CORNERS = 3, 100  # each way
SIZE = re.compile(r"\s*(\d{1,3})\s*[x×,]\s*(\d{1,3})\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Board:
    """A chessboard: inner corners each way and the side of a square."""

    across: int
    down: int
    square_mm: float

    @classmethod
    def told(cls, corners: str, square: str) -> Board:
        """Return the board that a person described, such as ``9x6`` and ``25 mm``.

        Raises:
            UsageError: ``bad-board`` or ``bad-length``.
        """
        found = SIZE.fullmatch(corners)
        counts = [int(count) for count in found.groups()] if found else [0, 0]
        # a board of as many corners each way may be seen any way round, and its own shape could not be told
        if not all(LEAST_CORNERS <= count <= MOST_CORNERS for count in counts) or counts[0] == counts[1]:
            raise UsageError("bad-board", got=corners)
        return cls(counts[0], counts[1], parse_length(square))


@dataclass(frozen=True, eq=False)
class ShotLens:
    """The lens, and what was taken of each shot."""

    found: MeasuredLens
    way_known: bool  # the numbers are for pictures as the camera stored them
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, eq=False)
class _Shot:
    """One shot with its board, upright."""

    name: str
    sha256: str
    size_px: tuple[int, int]
    quarters: int | None
    corners: PxPoints | None


def lens_of_shots(paths: Sequence[Path], board: Board, clock: Clock) -> ShotLens:
    """Read the shots, find the board in each and return the lens.

    Raises:
        UsageError: ``no-such-file``.
        Refusal: a shot cannot be read; ``lens-sizes``, ``lens-few-boards``, ``lens-residual`` or ``lens-open``.
    """
    with clock("read"):
        every = [_shot(path, board) for path in paths]
    shots, same = _each_once(every)
    usable = [shot for shot in shots if shot.corners is not None]
    without = [shot.name for shot in shots if shot.corners is None]
    if len(usable) < LEAST_SHOTS:
        facts = {"found": len(usable), "shots": len(shots), "least": LEAST_SHOTS}
        raise Refusal("lens-few-boards", **facts, without=", ".join(without) or "none")
    way_known = all(shot.quarters is not None for shot in usable)
    stored = [_as_stored(shot) for shot in usable] if way_known else usable
    size_px = _one_size(stored)
    with clock("solve"):
        at_mm = board_mm(board.across, board.down, board.square_mm)
        boards = [BoardShot(shot.name, shot.corners, at_mm) for shot in stored if shot.corners is not None]
        found = measure_lens(boards, size_px)
    if isinstance(found, FailedFit):
        raise Refusal(found.code, **found.facts)
    left_out = [doubt("lens-shot-left-out", file=name) for name in without]
    return ShotLens(found, way_known, (*same, *left_out, *found.doubts))


def _shot(path: Path, board: Board) -> _Shot:
    picture: Picture = read_picture(path, captured="photo", plan=False)
    height, width = picture.grey.shape
    corners = find_board(picture, board.across, board.down)
    return _Shot(path.name, picture.sha256, (width, height), picture.quarters, corners)


def _each_once(shots: Sequence[_Shot]) -> tuple[list[_Shot], list[Doubt]]:
    """Return the shots without those whose file was given before: they would make the lens look more certain."""
    kept: dict[str, _Shot] = {}
    doubts = []
    for shot in shots:
        if shot.sha256 in kept:
            doubts.append(doubt("lens-same-shot", file=shot.name, other=kept[shot.sha256].name))
        else:
            kept[shot.sha256] = shot
    return list(kept.values()), doubts


def _as_stored(shot: _Shot) -> _Shot:
    """Return the shot as its camera stored it, turned back from upright."""
    back = -(shot.quarters or 0) % 4
    size_px = shot.size_px[::-1] if back % 2 else shot.size_px
    corners = None if shot.corners is None else PxPoints(turned_clockwise(shot.corners.xy, shot.size_px, back))
    return replace(shot, size_px=size_px, corners=corners)


def _one_size(shots: Sequence[_Shot]) -> tuple[int, int]:
    """Return the size of all shots.

    Raises:
        Refusal: ``lens-sizes`` when they differ.
    """
    sizes = Counter(shot.size_px for shot in shots)
    if len(sizes) > 1:
        told = []
        for (width, height), count in sizes.most_common():
            names = [shot.name for shot in shots if shot.size_px == (width, height)]
            told.append(f"{width} x {height} ({names[0] if count == 1 else f'{count} shots, {names[0]} among them'})")
        raise Refusal("lens-sizes", sizes=", ".join(told))
    return next(iter(sizes))
