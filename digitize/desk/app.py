"""What the page can ask of the desk."""

from __future__ import annotations

import itertools
import json
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from calibration.errors import UsageError
from digitize.desk.job_file import JobFile
from digitize.desk.offers import offers
from digitize.desk.plan_edit import BadChangeError
from digitize.desk.plan_file import PlanFile
from digitize.desk.run import MOLD_FOLDER, Runs
from digitize.desk.safety import OnlyThisPage
from digitize.desk.sizes import sizes
from digitize.desk.tiles import TILE_PX, Tiles
from digitize.desk.topics import TOPICS
from digitize.mold import MOLD_FILES
from digitize.mold_settings import check_job
from digitize.outbox import OUTLINE_FILES
from digitize.shapes import Picture

PAGE = Path(__file__).parent / "page"
KINDS = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
MOST_CHANGES = 50

Answer = Callable[[Request], Awaitable[Response]]


class Desk:
    """One plan on the desk."""

    def __init__(self, plan: PlanFile, picture: Picture, runs: Runs) -> None:
        """Lay out a plan with its picture; nothing is run yet."""
        self.plan, self.runs = plan, runs
        self.job = JobFile(plan.path, plan.history)
        self.tiles = Tiles(picture.grey)
        self._telling, self._count = threading.Lock(), itertools.count(1)
        height, width = picture.grey.shape
        self.picture = {
            "file": picture.file,
            "captured": picture.captured,
            "width": width,
            "height": height,
            "tile": TILE_PX,
            "levels": len(self.tiles.levels),
            "notes": list(picture.notes),
        }

    def state(self, request: Request | None = None) -> Response:
        """Tell everything but the result, numbered: answers may overtake each other, and the last number is so."""
        with self._telling:
            return JSONResponse({"number": next(self._count), **self._state()})

    def _state(self) -> dict[str, Any]:
        result, plan = self.runs.result, self.plan
        return {
            "picture": self.picture,
            "plan": {
                "file": plan.path.name,
                "there": plan.path.is_file(),
                "content": plan.content(),
                "version": plan.version,
                "can_undo": plan.history.can_undo,
                "can_redo": plan.history.can_redo,
            },
            "job": {"file": self.job.path.name, "content": self.job.content(), "usual": self.job.usual},
            "run": self.runs.progress.told(),
            "result_version": result["version"] if result else None,
            "folder": self.runs.out.name,
        }

    def result(self, request: Request) -> Response:
        """Tell what the last whole run found."""
        result = self.runs.result
        if result is None:
            return JSONResponse(None)
        files = [name for name in OUTLINE_FILES if (self.runs.out / name).is_file()]
        topics = {reason["code"]: TOPICS.get(reason["code"], "out") for reason in result["record"]["reasons"]}
        more = {"sizes": sizes(result["record"]), "offers": offers(result["record"]["reasons"])}
        return JSONResponse({**result, "files": files, "topics": topics, **more})

    def mold(self, request: Request) -> Response:
        """Tell what mold was drawn of the outline as it is."""
        record = self.runs.mold()
        if record is None:
            return JSONResponse(None)
        old = check_job(self.job.content(), self.job.path.name).as_record() != record["settings"]
        files = [name for name in (*MOLD_FILES, *record["files"]) if (self.runs.out / MOLD_FOLDER / name).is_file()]
        return JSONResponse({"record": record, "old": old, "files": list(dict.fromkeys(files))})

    def tile(self, request: Request) -> Response:
        """Give one tile."""
        place = request.path_params
        packed = self.tiles.jpeg(place["level"], place["column"], place["row"])
        return _told(404, "There is no such tile.") if packed is None else Response(packed, media_type="image/jpeg")

    def file(self, request: Request) -> Response:
        """Give a file of the result, by its name in the list of such files and nothing else."""
        name = next((one for one in OUTLINE_FILES if one == request.path_params["name"]), None)
        if name is None or not (self.runs.out / name).is_file():
            return _told(404, "There is no such file.")
        return FileResponse(self.runs.out / name, filename=name, media_type="application/octet-stream")

    def mold_file(self, request: Request) -> Response:
        """Give a file of the mold, by its name in the record's list and nothing else."""
        record, folder = self.runs.mold(), self.runs.out / MOLD_FOLDER
        listed = (*MOLD_FILES, *record["files"]) if record else ()
        name = next((one for one in listed if one == request.path_params["name"] and Path(one).name == one), None)
        if name is None or not (folder / name).is_file():
            return _told(404, "There is no such file.")
        return FileResponse(folder / name, filename=name, media_type="application/octet-stream")

    def change(self, request: Request, body: Any) -> Response:
        """Write corrections to the plan file, or choices to the mold's job file."""
        changes = body.get("changes") if isinstance(body, dict) else None
        if (
            not isinstance(changes, list)
            or len(changes) > MOST_CHANGES
            or not all(isinstance(c, dict) for c in changes)
        ):
            return _told(422, "Changes are a list of up to 50 tables.")
        try:
            (self.job if body.get("file") == "mold" else self.plan).change(changes)
        except BadChangeError as fault:
            return _told(422, f"{fault}.")
        return self.state()

    def undo(self, request: Request, body: Any) -> Response:
        """Take the last change back."""
        self.plan.history.undo()
        return self.state()

    def redo(self, request: Request, body: Any) -> Response:
        """Make it again."""
        self.plan.history.redo()
        return self.state()

    def run(self, request: Request, body: Any) -> Response:
        """Start working the outline out with the plan file as it is."""
        self.runs.start(self.plan.runs)
        return self.state()

    def draw(self, request: Request, body: Any) -> Response:
        """Start drawing the mold of the outline, with the job file as it is."""
        if not (self.runs.out / "outline.dxf").is_file():
            return _told(422, "There is no outline yet.", "Have the outline worked out first.")
        self.runs.start_mold(self.job.path if self.job.path.is_file() else None)
        return self.state()

    def cancel(self, request: Request, body: Any) -> Response:
        """Stop working it out."""
        self.runs.cancel()
        return self.state()


