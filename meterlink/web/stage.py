"""The check on show: what it announces goes to the pages, what the pages answer goes to it."""

import asyncio
import secrets
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import Protocol

from meterlink.engine import Engine
from meterlink.note import Photo
from meterlink.outcome import Answer, Json, Jumper
from meterlink.phrases import LINK_TROUBLE
from meterlink.reading import Reading
from meterlink.run import Answers, Remark
from meterlink.web.hub import Hub
from meterlink.web.scene import Pictured, circuit_shown, live_scene, scene
from meterlink.web.sounds import Sounds

_SAID = 12
"""So many of the last things said stand on a page that is opened now."""

_APART_S = 0.3
"""Two pages that answer the same question within this time meant one answer (common practice, no source)."""


_ANSWERED = {
    Answer.CONFIRM: "Confirmed",
    Answer.REFUSE: "Refused",
    Answer.REPEAT: "Asked again",
    Answer.BACK: "Gone back",
}


class Phase(StrEnum):
    """Where a check on show stands."""

    NONE = "none"
    """Nothing has run yet."""
    STARTING = "starting"
    """The meter is being opened."""
    RUNNING = "running"
    ENDED = "ended"
    """Every step judged, or stopped by one."""
    BROKEN_OFF = "broken-off"
    """It can be resumed."""


class Shown(Protocol):
    """What can be on show: a check, or the replay of one."""

    job: str
    engine: Engine


class NotTakenError(Exception):
    """An answer that came too late, or for which nothing waits; the text says which."""


