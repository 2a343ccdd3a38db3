"""What the page asks of the library, and what it gets. Scans are named by their number, never by a path."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

import calib
from calib.errors import CalibError, MeasurementError, ScanError
from calib.findings import inspect_scan
from calib.measure.points import Point
from calib.page import exporting, pictures, profiles
from calib.page.gratings import Job
from calib.page.guard import Guard
from calib.page.opened import Opened
from calib.standard import Grid
from calib.units import show

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

_FILES = {
    "page.css": "text/css",
    "asking.js": "text/javascript",
    "findings.js": "text/javascript",
    "page.js": "text/javascript",
    "picture.js": "text/javascript",
    "points.js": "text/javascript",
    "profile.js": "text/javascript",
    "saving.js": "text/javascript",
    "words.js": "text/javascript",
}

Answer = Callable[["Request"], Any]


def make_app(opened: Sequence[Opened], token: str, port: int) -> Guard:
    """Return the page as an ASGI application.

    Parameters
    ----------
    opened
        The scans that may be seen; nothing else can.
    token, port
        See :class:`calib.page.guard.Guard`.
    """
    from starlette.applications import Starlette
    from starlette.routing import Route

    page = _Page(opened)
    routes = [
        Route("/", page.page),
        Route("/files/{name}", page.file),
        Route("/api/scans", _json(page.scans)),
        Route("/api/scan/{number:int}/picture", _json(page.picture)),
        Route("/api/scan/{number:int}/findings", _json(page.findings)),
        Route("/api/scan/{number:int}/points", _posted(page.points), methods=["POST"]),
        Route("/api/scan/{number:int}/maps", _json(page.maps)),
        Route("/api/scan/{number:int}/maps", _posted(page.start_maps), methods=["POST"]),
        Route("/api/scan/{number:int}/export/{what}", page.export),
    ]
    return Guard(Starlette(routes=routes), token, port)


def _json(answer: Answer) -> Callable[[Request], Any]:
    """Answer in JSON, from a thread, so that a long question does not hold up the others."""

    async def asked(request: Request) -> Response:
        return await _in_thread(lambda: _said(answer(request)))

    return asked


def _posted(answer: Callable[[Request, dict[str, Any]], Any]) -> Callable[[Request], Any]:
    async def asked(request: Request) -> Response:
        body = await request.body()

        def work() -> Response:
            try:
                said = json.loads(body or b"{}")
            except ValueError:
                said = None
            if not isinstance(said, dict):
                raise ScanError("The question is no JSON object.")
            return _said(answer(request, said))

        return await _in_thread(work)

    return asked


async def _in_thread(work: Callable[[], Response]) -> Response:
    """Answer from a thread; what is wrong with a question is said in one sentence."""
    from starlette.concurrency import run_in_threadpool

    try:
        return await run_in_threadpool(work)
    except CalibError as error:
        return _said({"error": str(error)}, 422)
    except MemoryError:
        return _said({"error": "There is not enough memory for this."}, 422)


def _said(content: Any, status: int = 200) -> Response:
    from starlette.responses import JSONResponse

    return JSONResponse(content, status)


class _Page:
    def __init__(self, opened: Sequence[Opened]) -> None:
        self._opened = tuple(opened)
        self._jobs = [Job(one) for one in self._opened]

    def _number(self, request: Request) -> int:
        number = int(request.path_params["number"])
        if not 0 <= number < len(self._opened):
            raise ScanError(f"There is no scan number {number}.")
        return number

    def _of(self, request: Request) -> Opened:
        return self._opened[self._number(request)]

    # --- files of the page -------------------------------------------------------------------------

    def page(self, request: Request) -> Response:
        return _file("page.html", "text/html")

    def file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _FILES:
            return _said({"error": "There is no such file."}, 404)
        return _file(name, _FILES[name])

    # --- what is asked -----------------------------------------------------------------------------

    def scans(self, request: Request) -> Any:
        return {
            "version": calib.__version__,
            "levellings": pictures.LEVELLINGS,
            "scans": [_about(o) for o in self._opened],
        }

    def picture(self, request: Request) -> Any:
        return self._picture(request).to_dict()

    def findings(self, request: Request) -> Any:
        one = self._of(request)
        found = one.kept("findings", lambda: inspect_scan(one.scan, one.standard))
        return {
            "findings": [finding.to_dict() for finding in found],
            "rows": _edges(one.scan.slow),
            "columns": _edges(one.scan.fast),
        }

    def points(self, request: Request, said: dict[str, Any]) -> Any:
        """Tell all of one or two points; what can't be had is told beside the rest."""
        one = self._of(request)
        name, channel = str(said.get("pass", "")), str(said.get("channel", ""))
        index = one.pass_index(name)
        places = [one.place(index, *_point(point)) for point in _list(said.get("points"))]
        points: list[Point] = [(float(fast), float(slow)) for fast, slow in places]
        answer: dict[str, Any] = {
            "points": [
                profiles.place_of(one, name, channel, letter, point)
                for letter, point in zip("AB", points, strict=False)
            ]
        }
        if len(points) < 2:
            return answer
        ends = (points[0], points[1])
        answer["profile"] = profiles.profile(one, name, channel, ends).to_dict()
        try:
            found = profiles.measured(one, name, ends, _level(said.get("level", 0.95)))
            answer["quantities"] = [profiles.as_said(m) for m in (found, *found.also)]
        except CalibError as error:
            answer["unknown"] = str(error)
            answer["commanded"] = show(answer["profile"]["along"][-1])
        return answer

    def maps(self, request: Request) -> Any:
        return self._jobs[self._number(request)].to_dict()

    def start_maps(self, request: Request, said: dict[str, Any]) -> Any:
        job = self._jobs[self._number(request)]
        job.start()
        return job.to_dict()

    async def export(self, request: Request) -> Response:
        return await _in_thread(lambda: self._export(request))

    def _export(self, request: Request) -> Response:
        from starlette.responses import Response

        one, query = self._of(request), request.query_params
        what = request.path_params["what"]
        kind, _, ending = what.rpartition(".")
        if what not in exporting.KINDS:
            raise ScanError(f"There is no export {what!r}: choose one of {', '.join(exporting.KINDS)}.")
        try:
            points = [tuple(float(part) for part in text.split(",")) for text in query.getlist("point")]
        except ValueError:
            raise MeasurementError("A point is two numbers: fast and slow coordinate in m.") from None
        if any(len(point) != 2 for point in points) or len(points) > 2:
            raise MeasurementError("Give at most two points of two numbers each.")
        ends: list[Point] = [(point[0], point[1]) for point in points]
        if kind == "picture":
            behind = None
            if query.get("kind", "recorded") == "recorded" and one.model is not None and "wipe" in query:
                behind = pictures.corrected(one, *_shown(query))
            wipe, name = _level(query.get("wipe", 0.5), "wipe"), query.get("pass", "")
            content = exporting.picture(one, self._picture(request), behind, wipe, ends, name, ending)
        else:
            level = _level(query.get("level", 0.95))
            content = exporting.numbers(one, kind, ending, query.get("pass", ""), query.get("channel", ""), ends, level)
        stem = re.sub(r"[^A-Za-z0-9_-]+", "-", one.name.rpartition(".")[0] or one.name).strip("-") or "scan"
        disposition = {"Content-Disposition": f'attachment; filename="{stem}-{kind}.{ending}"'}
        return Response(content, media_type=exporting.KINDS[what], headers=disposition)

    def _picture(self, request: Request) -> pictures.Picture:
        number, query = self._number(request), request.query_params
        one = self._opened[number]
        name, channel, level = _shown(query)
        match query.get("kind", "recorded"):
            case "recorded":
                return pictures.recorded(one, name, channel, level)
            case "corrected":
                return pictures.corrected(one, name, channel, level)
            case "difference":
                return pictures.difference(one, channel, level)
            case "uncertainty":
                return pictures.uncertainty(one, name)
            case ("phase" | "residual") as kind:
                maps = self._jobs[number].maps
                if maps is None:
                    raise ScanError("The maps of the grating are not made yet.")
                direction = query.get("direction", "0")
                return pictures.of_grating(one, maps, kind, name, int(direction) if direction in ("0", "1") else -1)
            case other:
                raise ScanError(f"There is no picture {other!r}: choose one of {', '.join(pictures.KINDS)}.")