def application(desk: Desk, port: int, token: str) -> ASGIApp:
    """Return the guarded application of a desk."""
    routes = [Route("/" if name == "index.html" else f"/{name}", _still(PAGE / name)) for name in _page_files()]
    routes += [
        Route("/api/state", _asked(desk.state)),
        Route("/api/result", _asked(desk.result)),
        Route("/api/tile/{level:int}/{column:int}/{row:int}", _asked(desk.tile)),
        Route("/api/file/{name}", _asked(desk.file)),
        Route("/api/mold", _asked(desk.mold)),
        Route("/api/mold/{name}", _asked(desk.mold_file)),
    ]
    told = {
        "change": desk.change, "undo": desk.undo, "redo": desk.redo, "run": desk.run, "draw": desk.draw,
        "cancel": desk.cancel,
    }  # fmt: skip
    routes += [Route(f"/api/{name}", _posted(job), methods=["POST"]) for name, job in told.items()]
    return OnlyThisPage(Starlette(routes=routes), port, token)


def _page_files() -> list[str]:
    return sorted(path.name for path in PAGE.iterdir() if path.suffix in KINDS)


def _still(path: Path) -> Answer:
    content, kind = path.read_bytes(), KINDS[path.suffix]

    async def answer(request: Request) -> Response:
        return Response(content, media_type=kind)

    return answer


def _asked(job: Callable[[Request], Response]) -> Answer:
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(_guarded, job, request)

    return answer


def _posted(job: Callable[[Request, Any], Response]) -> Answer:
    async def answer(request: Request) -> Response:
        try:
            body = json.loads(await request.body() or b"null")
        except (ValueError, RecursionError):
            return _told(400, "A request holds JSON.")
        return await run_in_threadpool(_guarded, job, request, body)

    return answer


def _guarded(job: Callable[..., Response], *words: Any) -> Response:
    """Answer a request; a known fault is told with its remedy."""
    try:
        return job(*words)
    except UsageError as fault:
        return _told(422, fault.doubt.text, fault.doubt.remedy)


def _told(status: int, text: str, remedy: str | None = None) -> Response:
    return JSONResponse({"text": text, "remedy": remedy}, status_code=status)
