"""A page without a browser: what it is sent, and what it sends."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from http.client import HTTPConnection, HTTPMessage, HTTPResponse
from typing import Any

from meterlink.web.guard import TOKEN_HEADER
from waiting import PATIENCE_S


class Client:
    """A page without a browser."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.token = ""

    @contextmanager
    def _asked(
        self, method: str, path: str, body: str | bytes | None, headers: dict[str, str]
    ) -> Iterator[HTTPResponse]:
        with closing(HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)) as connection:
            connection.request(method, path, body, headers)
            with connection.getresponse() as answer:
                yield answer

    def stream(self) -> AbstractContextManager[HTTPResponse]:
        """The page's events, for as long as the block runs."""
        return self._asked("GET", "/events", None, {})

    def get(self, path: str, headers: dict[str, str] | None = None) -> tuple[int, str, HTTPMessage]:
        """Status, text and headers."""
        with self._asked("GET", path, None, headers or {}) as answer:
            return answer.status, answer.read().decode(), answer.headers

    def send(self, path: str, body: object, headers: dict[str, str] | None = None) -> tuple[int, str]:
        """Status and text of what a page asks for."""
        data = body if isinstance(body, bytes) else json.dumps(body)
        sent = {"Content-Type": "application/json", TOKEN_HEADER: self.token} | (headers or {})
        with self._asked("POST", path, data, sent) as answer:
            return answer.status, answer.read().decode()

    def state(self) -> dict[str, Any]:
        """The state as a page gets it when it comes."""
        with self.stream() as stream:
            line = b""
            while not line.startswith(b"data: "):
                line = stream.readline()
        state: dict[str, Any] = json.loads(line[6:])
        self.token = state["token"]
        return state

    def until(self, holds: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Wait for a state of which that holds."""
        end = time.monotonic() + PATIENCE_S
        while not holds(state := self.state()):
            assert time.monotonic() < end, state
            time.sleep(0.05)
        return state

    def until_phase(self, phase: str) -> dict[str, Any]:
        return self.until(lambda state: bool(state["phase"] == phase))
