"""Lets in who is logged in, to what the role may do, for as long as the session holds."""

import asyncio
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from meterlink.access.gate import Gate
from meterlink.access.roles import may_change, may_read
from meterlink.access.session import LONGEST_S, Session
from meterlink.errors import MeterlinkError
from meterlink.web.guard import ENTRIES, FORMS

_OPEN = "/static/"
"""What anybody may see besides the way in: files of the program itself, which tell nothing of any job."""


@dataclass(frozen=True, slots=True)
class Cookie:
    """The cookie that carries a session's token."""

    encrypted: bool
    """Whether the pages are served over TLS."""

    @property
    def name(self) -> str:
        """Its name; `__Host-` binds it to this host and to TLS (RFC 6265bis)."""
        return "__Host-steadypoint" if self.encrypted else "steadypoint"

    def token(self, headers: Headers) -> str | None:
        """Return the token that a request carries, if any."""
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.name)
        except CookieError:
            return None
        return morsel.value if morsel is not None and morsel.value else None

    def give(self, response: Response, token: str) -> None:
        """Have the browser keep a token."""
        response.set_cookie(
            self.name, token, max_age=int(LONGEST_S), secure=self.encrypted, httponly=True, samesite="strict"
        )

    def take_back(self, response: Response) -> None:
        """Have the browser forget it."""
        response.delete_cookie(self.name, secure=self.encrypted, httponly=True, samesite="strict")


class Doorkeeper:
    """The app behind the login. Pages find who asks as `request.state.session`."""

    def __init__(self, app: ASGIApp, gate: Gate, cookie: Cookie) -> None:
        self._app, self._gate, self._cookie = app, gate, cookie

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or show the way in."""
        token = self._cookie.token(Headers(scope=scope))
        try:
            session = await self._gate.session(token) if token is not None else None
        except MeterlinkError as error:
            await PlainTextResponse(str(error), 503)(scope, receive, send)
            return
        scope["state"] |= {"session": session, "token": token if session else None}
        if refused := _refusal(scope, session):
            await refused(scope, receive, send)
        elif token is None or session is None or scope["method"] == "POST":
            await self._app(scope, receive, send)
        else:
            await self._while_it_holds(token, scope, receive, send)

    async def _while_it_holds(self, token: str, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, and end the answer with the session: a stream would go on else."""
        ended: asyncio.Task[None] | None = None
        open_answer = False

        async def receive_until_ended() -> Message:
            nonlocal ended
            ended = ended or asyncio.create_task(self._gate.ended(token))
            heard = asyncio.ensure_future(receive())
            try:
                await asyncio.wait({heard, ended}, return_when=asyncio.FIRST_COMPLETED)
                return heard.result() if heard.done() else {"type": "http.disconnect"}
            finally:
                heard.cancel()

        async def send_noting(message: Message) -> None:
            nonlocal open_answer
            open_answer = message["type"] == "http.response.start" or message.get("more_body", False)
            await send(message)

        try:
            await self._app(scope, receive_until_ended, send_noting)
            if open_answer and ended is not None and ended.done():
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            if ended is not None:
                ended.cancel()


def _refusal(scope: Scope, session: Session | None) -> Response | None:
    path, changes = scope["path"], scope["method"] == "POST"
    if path in FORMS or (path.startswith(_OPEN) and not changes):
        return None
    if session is None:
        is_page = path in ENTRIES or Headers(scope=scope).get("sec-fetch-mode") == "navigate"
        return RedirectResponse("/login", 303) if is_page and not changes else PlainTextResponse("Log in first.", 401)
    if may_change(session.role, path) if changes else may_read(session.role, path):
        return None
    return PlainTextResponse(f"This is not for the role {session.role}.", 403)
