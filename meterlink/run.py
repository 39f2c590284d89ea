"""Runs a check: what the meter shows and what the technician answers go to the session; what it says goes out."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from meterlink.entered import Entered
from meterlink.keeper import News
from meterlink.link import Link
from meterlink.note import Note, Photo
from meterlink.outcome import Answer, Break, Cue, Input, Json
from meterlink.reading import Instant, Reading
from meterlink.session import Session

_TICK_S = 1.0


class Output(Protocol):
    """Where a check is shown."""

    def tell(self, announcement: Json) -> None:
        """Show one outcome; it is in the record by now."""

    def live(self, reading: Reading) -> None:
        """Show what the meter shows at this moment."""

    def tick(self) -> None:
        """Show how old things have become; called about once a second while nothing comes."""

    def warn(self, news: str) -> None:
        """Show trouble on the line."""


@dataclass(frozen=True, slots=True)
class Remark:
    """A note of which somebody waits to hear that it is kept."""

    text: str
    by: str
    """Whose it is, such as `technician`."""
    photo: Photo | None
    kept: Callable[[], None]
    """Called once it is on the disk, from the check's own loop."""
    sent: str | None = None
    """The id of a note from the office, which is told aloud once it is kept."""

    def __call__(self, at: Instant) -> Note:
        """Make the note, once it is known when."""
        return Note(self.text, self.by, at, self.photo, self.sent)


class Answers:
    """Answers on their way from a key or a line of input, given by any thread, to the check."""

    def __init__(self) -> None:
        self._queue: asyncio.Queue[Answer | Entered | None] = asyncio.Queue()
        self._loop = asyncio.get_running_loop()

    def give(self, answer: Answer | Entered | None) -> None:
        """Hand over an answer, or what was entered as text; None asks the check to stop."""
        self._loop.call_soon_threadsafe(self._queue.put_nowait, answer)

    async def take(self) -> Answer | Entered | None:
        """Wait for the next answer."""
        return await self._queue.get()


async def run(session: Session, link: Link, answers: Answers, output: Output) -> Break:
    """Run until the procedure ends, the meter's stream ends, or the technician stops.

    Returns:
        Why it stopped, where the procedure has not come to its end.

    Raises:
        LinkError: the link was lost and did not come back; the job can be resumed.
        FileError: the trace is damaged; the job can be resumed.
        RecordError: an outcome could not be stored; it was not announced.
    """
    say = _speaker(link, output)
    say(session.opening())
    next_item = asyncio.ensure_future(anext(link, None))
    next_answer = asyncio.ensure_future(answers.take())
    try:
        while not session.engine.ended:
            waits = {next_item, next_answer}
            done, _ = await asyncio.wait(waits, timeout=_TICK_S, return_when=asyncio.FIRST_COMPLETED)
            if not done:
                output.tick()
                continue
            if next_answer.done():
                answer = next_answer.result()
                if answer is None:
                    return Break.INTERRUPTED
                next_answer = asyncio.ensure_future(answers.take())
                at = link.now()
                say(session.take(Input(answer, at) if isinstance(answer, Answer) else answer(at)))
                if isinstance(answer, Remark):
                    answer.kept()
                    if answer.sent is not None:
                        say([Cue("office-note", f"{answer.by}: {answer.text}", None, session.last).as_json()])
            else:
                item = next_item.result()
                if item is None:
                    return Break.ENDED
                say(session.take(item))
                if isinstance(item, Reading):
                    output.live(item)
                elif isinstance(item, News) and item.trouble:
                    output.warn(item.text)
                next_item = asyncio.ensure_future(anext(link, None))
    finally:
        next_item.cancel()
        next_answer.cancel()
        await asyncio.gather(next_item, next_answer, return_exceptions=True)
    return Break.ENDED


def _speaker(link: Link, output: Output) -> Callable[[Sequence[Json]], None]:
    def say(announcements: Sequence[Json]) -> None:
        for announcement in announcements:
            output.tell(announcement)
            link.hear(announcement)

    return say
