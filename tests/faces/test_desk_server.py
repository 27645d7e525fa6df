"""The desk's server through real requests: who is answered, what is given, how it stops."""

from __future__ import annotations

import signal
import socket
import tomllib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import UsageError
from digitize.desk.serve import run_desk
from tests.faces.desk_server import Served, desk, sheet


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("desk")
    (folder / "secret.txt").write_text("not for anybody")
    return folder


@pytest.fixture(scope="module")
def served(folder: Path) -> Iterator[Served]:
    with desk(sheet(folder)) as one:
        yield one


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1", "127.0.0.1:1", "localhost.example.org:80", "", None])
def test_another_host_is_400(served: Served, host: str | None) -> None:
    for path in ("/", "/api/state"):
        assert served.ask(path, Host=host)[0] == 400


def test_its_own_names_are_answered(served: Served) -> None:
    for host in (f"127.0.0.1:{served.port}", f"localhost:{served.port}"):
        assert served.ask("/", Host=host)[0] == 200
        assert served.ask("/api/state", Host=host, Origin=f"http://{host}")[0] == 200


@pytest.mark.parametrize("origin", ["http://example.org", "null", "http://127.0.0.1:1", "https://127.0.0.1", ""])
def test_another_origin_is_403(served: Served, origin: str) -> None:
    assert served.ask("/api/state", Origin=origin)[0] == 403
    assert served.ask("/api/change", {"changes": []}, Origin=origin)[0] == 403


def test_another_site_may_not_post_even_without_an_origin(served: Served) -> None:
    assert served.ask("/api/undo", {}, Sec_Fetch_Site="cross-site")[0] == 403
    assert served.ask("/api/undo", {}, Sec_Fetch_Site="same-origin")[0] == 200


@pytest.mark.parametrize("sent", [None, "", "Bearer", "Bearer ", "Bearer wrong", "Basic eDp4"])
@pytest.mark.parametrize("path", ["/api/state", "/api/result", "/api/tile/0/0/0", "/api/file/record.json", "/api/none"])
def test_no_token_is_401(served: Served, path: str, sent: str | None) -> None:
    assert served.ask(path, Authorization=sent)[0] == 401


def test_nothing_is_changed_without_the_token(served: Served, folder: Path) -> None:
    for name in ("change", "undo", "redo", "run", "draw", "cancel"):
        body = {"changes": [{"do": "set", "at": ["body", "near"], "value": [1, 2]}]}
        assert served.ask(f"/api/{name}", body, Authorization=None)[0] == 401
    assert not (folder / "sheet.toml").exists()


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt", "/..%2fsecret.txt", "/%2e%2e/secret.txt", "/secret.txt", "/sheet.png", "//etc/passwd",
        "/api/file/../../secret.txt", "/api/file/..%2Fsecret.txt", "/api/file/%2e%2e%2fsecret.txt",
        "/api/file/secret.txt", "/api/file/sheet.png", "/api/file/%2Fetc%2Fpasswd", "/api/file/record.json%00",
        "/api/file/desk.json", "/api/mold/../../secret.txt", "/api/mold/..%2Fsecret.txt", "/api/mold/mold.json",
        "/api/tile/0/0/..", "/api/tile/0/../../state/0", "/app.py",
    ],
)  # fmt: skip
def test_no_path_leads_out(served: Served, path: str) -> None:
    status, _, body = served.ask(path)
    assert status == 404
    assert b"not for anybody" not in body
    assert b"root:" not in body


def test_too_much_or_of_another_kind_is_refused(served: Served) -> None:
    big = b'{"changes": "' + b"x" * 70_000 + b'"}'
    assert served.ask("/api/change", big)[0] == 413
    assert served.ask("/api/change", {}, Content_Length=None, Transfer_Encoding="chunked")[0] == 411
    assert served.ask("/api/change", {}, Content_Type="text/plain")[0] == 415
    assert served.ask("/api/change", b"{")[0] == 400
    assert served.ask("/api/change", b"[" * 60_000)[0] == 400
    assert served.ask("/api/change", {"changes": [{}] * 51})[0] == 422
    assert served.ask("/api/change", [1])[0] == 422
    assert served.ask("/api/state", method="DELETE")[0] in (405, 411)


def test_every_answer_carries_the_strict_policy(served: Served) -> None:
    answers = [
        served.ask("/"),
        served.ask("/api/none"),
        served.ask("/", Host="x"),
        served.ask("/api/state", Authorization=""),
    ]
    for _, headers, _ in answers:
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert "server" not in headers


def test_it_listens_on_the_loopback_address_alone(served: Served) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.2", served.port))  # would be taken if it listened on all


