"""Who may speak to the pages: the right host name, this site's own pages, and nothing that a browser was lured into.

Against DNS rebinding the `Host` header is checked; against forged requests the origin, the browser's own word
(`Sec-Fetch-Site`, W3C Fetch Metadata) and a token; against injected script a Content-Security-Policy. What is refused
here or further in stands in the log.
"""

import asyncio
import ipaddress
import secrets
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import chain
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from meterlink.access.journal import Journal
from meterlink.web.policy import content_policy

TOKEN_HEADER = "x-steadypoint-token"  # noqa: S105 - the header's name

ENTRIES = frozenset({"/", "/login", "/enter", "/audit", "/office"})
"""Pages to which a link on another site may lead."""

FORMS = frozenset({"/login", "/logout", "/enter"})
"""Where forms are sent to, which work without script and so have no token in a header."""

BODY_S = 60.0
"""What a page sends has to be here within that time; a photo over a poor link takes some."""

_MOST_HEAD = 16 * 1024
"""Bytes of a request's line and headers. What comes in one piece passes the HTTP library's own bound."""

_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

_OWN_PAGES_ONLY = "Only this site's own pages may ask for that."

_METHODS = ("GET", "HEAD", "POST")

_HEADERS = {
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), screen-wake-lock=(self)",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""On every answer. The camera is the phone's own, by a file input: the page itself needs none."""

_UNLESS_SAID = {
    "Content-Security-Policy": content_policy(),
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
"""On every answer that says nothing else about it."""


@dataclass(frozen=True, slots=True)
class Guard:
    """What is let through."""

    token: str
    port: int
    names: Collection[str] = ()
    """Host names besides this machine's loopback."""
    any_address: bool = False
    """Whether any bare IP address is a good host: rebinding needs a name."""
    scheme: str = "http"
    """Or `https`."""

    def wrong_host(self, host: str) -> str | None:
        """Say what is wrong with a `Host` header; None where it is right."""
        name, port = _host_and_port(host, 443 if self.scheme == "https" else 80)
        if port != self.port:
            return "This address is not served here."
        if name in _LOOPBACK or name in {each.lower() for each in self.names}:
            return None
        return None if self.any_address and _is_address(name) else "This host name is not served here."

    def foreign(self, path: str, headers: Mapping[str, str]) -> str | None:
        """Say why another site's page may not ask for this; None where it may, which is for a page itself."""
        from_elsewhere = headers.get("sec-fetch-site") in ("cross-site", "same-site")
        return _OWN_PAGES_ONLY if from_elsewhere and path not in ENTRIES else None

    def forged(self, headers: Mapping[str, str]) -> str | None:
        """Say why a request that would change something is refused; None where it comes from our own page.

        Args:
            headers: by their names in lower case.
        """
        origin = headers.get("origin")
        if self._from_elsewhere(headers) or (origin is not None and origin != self._origin(headers)):
            return _OWN_PAGES_ONLY
        if not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return "This page is of an earlier run; it takes up the new one by itself. Press once more."
        return None

    def forged_form(self, headers: Mapping[str, str]) -> str | None:
        """Say why a form is refused; None where it is one of ours. Every browser names the origin of what it posts."""
        ours = headers.get("origin") == self._origin(headers) and not self._from_elsewhere(headers)
        return None if ours else _OWN_PAGES_ONLY

    def _from_elsewhere(self, headers: Mapping[str, str]) -> bool:
        return headers.get("sec-fetch-site", "same-origin") != "same-origin"

    def _origin(self, headers: Mapping[str, str]) -> str:
        return f"{self.scheme}://{headers.get('host', '')}"


class Guarded:
    """The app behind the guard."""

    def __init__(self, app: ASGIApp, guard: Guard, journal: Journal | None = None) -> None:
        """Be ready.

        Args:
            app: what is guarded.
            guard: what is let through.
            journal: where refusals are logged; nowhere unless given.
        """
        self._app, self._guard, self._journal = app, guard, journal

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        scope.setdefault("state", {})

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(_HEADERS)
                for name, value in _UNLESS_SAID.items():
                    headers.setdefault(name, value)
                if message["status"] >= 400:
                    self._log(scope, message["status"])
            await send(message)

        end_s = asyncio.get_running_loop().time() + BODY_S

        async def receive_in_time() -> Message:
            try:
                async with asyncio.timeout_at(end_s):
                    return await receive()
            except TimeoutError as error:
                raise HTTPException(408, "This came too slowly; send it again.") from error

        changes = scope["method"] not in ("GET", "HEAD")
        answer = self._refusal(scope) or self._app
        await answer(scope, receive_in_time if changes else receive, send_with_headers)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers, path, method = Headers(scope=scope), scope["path"], scope["method"]
        if len(scope["raw_path"] + scope["query_string"]) + sum(map(len, chain(*scope["headers"]))) > _MOST_HEAD:
            return PlainTextResponse("This is too much to ask.", 431)
        if trouble := self._guard.wrong_host(headers.get("host", "")):
            return PlainTextResponse(trouble, 421)
        if method not in _METHODS:
            return PlainTextResponse("This method is not served here.", 405, {"Allow": ", ".join(_METHODS)})
        if is_odd(path) or is_odd(scope.get("root_path", "")):
            return PlainTextResponse("There is no such path.", 400)
        if "websocket" in headers.get("upgrade", "").lower():
            return PlainTextResponse("There are no web sockets here.", 400)
        trouble = self._guard.foreign(path, headers)
        if trouble is None and method == "POST":
            trouble = self._guard.forged_form(headers) if path in FORMS else self._guard.forged(headers)
        return PlainTextResponse(trouble, 403) if trouble else None

    def _log(self, scope: Scope, status: int) -> None:
        if self._journal is not None:
            session = scope["state"].get("session")
            self._journal.note(
                "refused",
                address=address_of(scope),
                who=session.who if session else None,
                status=status,
                method=scope["method"],
                path=scope["path"],  # without the query, which may hold a ticket
            )


def address_of(scope: Scope) -> str:
    """Return the address at the other end of the connection, whatever headers claim."""
    client = scope.get("client")
    return str(client[0]) if client else ""


def is_odd(path: str) -> bool:
    """Whether a decoded path has what no page of ours asks for, and who wants out of a folder does.

    Control characters, backslashes, what is still percent-encoded, and steps up or on the spot.
    """
    return (
        not path.isprintable()
        or any(sign in path for sign in "\\%")
        or any(part in (".", "..") for part in path.split("/"))
        or "//" in path
    )


def _host_and_port(host: str, default_port: int) -> tuple[str, int]:
    """Take a `Host` header apart; an empty name and port 0 for what is none."""
    try:
        split = urlsplit(f"//{host}")
        port = split.port or default_port
    except ValueError:
        return "", 0
    return (split.hostname or "", port) if split.netloc == host and split.username is None else ("", 0)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
