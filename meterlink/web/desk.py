"""Starts checks from a page, one at a time, and goes on with those that broke off."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from meterlink.errors import MeterlinkError, UsageError
from meterlink.gestures import Way
from meterlink.history.lifts import checked_tag
from meterlink.in_hand import Stated
from meterlink.record.store import Store
from meterlink.session import Particulars
from meterlink.visit import Plan, Show, job_again, new_job, visit
from meterlink.web.offer import chosen_meter, chosen_procedure, found_meters, offer
from meterlink.web.requests import TooLargeError, body_of
from meterlink.web.stage import Phase, Stage

_MOST_BYTES = 256 * 1024
"""The cautions come back as they were read."""


class Order(BaseModel):
    """A check to be started."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    procedure: str = Field(max_length=300)
    meter: str = Field(max_length=500)
    cautions: tuple[str, ...]
    """The cautions that stood on the page and were acknowledged."""
    lift: str | None = Field(None, max_length=300)
    """The installation's tag."""
    operator: str | None = Field(None, max_length=300)
    """Who works."""


class Again(BaseModel):
    """A job to go on with."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    job: str = Field(max_length=40)
    meter: str = Field(max_length=500)


class Desk:
    """Where checks are started."""

    def __init__(
        self, stage: Stage, folder: Path, show: Show | None = None, ways: frozenset[Way] = frozenset()
    ) -> None:
        """Open for business.

        Args:
            stage: where a check is shown.
            folder: where the record lies.
            show: shows a check on the stage, and elsewhere besides; on the stage alone unless told.
            ways: how an answer may be given with what the hands hold.
        """
        self._stage, self._folder, self._show = stage, folder, show or stage.showing
        self._ways = ways
        self._running: asyncio.Task[None] | None = None
        stage.say_of_itself(starts=True)

    @property
    def routes(self) -> list[BaseRoute]:
        """Where everything lies."""
        return [
            Route("/offer", self._offer),
            Route("/meters", self._meters),
            Route("/start", self._start, methods=["POST"]),
            Route("/again", self._again, methods=["POST"]),
            Route("/stop", self._stop, methods=["POST"]),
        ]

    def begin(self, plan: Callable[[], Plan], what: str) -> None:
        """Begin a check; what becomes of it is seen on the pages.

        Args:
            plan: makes the plan; may take its time, since it is called in a thread.
            what: says what begins.

        Raises:
            UsageError: one is running.
        """
        if self._stage.phase in (Phase.STARTING, Phase.RUNNING):
            raise UsageError("A check is running already; end that one first.")
        self._stage.starting(what)
        self._running = asyncio.create_task(self._run(plan))

    async def close(self) -> None:
        """Break off what runs, so that it can be resumed."""
        self._stage.stop()
        if self._running is not None:
            if self._stage.phase is Phase.STARTING:
                self._running.cancel()
            await asyncio.gather(self._running, return_exceptions=True)

    async def _run(self, plan: Callable[[], Plan]) -> None:
        try:
            planned = await asyncio.to_thread(plan)
            with Store.open(self._folder) as store:
                visited = await visit(store, self._folder, planned, self._show)
            if visited.trouble is not None:
                self._stage.failed(str(visited.trouble))
        except MeterlinkError as error:
            self._stage.failed(str(error))

    async def _offer(self, request: Request) -> Response:
        try:
            return _unkept(await asyncio.to_thread(offer, self._folder))
        except MeterlinkError as error:
            return PlainTextResponse(str(error), 409)

    async def _meters(self, request: Request) -> Response:
        return _unkept(await found_meters())

    async def _start(self, request: Request) -> Response:
        def plan(order: Order) -> Plan:
            prepared = replace(chosen_procedure(order.procedure), ways=self._ways)
            if order.cautions != prepared.procedure.cautions:
                raise UsageError("The cautions have changed since they were read; read them again.")
            return new_job(prepared, chosen_meter(order.meter, order.procedure), Stated(), about)

        try:
            order = Order.model_validate_json(await body_of(request, _MOST_BYTES))
            about = Particulars(checked_tag("Lift", order.lift), checked_tag("Operator", order.operator))
            self.begin(lambda: plan(order), order.meter)
        except (ValidationError, TooLargeError):
            return PlainTextResponse("A procedure, a meter and its cautions are needed.", 400)
        except MeterlinkError as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)

    async def _again(self, request: Request) -> Response:
        try:
            again = Again.model_validate_json(await body_of(request, _MOST_BYTES))
            meter = chosen_meter(again.meter, "start-up")
            self.begin(lambda: job_again(again.job, meter, Stated()), meter)
        except (ValidationError, TooLargeError):
            return PlainTextResponse("A job and a meter are needed.", 400)
        except MeterlinkError as error:
            return PlainTextResponse(str(error), 409)
        return Response(status_code=204)

    async def _stop(self, request: Request) -> Response:
        self._stage.stop()
        return Response(status_code=204)


def _unkept(body: object) -> Response:
    return JSONResponse(body, headers={"Cache-Control": "no-store"})
