"""The technician's page: what it is made of, the stream that keeps it live, and the answers that it gives."""

import asyncio
import re
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from meterlink.circuit.picture.svg import svg
from meterlink.errors import RecordError
from meterlink.outcome import Answer
from meterlink.record.photos import MAX_BYTES, keep_photo
from meterlink.web.hub import MOST_WATCHERS
from meterlink.web.requests import TooLargeError, body_of
from meterlink.web.stage import NotTakenError, Stage
from meterlink.web.tones import tone_route

STATIC = Path(str(files("meterlink.web"))) / "static"

_SEND_S = 20
"""A page that takes nothing for so long is given up; it comes back by itself."""

_RETRY_MS = 1000
"""How soon a browser comes back to a stream that broke."""

_MOST_BYTES = 16 * 1024

_PHOTO = re.compile(r"image/[a-z0-9.+-]{1,40}")


class Given(BaseModel):
    """An answer as a page sends it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    answer: Answer
    asked: int
    """The number of the question that stood on the page."""
    page: str = Field(max_length=40)
    """Names the page."""


class Noted(BaseModel):
    """A note as a page sends it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    text: str = Field(min_length=1, max_length=2000)


class Bridged(BaseModel):
    """A temporary jumper as a page sends it."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)

    fitted: bool
    """Or taken out."""
    where: str = Field(min_length=1, max_length=80)
    why: str = Field(default="", max_length=200)


class TechnicianPage:
    """The routes of the page."""

    def __init__(self, stage: Stage, folder: Path) -> None:
        """Be ready.

        Args:
            stage: the check on show.
            folder: where the record lies, and photos beside it.
        """
        self._stage, self._folder = stage, folder

    @property
    def routes(self) -> list[BaseRoute]:
        """Where everything lies."""
        return [
            Route("/", self._page),
            Route("/events", self._events),
            Route("/picture.svg", self._picture),
            tone_route(),
            Route("/answer", self._answer, methods=["POST"]),
            Route("/note", self._note, methods=["POST"]),
            Route("/photo", self._photo, methods=["POST"]),
            Route("/jumper", self._jumper, methods=["POST"]),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]

    async def _page(self, request: Request) -> Response:
        return FileResponse(STATIC / "technician.html", headers={"Cache-Control": "no-cache"})

    async def _events(self, request: Request) -> Response:
        if self._stage.hub.watchers >= MOST_WATCHERS:
            return PlainTextResponse("Too many pages are open; close one.", 503)
        last_seen = request.headers.get("last-event-id") or request.query_params.get("last")
        return EventSourceResponse(
            self._stream(last_seen), headers={"Cache-Control": "no-store"}, send_timeout=_SEND_S, ping=3600
        )

    async def _stream(self, last_seen: str | None) -> AsyncIterator[ServerSentEvent]:
        async for message in self._stage.hub.watch(last_seen):
            yield ServerSentEvent(message.data, event=message.event, id=message.id, retry=_RETRY_MS)

    async def _picture(self, request: Request) -> Response:
        pictured = self._stage.pictured
        if pictured is None:
            return PlainTextResponse("There is no circuit to show.", 404)
        drawn = await asyncio.to_thread(svg, *pictured)
        # The picture carries a style sheet of its own and no script; as an image it can load nothing.
        return Response(drawn, media_type="image/svg+xml", headers={"Cache-Control": "no-store"})

    async def _answer(self, request: Request) -> Response:
        try:
            given = Given.model_validate_json(await body_of(request, _MOST_BYTES))
            self._stage.answer(given.answer, given.asked, given.page)
        except (ValidationError, TooLargeError):
            return PlainTextResponse("This is no answer.", 400)
        except NotTakenError as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)

    async def _note(self, request: Request) -> Response:
        try:
            await self._stage.remark(Noted.model_validate_json(await body_of(request, _MOST_BYTES)).text, None)
        except (ValidationError, TooLargeError):
            return PlainTextResponse("This is no note.", 400)
        except NotTakenError as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)

    async def _jumper(self, request: Request) -> Response:
        try:
            entry = Bridged.model_validate_json(await body_of(request, _MOST_BYTES))
            self._stage.enter(fitted=entry.fitted, where=entry.where, why=entry.why)
        except (ValidationError, TooLargeError):
            return PlainTextResponse("This is no jumper: its place is missing, or a text is too long.", 400)
        except NotTakenError as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)

    async def _photo(self, request: Request) -> Response:
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if not _PHOTO.fullmatch(kind):
            return PlainTextResponse("This is no photo.", 415)
        try:
            self._stage.require_check()
            data = await body_of(request, MAX_BYTES)
            photo = await asyncio.to_thread(keep_photo, self._folder, data, "photo from the page", kind)
            await self._stage.remark("Photo", photo)
        except TooLargeError:
            return PlainTextResponse(f"This photo has more than {MAX_BYTES // 2**20} MB.", 413)
        except (RecordError, NotTakenError) as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)
