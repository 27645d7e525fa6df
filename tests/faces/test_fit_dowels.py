"""A template held to its dowel holes: made scans with the holes where the mold has them, or a little off."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import Refusal
from calibration.solve import Calibration
from digitize.mold_settings import load_job
from digitize.outline_file import load_outline
from digitize.part_dowels import Dowel, dowels_of, seen_dowels
from digitize.part_view import PartView
from digitize.shapes import Picture
from tests.bench.fits import write_outline
from tests.faces.test_fit import GRADED, fit
from tests.maker.cut_part import GROUNDS, CutSpec, MadePart, make_part

SPEC = CutSpec(seed=7, kind="template", dpi=150.0, stuff="dark", ground="lid", turn_deg=3.0, shadow=0.1)
JOB = '[mold]\nwall = "28 mm"\ntab = "22 mm"\n\n[dowels]\ndiameter = "6 mm"\nedge = "5 mm"\njoint_depth = "12 mm"\n'
OFF_MM = (0.45, -0.3)  # of both holes, body frame
HELD = ("--half", "right", "--hold", "dowels", "--job")
FINE = 8  # the picture's holes are drawn so many times finer


def drilled(made: MadePart, dowels: tuple[Dowel, ...], off_mm: tuple[float, float]) -> None:
    """Draw the holes into the picture: the ground shows through."""
    grey = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE).astype(np.float64)
    scale = float(np.hypot(*made.part_to_px[:, 0]))
    for dowel in dowels:
        x, y = made.part_to_px[:, :2] @ (np.array(dowel.at_mm) + off_mm) + made.part_to_px[:, 2]
        reach = int(dowel.diameter_mm * scale)
        rows, columns = np.mgrid[: 2 * reach * FINE, : 2 * reach * FINE]
        left, top = round(x) - reach, round(y) - reach
        away = np.hypot((columns + 0.5) / FINE - 0.5 + left - x, (rows + 0.5) / FINE - 0.5 + top - y)
        cover = cv2.GaussianBlur((away <= dowel.diameter_mm / 2.0 * scale).astype(np.float64), (0, 0), 0.8 * FINE)
        cover = cover.reshape(2 * reach, FINE, 2 * reach, FINE).mean(axis=(1, 3))
        part = grey[top : top + 2 * reach, left : left + 2 * reach]
        part += (GROUNDS[made.spec.ground][0] - part) * cover
    kept = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    cv2.imwrite(str(made.path), kept)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """A plan file of a template whose holes are both a little off, its outline and its mold's job file."""
    folder = tmp_path_factory.mktemp("dowels")
    made, outline, job = make_part(SPEC, folder), write_outline(SPEC, folder), folder / "mold.toml"
    job.write_text(JOB, encoding="utf-8")
    drilled(made, dowels_of(load_outline(outline).path, "right", load_job(job)), OFF_MM)
    plan = folder / "part.toml"
    plan.write_text(GRADED.format(made.path.name), encoding="utf-8")
    return plan, outline, job


def test_held_to_its_holes_the_whole_edge_is_off_by_what_they_are(template: tuple[Path, Path, Path]) -> None:
    plan, outline, job = template
    done = fit(plan, outline, *HELD, job, "--out", plan.parent / "out", "--json")
    record = json.loads(done.stdout)
    part = record["fit"]
    assert part["material"] == "outside"
    told = {one["code"]: one["text"] for one in record["reasons"]}
    assert f"up to {np.hypot(*OFF_MM):.1f}" in told["fit-by-dowels"]
    found = part["map"]
    x, y, off = (np.array(found[name]) for name in ("x_mm", "y_mm", "off_mm"))
    tangent = np.gradient(np.column_stack([x, y]), axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    # The outline lies the other way from its holes; material outside it stands proud where it comes inwards.
    true = normal @ np.array(OFF_MM)
    smooth = np.abs(np.gradient(np.unwrap(np.arctan2(*normal.T)))) < 0.2
    assert np.sqrt(np.mean((off - true)[smooth] ** 2)) < 0.05  # the saw's own wobble is 0.025 mm rms


def test_what_it_cannot_hold_to_is_said(template: tuple[Path, Path, Path]) -> None:
    plan, outline, job = template
    bare = Picture(np.full((700, 700), 90, dtype=np.uint8), "part.png", "0" * 64, None, "scan")
    flat = Calibration(np.diag([0.1, -0.1]), np.zeros((3, 3)), "affine", (True, True), (), (), 0.0)
    view = PartView(bare, flat, (), 2, None)
    with pytest.raises(Refusal, match="dowel hole of 6 mm was found near the tail end"):
        seen_dowels(view, [Dowel("tail", (35.0, -35.0), 6.0)], np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    done = fit(plan, outline, "--job", job, "--out", plan.parent / "no")
    assert done.returncode == 2
    assert "--hold dowels" in done.stderr
    assert not (plan.parent / "no").exists()
