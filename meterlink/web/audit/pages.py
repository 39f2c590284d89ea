"""The routes of the auditor's page: a list of jobs, and each job on its timeline. They only ever read."""

import asyncio
import json
import math
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from meterlink.errors import MeterlinkError
from meterlink.outcome import Json
from meterlink.web.audit.asking import Asking, Procedures
from meterlink.web.audit.chart_library import VERSION, library
from meterlink.web.audit.marks import Wanted
from meterlink.web.audit.open_jobs import ClosedError, OpenJobs
from meterlink.web.audit.packed import packed_for
from meterlink.web.audit.records import Records

_STATIC = Path(str(files("meterlink.web"))) / "static"
_AT_A_TIME = 2
"""Threads that work for these pages: one for what takes long, and one beside it."""
_MOST_COLUMNS = 4000
_MOST_WORDS = 200
_MOST_SECONDS = 1e9

Endpoint = Callable[[Request], Awaitable[Response]]


class AuditPages:
    """The pages; close them, so that long work is broken off."""

    def __init__(self, records: Records, procedures: Procedures) -> None:
        """Be ready.

        Args:
            records: what is looked at, in threads.
            procedures: what a what-if can be asked about.
        """
        self._jobs = OpenJobs(records)
        self._asking = Asking(records, self._jobs, procedures)
        self._threads = ThreadPoolExecutor(_AT_A_TIME, "audit")

    def close(self) -> None:
        """Break off what is being worked out."""
        self._jobs.close()
        self._threads.shutdown(wait=False, cancel_futures=True)

    @property
    def routes(self) -> list[BaseRoute]:
        """Where everything lies, under `/audit`."""
        of_job = "/audit/api/jobs/{job}"
        return [
            Route("/audit", _page("jobs.html")),
            Route("/audit/chart-library.js", _chart_library),
            Route("/audit/api/jobs", self._answering(self._list)),
            Route("/audit/api/procedures", self._answering(lambda request: self._asking.offered())),
            Route(of_job, self._answering(lambda request: self._asking.line(_job(request)))),
            Route(f"{of_job}/size", self._answering(lambda request: self._jobs.head(_job(request)))),
            Route(f"{of_job}/proof", self._answering(lambda request: self._asking.proof(_job(request)))),
            Route(f"{of_job}/replay", self._answering(lambda request: self._asking.replay(_job(request)))),
            Route(f"{of_job}/what-if", self._answering(self._what_if)),
            Route(f"{of_job}/window", self._answering(self._window)),
            Route(f"{of_job}/beside", self._answering(self._beside)),
            Route(f"{of_job}/events/{{number:int}}", self._answering(self._details)),
            Mount("/audit/static", StaticFiles(directory=_STATIC)),
            Route("/audit/{job}", _page("job.html")),
        ]

    def _answering(self, work: Callable[[Request], Json]) -> Endpoint:
        """Make an endpoint of what takes its time: it is done in a thread, and what it finds is written there too."""

        def done(request: Request) -> Response:
            try:
                written = json.dumps(work(request), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
            except MeterlinkError as error:
                return PlainTextResponse(str(error), 409)
            except ClosedError:
                return PlainTextResponse("The pages are being closed.", 503)
            body, headers = packed_for(request.headers.get("accept-encoding", ""), written.encode())
            return Response(body, media_type="application/json", headers={**headers, "Cache-Control": "no-store"})

        async def endpoint(request: Request) -> Response:
            return await asyncio.get_running_loop().run_in_executor(self._threads, done, request)

        return endpoint

    def _list(self, request: Request) -> Json:
        find = request.query_params.get("find", "")[:_MOST_WORDS]
        return self._asking.listed(find, _whole(request, "begin", 0, 0, 10**9))

    def _what_if(self, request: Request) -> Json:
        return self._asking.what_if(_job(request), request.query_params.get("procedure", "")[:_MOST_WORDS])

    def _window(self, request: Request) -> Json:
        start, end = _seconds(request, "from"), _seconds(request, "to")
        return self._jobs.window(_job(request), start, end, _whole(request, "columns", 800, 1, _MOST_COLUMNS))

    def _beside(self, request: Request) -> Json:
        wanted = request.query_params.get("what")
        what = Wanted(wanted) if wanted in set(Wanted) else Wanted.ANY
        number = _whole(request, "number", 0, 0, 2**62) or None
        back = request.query_params.get("way") == "back"
        return {"mark": self._jobs.beside(_job(request), number, _seconds(request, "at"), what, back=back)}

    def _details(self, request: Request) -> Json:
        return self._jobs.details(_job(request), int(request.path_params["number"]))


def _page(name: str) -> Endpoint:
    async def page(request: Request) -> Response:
        return FileResponse(_STATIC / "audit" / name, headers={"Cache-Control": "no-cache"})

    return page


async def _chart_library(request: Request) -> Response:
    tag = f'"{VERSION}"'
    headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    plain, packed = await asyncio.to_thread(library)
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(packed, media_type="text/javascript", headers={**headers, "Content-Encoding": "gzip"})
    return Response(plain, media_type="text/javascript", headers=headers)


def _job(request: Request) -> str:
    return str(request.path_params["job"])


def _seconds(request: Request, name: str) -> float:
    """A time as a page sends it; 0 for what is none."""
    try:
        value = float(request.query_params.get(name, "0"))
    except ValueError:
        return 0.0
    return min(_MOST_SECONDS, max(-_MOST_SECONDS, value)) if math.isfinite(value) else 0.0


def _whole(request: Request, name: str, usual: int, least: int, most: int) -> int:
    """A whole number as a page sends it, held between two; the usual one for what is none."""
    text = request.query_params.get(name, "")
    return max(least, min(most, int(text))) if text.isascii() and text.isdigit() and len(text) < 20 else usual
