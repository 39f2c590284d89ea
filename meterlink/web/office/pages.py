"""The office's page. Pages lie at `/`, `/job/JOB`, `/history`, `/aside`; what fills them, at `/office`."""

import asyncio
import json
import re
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib.resources import files
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from meterlink.access.session import Session
from meterlink.errors import MeterlinkError, RecordError, UsageError
from meterlink.inbox import LONGEST_TEXT
from meterlink.office.running import Running
from meterlink.outcome import Json
from meterlink.record.store import Store
from meterlink.record.stored_photo import stored_photo
from meterlink.web.hub import Message
from meterlink.web.office.booths import Booths
from meterlink.web.office.history import History, Wanted
from meterlink.web.office.records import Records
from meterlink.web.office.streams import job_in_full, overview
from meterlink.web.office.watch import Watch
from meterlink.web.requests import TooLargeError, body_of
from meterlink.web.tones import tone_route

STATIC = Path(str(files("meterlink.web"))) / "static"
MOST_WATCHERS = 60
"""Pages at a time, of all kinds together."""
_SEND_S = 20
"""A page that takes nothing for so long is given up; it comes back by itself."""
_RETRY_MS = 1000
_MOST_BYTES = 4096
_SHA256 = re.compile(r"[0-9a-f]{64}")
_PICTURES = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png"}
"""How pictures begin that a browser shows as one and as nothing else; what a crew calls it does not count."""
_OFFICE = "office"

Endpoint = Callable[[Request], Awaitable[Response]]


class Noted(BaseModel):
    """A note to a technician as a page sends it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    job: str = Field(max_length=40)
    text: str = Field(min_length=1, max_length=LONGEST_TEXT)


class OfficePages:
    """The pages of one office process; run them beside it, and close them."""

    def __init__(self, running: Running, store: Store) -> None:
        """Be ready.

        Args:
            running: the office process.
            store: the office's.
        """
        self._store, self._postbox = store, running.postbox
        self._records, self._history = Records(store), History(store)
        self.watch = Watch(self._records, running.feed, store_place=store.place)
        self._booths = Booths(self._records, self.watch)
        self._watchers = 0

    @property
    def token(self) -> str:
        """What a page must send back with everything that it asks for."""
        return self.watch.token

    def close(self) -> None:
        """End every stream."""
        self.watch.close()
        self._booths.close()

    @property
    def routes(self) -> list[BaseRoute]:
        """Where everything lies."""
        return [
            Route("/", _page("office.html")),
            Route("/office", _page("office.html")),
            Route("/job/{job}", _page("job.html")),
            Route("/history", _page("history.html")),
            Route("/aside", _page("aside.html")),
            Route("/office/events", self._events),
            Route("/office/job/{job}/events", self._job_events),
            Route("/office/job/{job}/picture.svg", self._picture),
            Route("/office/job/{job}/photo/{sha256}", self._photo),
            Route("/office/history", _answering(self._jobs)),
            Route("/office/aside", _answering(self._aside)),
            Route("/office/note", self._note, methods=["POST"]),
            tone_route(),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]

    # Streams

    async def _events(self, request: Request) -> Response:
        return self._streamed(overview(self.watch, _last_seen(request)))

    async def _job_events(self, request: Request) -> Response:
        job = request.path_params["job"]
        try:
            await asyncio.to_thread(self._records.job, job)
        except MeterlinkError as error:
            return PlainTextResponse(str(error), 404)
        return self._streamed(self._one(job, _last_seen(request)))

    async def _one(self, job: str, last_seen: str | None) -> AsyncIterator[Message]:
        async with self._booths.looking(job) as followed:
            async for message in job_in_full(self.watch, followed, last_seen):
                yield message

    def _streamed(self, messages: AsyncIterator[Message]) -> Response:
        if self._watchers >= MOST_WATCHERS:
            return PlainTextResponse("Too many pages are open; close one.", 503)
        headers = {"Cache-Control": "no-store"}
        return EventSourceResponse(self._counted(messages), headers=headers, send_timeout=_SEND_S, ping=3600)

    async def _counted(self, messages: AsyncIterator[Message]) -> AsyncIterator[ServerSentEvent]:
        self._watchers += 1
        try:
            async for each in messages:
                yield ServerSentEvent(each.data, event=each.event, id=each.id, retry=_RETRY_MS)
        finally:
            self._watchers -= 1

    # What else a page asks for

    async def _picture(self, request: Request) -> Response:
        try:
            async with self._booths.looking(request.path_params["job"]) as followed:
                drawn = await followed.picture()
        except RecordError as error:
            return PlainTextResponse(str(error), 404)
        if drawn is None:
            return PlainTextResponse("There is no circuit to show.", 404)
        return Response(drawn, media_type="image/svg+xml", headers={"Cache-Control": "no-store"})

    async def _photo(self, request: Request) -> Response:
        job, sha256 = request.path_params["job"], request.path_params["sha256"]
        data = await asyncio.to_thread(stored_photo, self._store, job, sha256) if _SHA256.fullmatch(sha256) else None
        kind = next((kind for begin, kind in _PICTURES.items() if data and data.startswith(begin)), None)
        if data is None or kind is None:
            return PlainTextResponse("This photo is not here, not whole yet, or no photo.", 404)
        return Response(data, media_type=kind, headers={"Cache-Control": "private, max-age=3600"})

    def _jobs(self, request: Request) -> Json:
        found = self._history.jobs(Wanted.of(request.query_params))
        return {**found, "gone": self._history.gone()}

    def _aside(self, request: Request) -> Json:
        before = request.query_params.get("before", "")
        number = int(before) if before.isascii() and before.isdigit() and len(before) < 16 else None
        return self._history.aside(request.query_params.get("device", "")[:40], number)

    async def _note(self, request: Request) -> Response:
        try:
            noted = Noted.model_validate_json(await body_of(request, _MOST_BYTES))
            await asyncio.to_thread(self._keep, noted, _who(request))
        except (ValidationError, TooLargeError):
            return PlainTextResponse(f"A note has 1 to {LONGEST_TEXT} characters.", 400)
        except MeterlinkError as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)

    def _keep(self, noted: Noted, by: str) -> None:
        device, _ = self._records.owner(noted.job)
        self._postbox.write(device, noted.text, by, time.time_ns())


def _answering(work: Callable[[Request], Json]) -> Endpoint:
    """Make an endpoint of what reads the store: it is done in a thread."""

    def done(request: Request) -> Response:
        try:
            written = json.dumps(work(request), separators=(",", ":"))
        except UsageError as error:
            return PlainTextResponse(str(error), 400)
        except MeterlinkError as error:
            return PlainTextResponse(str(error), 503)
        return Response(written, media_type="application/json", headers={"Cache-Control": "no-store"})

    async def endpoint(request: Request) -> Response:
        return await asyncio.to_thread(done, request)

    return endpoint


def _page(name: str) -> Endpoint:
    async def page(request: Request) -> Response:
        return FileResponse(STATIC / "office" / name, headers={"Cache-Control": "no-cache"})

    return page


def _who(request: Request) -> str:
    """Return who is logged in; only that it is the office, where nobody logs in."""
    session = request.scope.get("state", {}).get("session")
    return session.who if isinstance(session, Session) else _OFFICE


def _last_seen(request: Request) -> str | None:
    return request.headers.get("last-event-id") or request.query_params.get("last")