def _file(name: str, media_type: str) -> Response:
    from starlette.responses import Response

    content = resources.files("calib.page").joinpath("files", name).read_bytes()
    return Response(content, media_type=media_type)


def _about(one: Opened) -> dict[str, Any]:
    scan = one.scan
    rows, columns = one.thinned
    return {
        "name": one.name,
        "title": scan.title,
        "passes": list(scan.passes),
        "channels": [{"name": name, "unit": scan.units.get(name, "")} for name in scan.channels],
        "channel": scan.channel,
        "shape": list(scan.shape),
        "size": " × ".join(show(length, "m", 4) for length in scan.size),
        "thinned": [rows, columns],
        "fast": _edges(scan.fast),
        "slow": _edges(scan.slow),
        "pixel": list(scan.spacing),
        "scanner": scan.scanner,
        "model": None if one.model is None else (one.model.scanner or "unnamed scanner"),
        "notes": list(one.notes),
        "standard": None if one.standard is None else one.standard.name,
        "directions": _directions(one),
    }


def _directions(one: Opened) -> int:
    if not one.patterned or one.scan.pattern == "serpentine":
        return 0
    return 2 if isinstance(one.standard, Grid) else 1


def _edges(grid: Any) -> list[float]:
    return [float(grid[0]), float(grid[-1]), int(grid.size)]


def _shown(query: Any) -> tuple[str, str, str]:
    return query.get("pass", ""), query.get("channel", ""), query.get("level_by", "none")


def _list(said: Any) -> list[Any]:
    if not isinstance(said, list) or not 1 <= len(said) <= 2:
        raise MeasurementError("Give one or two points.")
    return said


def _point(said: Any) -> tuple[Point, str]:
    try:
        fast, slow = float(said["fast"]), float(said["slow"])
        frame = said.get("frame", "commanded")
    except (TypeError, KeyError, ValueError, AttributeError, OverflowError):
        raise MeasurementError("A point needs the numbers fast and slow, in m.") from None
    if frame not in ("commanded", "true"):
        raise MeasurementError("The frame of a point is commanded or true.")
    return (fast, slow), frame


def _level(said: Any, name: str = "level") -> float:
    try:
        level = float(said)
    except (TypeError, ValueError):
        level = -1.0
    if not 0 <= level <= 1 or (name == "level" and not 0 < level < 1):
        raise MeasurementError(f"The {name} must be a number between 0 and 1.")
    return level
