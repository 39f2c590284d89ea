"""Who may speak to the pages: the right host name, this site's own pages, and nothing that a browser was lured into.

Against DNS rebinding the `Host` header is checked; against forged requests the origin, the browser's own word
(`Sec-Fetch-Site`, W3C Fetch Metadata) and a token; against injected script a Content-Security-Policy without exception.
"""

import ipaddress
import secrets
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "x-steadypoint-token"  # noqa: S105 - the header's name

_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

_OWN_PAGES_ONLY = "Only this site's own pages may ask for that."

_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "media-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
        "require-trusted-types-for 'script'; trusted-types 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), screen-wake-lock=(self)",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""On every answer. The camera is the phone's own, by a file input: the page itself needs none."""


@dataclass(frozen=True, slots=True)
class Guard:
    """What is let through."""

    token: str
    port: int
    names: Collection[str] = ()
    """Host names besides this machine's loopback."""
    any_address: bool = False
    """Whether any bare IP address is a good host: rebinding needs a name."""

    def wrong_host(self, host: str) -> str | None:
        """Say what is wrong with a `Host` header; None where it is right."""
        name, port = _host_and_port(host)
        if port != self.port:
            return "This address is not served here."
        if name in _LOOPBACK or name in {each.lower() for each in self.names}:
            return None
        return None if self.any_address and _is_address(name) else "This host name is not served here."

    def foreign(self, path: str, headers: Mapping[str, str]) -> str | None:
        """Say why another site's page may not ask for this; None where it may, which is for the page itself."""
        from_elsewhere = headers.get("sec-fetch-site") in ("cross-site", "same-site")
        return _OWN_PAGES_ONLY if from_elsewhere and path != "/" else None

    def forged(self, headers: Mapping[str, str]) -> str | None:
        """Say why a request that would change something is refused; None where it comes from our own page.

        Args:
            headers: by their names in lower case.
        """
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return _OWN_PAGES_ONLY
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{headers.get('host', '')}":
            return _OWN_PAGES_ONLY
        if not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return "This page is of an earlier run; it takes up the new one by itself. Press once more."
        return None


class Guarded:
    """The app behind the guard."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self._app, self._guard = app, guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(_HEADERS)
            await send(message)

        await (self._refusal(scope) or self._app)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        if trouble := self._guard.wrong_host(headers.get("host", "")):
            return PlainTextResponse(trouble, 421)
        changes = scope["method"] not in ("GET", "HEAD")
        trouble = self._guard.foreign(scope["path"], headers) or (self._guard.forged(headers) if changes else None)
        return PlainTextResponse(trouble, 403) if trouble else None


def _host_and_port(host: str) -> tuple[str, int]:
    """Take a `Host` header apart; an empty name and port 0 for what is none."""
    try:
        split = urlsplit(f"//{host}")
        port = split.port or 80
    except ValueError:
        return "", 0
    return (split.hostname or "", port) if split.netloc == host and split.username is None else ("", 0)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