class Stage:
    """One check at a time, before any number of pages."""

    def __init__(self) -> None:
        """Begin with nothing on show."""
        self.hub = Hub()
        """Where pages watch."""
        self.token = secrets.token_urlsafe(24)
        """What a page must send back with everything it asks for; a page of another site cannot read it."""
        self.pictured: Pictured | None = None
        """The circuit with what is known of it; None where there is none to show."""
        self.pictures = 0
        """Goes up with every change of it."""
        self.job: str | None = None
        self._phase = Phase.NONE
        self._said: deque[Json] = deque(maxlen=_SAID)
        self._session: Shown | None = None
        self._answers: Answers | None = None
        self._replay: str | None = None
        self._sounds: Sounds | None = None
        self._elsewhere: Callable[[str], None] = lambda words: None
        self._asked = 0
        self._question: tuple[str, int, bool] | None = None
        self._answered = (0, 0.0)
        self._trouble: str | None = None
        self._end: Json | None = None
        self._pending: set[asyncio.Future[None]] = set()
        """Notes that are not on the disk yet."""
        self._fixed: dict[str, object] = {}
        self.show()

    @property
    def phase(self) -> Phase:
        """Where the check on show stands."""
        return self._phase

    def close(self) -> None:
        """End every page's stream."""
        self.hub.close()

    def say_of_itself(self, **words: object) -> None:
        """Add what every page is told of this process: whether checks are started here."""
        self._fixed |= words
        self.show()

    def starting(self, what: str) -> None:
        """Show that a check is about to begin."""
        self._forget()
        self._phase, self._trouble = Phase.STARTING, what
        self.show()

    def failed(self, trouble: str) -> None:
        """Show why a check did not begin, or what broke it off."""
        self._phase = Phase.BROKEN_OFF if self._session else Phase.NONE
        self._trouble = trouble
        self.show()

    @contextmanager
    def showing(
        self,
        session: Shown,
        answers: Answers | None,
        elsewhere: Callable[[str], None] = lambda words: None,
        replay: str | None = None,
    ) -> Iterator["PageOutput"]:
        """Put a check on show for as long as the block runs; its end stays in sight after that.

        Args:
            session: the check.
            answers: takes what the pages answer; None: nothing does.
            elsewhere: tells, where else it is shown, that a page has answered.
            replay: says of what it is a replay; None for a check.
        """
        self._forget()
        self._replay = replay
        self._session, self._answers, self.job = session, answers, session.job
        self._elsewhere = elsewhere
        self._sounds = Sounds(session.engine.procedure)
        self._phase = Phase.RUNNING
        self._ask()
        try:
            yield PageOutput(self)
        finally:
            self._answers = None
            for pending in self._pending:
                pending.cancel()
            self._phase = Phase.ENDED if session.engine.ended else Phase.BROKEN_OFF
            self.show()

    def answer(self, answer: Answer, asked: int, page: str) -> None:
        """Take an answer from a page.

        Args:
            answer: what was pressed.
            asked: the number of the question that stood on the page.
            page: names the page, to tell the others that it was not theirs.

        Raises:
            NotTakenError: nothing waits for it, or another page was first.
        """
        answers = self._taker()
        if asked != self._asked:
            raise NotTakenError("Already answered: this page has moved on.")
        now = time.monotonic()
        if self._answered[0] == asked and now - self._answered[1] < _APART_S:
            raise NotTakenError("Another answer came first.")
        self._answered = asked, now
        self.hub.tell({"event": "answered", "text": f"{_ANSWERED[answer]} on another page.", "page": page})
        answers.give(answer)
        self._elsewhere(f"{_ANSWERED[answer]} on a page.")

    async def remark(self, text: str, photo: Photo | None) -> None:
        """Keep a note with the record; it is on the disk when this returns.

        Raises:
            NotTakenError: no check is running, or it ended before the note was kept.
        """
        answers = self._taker()
        kept: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._pending.add(kept)
        try:
            answers.give(Remark(text, "technician", photo, lambda: _done(kept)))
            await kept
        except asyncio.CancelledError:
            if not kept.cancelled():
                raise
            raise NotTakenError("The check ended before this was kept.") from None
        finally:
            self._pending.discard(kept)
        self.hub.tell({"event": "noted", "text": text, "photo": photo is not None})

    def enter(self, *, fitted: bool, where: str, why: str) -> None:
        """Enter that a temporary jumper was fitted or taken out; what the register says of it is heard and shown.

        Raises:
            NotTakenError: no check is running.
        """
        self._taker().give(lambda at: Jumper(fitted, where, why, at))

    def require_check(self) -> None:
        """Raise `NotTakenError` where nothing is running that would take an answer or a note."""
        self._taker()

    def stop(self) -> None:
        """Break the check off; it can be resumed."""
        if self._answers is not None:
            self._answers.give(None)

    def announced(self, announcement: Json) -> None:
        """Show one outcome."""
        event = announcement["event"]
        if event == "cue":
            code = str(announcement["code"])
            self._said.append({"code": code, "text": announcement["text"]})
            self._trouble = LINK_TROUBLE.get(code, self._trouble)
        elif event == "end":
            self._end = announcement
        self._ask()
        sound = self._sounds.of(announcement) if self._sounds else None
        if sound is not None:
            self.hub.tell({**announcement, "sound": sound})

    def reading(self, reading: Reading) -> None:
        """Show the digits."""
        if self._session is None:
            return
        if self._trouble is not None:
            self._trouble = None
            self.show()
        self.hub.show_live(live_scene(self._session.engine, reading))

    def warned(self, news: str) -> None:
        """Show trouble on the line."""
        self._said.append({"code": "news", "text": news})
        self.show()

    def show(self) -> None:
        """Send the state as it is now."""
        self.hub.show(
            {
                **self._fixed,
                "token": self.token,
                "phase": self._phase.value,
                "job": self.job,
                "replay": self._replay,
                "asked": self._asked,
                "trouble": self._trouble,
                "said": list(self._said),
                "end": self._end,
                "picture": self.pictures if self.pictured else None,
                "check": scene(self._session.engine, self.pictured) if self._session else None,
            }
        )

    def _ask(self) -> None:
        """Count the questions: an answer is taken only for the one that stands."""
        if self._session is None:
            return
        engine = self._session.engine
        question = engine.step.id, len(engine.verdicts), engine.ended
        if question != self._question:
            self._question = question
            self._asked += 1
        pictured = circuit_shown(engine)
        if pictured != self.pictured:
            self.pictured = pictured
            self.pictures += 1
        self.show()

    def _taker(self) -> Answers:
        if self._replay is not None:
            raise NotTakenError(f"{self._replay}: no answers are taken.")
        if self._answers is None:
            raise NotTakenError("No check is running.")
        return self._answers

    def _forget(self) -> None:
        self._replay = None
        self._session, self._end, self._trouble, self.pictured = None, None, None, None
        self._question = None
        self._said.clear()


def _done(kept: "asyncio.Future[None]") -> None:
    if not kept.done():
        kept.set_result(None)


class PageOutput:
    """Where a check is shown: on every page."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage

    def tell(self, announcement: Json) -> None:
        """Show one outcome; it is in the record by now."""
        self._stage.announced(announcement)

    def live(self, reading: Reading) -> None:
        """Show the digits."""
        self._stage.reading(reading)

    def tick(self) -> None:
        """Do nothing: each page counts the age of its digits itself."""

    def warn(self, news: str) -> None:
        """Show trouble on the line."""
        self._stage.warned(news)
