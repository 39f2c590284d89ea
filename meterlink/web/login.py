"""The login page and the page that a phone's code opens. Both work without script."""

from collections.abc import Mapping
from html import escape
from importlib.resources import files
from string import Template
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from meterlink.access.gate import Entered, Gate, Refused
from meterlink.access.roles import Role
from meterlink.access.session import Session
from meterlink.web.doorkeeper import Cookie
from meterlink.web.guard import address_of
from meterlink.web.policy import content_policy
from meterlink.web.requests import TooLargeError, body_of

HOMES = {Role.TECHNICIAN: "/", Role.OFFICE: "/?watch", Role.AUDITOR: "/?watch"}
"""Where a login leads, where there is the technician's page only."""

_MOST_BYTES = 8 * 1024
_MOST_FIELDS = 4

_HEADERS = {
    "Content-Security-Policy": content_policy(form_action=["'self'"]),
    "Referrer-Policy": "same-origin",  # without a referrer a browser calls a form's origin null
}

_TEMPLATE = Template((files("meterlink.web") / "login.html").read_text(encoding="utf-8"))

_FIELDS = """
<form method="post" action="/login">
  <label class="field">Name
    <input name="name" autocomplete="username" autocapitalize="none" spellcheck="false" maxlength="64"
      required autofocus>
  </label>
  <label class="field">Password
    <input name="password" type="password" autocomplete="current-password" maxlength="256" required>
  </label>
  <button class="main">Log in</button>
</form>"""

_TICKET = """
<form method="post" action="/enter">
  <input type="hidden" name="ticket" value="{ticket}">
  <p>This device opens the pages as <b>{who}</b>, {role}. The code is good for one device.</p>
  <button class="main">Open</button>
</form>"""

_LOGGED_IN = """
<p>Logged in as <b>{who}</b>, {role}.</p>
<p><a class="on" href="{home}">To the page</a></p>
<form method="post" action="/logout">
  <button class="quiet">Log out</button>
</form>"""

_PLAIN = (
    '<p class="plain"><b>Not encrypted.</b> Whoever listens on this network can read what you type. '
    "Use it on a network of your own only.</p>"
)


async def _nobody(request: Request) -> Response:
    return Response(status_code=204)


_SESSION = "/session"

NO_LOGIN = [Route(_SESSION, _nobody)]
"""Tells pages that here nobody logs in."""


class LoginPage:
    """Its routes."""

    def __init__(self, gate: Gate, cookie: Cookie, homes: Mapping[Role, str] = HOMES) -> None:
        """Be ready.

        Args:
            gate: checks who comes.
            cookie: carries the session.
            homes: the page to which each role's login leads.
        """
        self._gate, self._cookie, self._homes = gate, cookie, homes

    @property
    def routes(self) -> list[BaseRoute]:
        """Where everything lies."""
        return [
            Route("/login", self._page),
            Route("/login", self._log_in, methods=["POST"]),
            Route("/logout", self._log_out, methods=["POST"]),
            Route("/enter", self._ticket),
            Route("/enter", self._take_ticket, methods=["POST"]),
            Route(_SESSION, self._session),
        ]

    async def _page(self, request: Request) -> Response:
        session: Session | None = request.state.session
        if session is None:
            return self._shown("Log in", _FIELDS)
        content = _LOGGED_IN.format(who=escape(session.who), role=session.role, home=escape(self._home(session)))
        return self._shown("Logged in", content, inside=True)

    async def _log_in(self, request: Request) -> Response:
        fields = await _fields(request)
        if fields is None or not fields.keys() >= {"name", "password"}:
            return self._shown("Log in", _FIELDS, Refused(400, "Name and password are needed."))
        outcome = await self._gate.log_in(
            fields["name"], fields["password"], address_of(request.scope), request.state.token
        )
        return self._answer(outcome, "Log in", _FIELDS)

    async def _log_out(self, request: Request) -> Response:
        session: Session | None = request.state.session
        if session is not None:
            await self._gate.log_out(request.state.token, session.who, address_of(request.scope))
        response = RedirectResponse("/login", 303)
        self._cookie.take_back(response)
        return response

    async def _ticket(self, request: Request) -> Response:
        """Show what a code is good for; looking takes nothing, for phones like to look before they open."""
        token = request.query_params.get("ticket", "")
        ticket = await self._gate.announced(token)
        if ticket is None:
            return self._shown("Log in", _FIELDS, Refused(403, "This code has been used or is too old."))
        content = _TICKET.format(ticket=escape(token), who=escape(ticket.who), role=ticket.role)
        return self._shown("This device", content)

    async def _take_ticket(self, request: Request) -> Response:
        token = (await _fields(request) or {}).get("ticket", "")
        outcome = await self._gate.enter_by_ticket(token, address_of(request.scope), request.state.token)
        return self._answer(outcome, "Log in", _FIELDS)

    async def _session(self, request: Request) -> Response:
        session: Session | None = request.state.session
        if session is None:
            return PlainTextResponse("Log in first.", 401)
        return JSONResponse({"who": session.who, "role": session.role})

    def _answer(self, outcome: Entered | Refused, title: str, content: str) -> Response:
        if isinstance(outcome, Refused):
            return self._shown(title, content, outcome)
        response = RedirectResponse(self._home(outcome.session), 303)
        self._cookie.give(response, outcome.token)
        return response

    def _home(self, session: Session) -> str:
        return self._homes[session.role]

    def _shown(self, title: str, content: str, refused: Refused | None = None, *, inside: bool = False) -> Response:
        said = f'<p class="refused" role="alert">{escape(refused.words)}</p>' if refused else ""
        text = _TEMPLATE.substitute(
            title=escape(title),
            inside="yes" if inside else "no",
            content=content,
            said=said,
            plain="" if self._cookie.encrypted else _PLAIN,
        )
        wait = {"Retry-After": str(refused.wait_s)} if refused and refused.wait_s else {}
        return HTMLResponse(text, refused.status if refused else 200, _HEADERS | wait)


async def _fields(request: Request) -> dict[str, str] | None:
    """Read a form's fields; None for what is no form."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/x-www-form-urlencoded":
        return None
    try:
        parsed = parse_qs((await body_of(request, _MOST_BYTES)).decode(), True, max_num_fields=_MOST_FIELDS)
    except (TooLargeError, ValueError):
        return None
    return {name: values[0] for name, values in parsed.items()}