def test_a_tile_comes_as_the_pixels_are(served: Served, folder: Path) -> None:
    picture = cv2.imread(str(folder / "sheet.png"), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    told = served.told("/api/state")["picture"]
    assert (told["width"], told["height"], told["tile"], told["levels"]) == (1300, 900, 512, 3)
    status, headers, packed = served.ask("/api/tile/0/1/1")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    tile = cv2.imdecode(np.frombuffer(packed, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    part = picture[512:, 512:1024]
    assert tile.shape == part.shape
    assert np.mean(np.abs(tile.astype(int) - part)) < 1.0
    assert served.ask("/api/tile/0/3/0")[0] == 404


def test_a_change_is_written_told_undone_and_done_again(served: Served, folder: Path) -> None:
    place, plan = {"do": "set", "at": ["body", "near"], "value": [600.4, 450]}, folder / "sheet.toml"
    state = served.told("/api/change", {"changes": [place]})["plan"]
    assert (
        tomllib.loads(plan.read_text())
        == state["content"]
        == {"plan": {"image": "sheet.png"}, "body": {"near": [600.4, 450]}}
    )
    assert (state["can_undo"], state["can_redo"], state["there"]) == (True, False, True)
    assert served.told("/api/undo", {})["plan"]["there"] is False
    assert not plan.exists()
    assert served.told("/api/redo", {})["plan"]["content"] == state["content"]


def test_what_the_desk_says_of_itself_is_numbered_in_the_order_it_was_so(served: Served) -> None:
    with ThreadPoolExecutor(4) as pool:
        told = [one["number"] for one in pool.map(lambda _: served.told("/api/state"), range(40))]
    assert len(set(told)) == 40
    assert served.told("/api/undo", {})["number"] > max(told)
    assert served.told("/api/redo", {})["number"] > max(told) + 1


def test_a_change_that_makes_no_sense_is_told_with_its_reason(served: Served, folder: Path) -> None:
    before = served.told("/api/state")["plan"]
    status, _, body = served.ask("/api/change", {"changes": [{"do": "set", "at": ["body", "length"], "value": "long"}]})
    assert status == 422
    assert b"'long' is not a length" in body
    assert served.told("/api/state")["plan"] == before


def test_choices_of_the_mold_have_their_own_file_and_are_undone_in_turn(served: Served, folder: Path) -> None:
    job = folder / "sheet-mold.toml"
    wall = {"do": "set", "at": ["mold", "wall"], "value": "3 in"}
    waist = {"do": "set", "at": ["spreaders", "waist"], "value": True}
    near = {"do": "set", "at": ["body", "near"], "value": [500, 400]}
    state = served.told("/api/change", {"changes": [wall, waist], "file": "mold"})["job"]
    assert tomllib.loads(job.read_text()) == state["content"]
    assert state["content"] == {"mold": {"wall": "3 in"}, "spreaders": {"waist": True}}
    assert state["usual"]["mold"]["wall_mm"] == 75.0
    plan = served.told("/api/change", {"changes": [near]})["plan"]["content"]
    after = served.told("/api/undo", {})
    assert after["plan"]["content"] != plan
    assert after["job"]["content"] == state["content"]
    assert served.told("/api/undo", {})["job"]["content"] == {}
    assert not job.exists()
    bad = {"do": "set", "at": ["mold", "wall"], "value": "wide"}
    assert served.ask("/api/change", {"changes": [bad], "file": "mold"})[0] == 422
    assert served.ask("/api/change", {"changes": [{**wall, "at": ["body", "near"]}], "file": "mold"})[0] == 422
    assert not job.exists()


def test_no_mold_is_drawn_without_an_outline(served: Served) -> None:
    assert served.told("/api/mold") is None
    status, _, body = served.ask("/api/draw", {})
    assert status == 422
    assert b"There is no outline yet." in body


def test_a_wrong_port_and_foreign_results_are_told(served: Served, folder: Path) -> None:
    serve = partial(run_desk, folder / "sheet.png", browser=False, replace=False, tell=pytest.fail)
    with pytest.raises(UsageError, match="cannot be used"):
        serve(None, port=served.port)
    (folder / "mine").mkdir()
    (folder / "mine" / "outline.dxf").write_text("made by hand")
    with pytest.raises(UsageError, match="already holds results"):
        serve(folder / "mine", port=0)


def test_ctrl_c_stops_it_cleanly(folder: Path) -> None:
    with desk(folder / "sheet.png") as one:
        one.told("/api/run", {})
        one.process.send_signal(signal.SIGINT)
        out, err = one.process.communicate(timeout=30)
        assert one.process.returncode == 0
        assert (out, err) == ("", "")
    assert not list(folder.rglob(".sheet-desk-*"))
