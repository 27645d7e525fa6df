"""Shots of a printed chessboard by a made camera: grey pictures as files, with everything true of them known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from calibration.frames import FloatArray
from tests.maker.camera import Camera, looking, undistorted

ACROSS, DOWN, SQUARE_MM = 9, 6, 25.0
RIM_MM = 15.0  # of light paper round the squares
DARK, LIGHT, TABLE = 30.0, 225.0, 120.0
SAMPLES = 2  # each way in a pixel
BLUR_PX = 0.6
NOISE = 2.0  # grey values, 1 sigma
ORIENTATION, EXIF_IFD, EXPOSURE_TIME = 0x0112, 0x8769, 0x829A


def poses(camera: Camera, count: int, seed: int) -> list[Camera]:
    """Return the camera in places round a board whose inner corners' middle is the world's origin.

    Tilted by 18 to 35 degrees to all sides, the board's middle all over the picture but whole in it.
    """
    rng = np.random.default_rng(seed)
    half = np.array([(ACROSS + 1) / 2, (DOWN + 1) / 2]) * SQUARE_MM + RIM_MM
    rim = np.column_stack([np.array([[1, 1], [1, -1], [-1, -1], [-1, 1]]) * half, np.zeros(4)])
    found: list[Camera] = []
    while len(found) < count:
        rotation = looking(rng.uniform(-20, 20), rng.uniform(18, 35), 360.0 * len(found) / count)
        shift = np.array([rng.uniform(-70, 70), rng.uniform(-50, 50), rng.uniform(330, 430)])
        one = replace(camera, rotation=rotation, shift_mm=shift)
        seen = one.project(rim)
        if np.all(seen > 3.0) and np.all(seen < np.array(camera.size_px) - 4.0):
            found.append(one)
    return found


def _grey(places_mm: FloatArray) -> FloatArray:
    """Return (N,) the tone of (N, 2) places of board and table."""
    wide, high = (ACROSS + 1) * SQUARE_MM, (DOWN + 1) * SQUARE_MM
    x, y = (places_mm + np.array([wide, high]) / 2.0).T
    inside = (x >= 0) & (x < wide) & (y >= 0) & (y < high)
    dark = inside & ((np.floor(x / SQUARE_MM) + np.floor(y / SQUARE_MM)) % 2 == 0)
    paper = (x >= -RIM_MM) & (x < wide + RIM_MM) & (y >= -RIM_MM) & (y < high + RIM_MM)
    return np.where(dark, DARK, np.where(paper, LIGHT, TABLE))


def _seen_rays(camera: Camera) -> FloatArray:
    """Return (H S W S, 3) where every sample of the picture looks, camera frame: the same for all shots."""
    width, height = camera.size_px
    steps = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    x, y = (np.add.outer(np.arange(count), steps).ravel() for count in (width, height))
    places = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    return np.column_stack([undistorted((places - camera.centre_px) / camera.f_px, camera.lens), np.ones(len(places))])


def _shot(camera: Camera, seen: FloatArray, seed: int) -> np.ndarray:
    """Return the picture (H, W) uint8."""
    width, height = camera.size_px
    rays = seen @ camera.rotation
    places = camera.place_mm[:2] - (camera.place_mm[2] / rays[:, 2:]) * rays[:, :2]
    fine = _grey(places).reshape(height, SAMPLES, width, SAMPLES)
    picture = cv2.GaussianBlur(fine.mean(axis=(1, 3)), (0, 0), BLUR_PX)
    picture += np.random.default_rng(seed).normal(0.0, NOISE, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def make_shots(camera: Camera, count: int, folder: Path, seed: int = 0, orientation: int = 1) -> list[Path]:
    """Write shots as JPEG files and return them; ``camera`` tells lens and size, its own place does not count."""
    folder.mkdir(parents=True, exist_ok=True)
    paths, seen = [], _seen_rays(camera)
    for number, one in enumerate(poses(camera, count, seed), 1):
        exif = Image.Exif()
        exif[ORIENTATION] = orientation
        exif.get_ifd(EXIF_IFD)[EXPOSURE_TIME] = 1 / 60
        path = folder / f"board {number:02d}.jpg"
        Image.fromarray(_shot(one, seen, seed + number)).save(path, quality=92, exif=exif)
        paths.append(path)
    return paths
