"""A simulated job on a real pseudo-terminal (POSIX): the meter's bytes come out of a serial port, at their own pace.

The technician hears the check's JSON events through `hear`, and answers through a callback, for which the demo writes a
line to the check's standard input.
"""

import threading
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

from meterlink.outcome import Answer, Input
from meterlink_sim.encoders.fs9721_lcd14 import LINE_SECONDS, encode
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.raw_pty import RawPty

_PIECES = (5, 9, 14)
"""Ends of the pieces in which a frame is written; a real port hands over bytes as they come in."""


class PtyPort:
    """The port. Entering it starts the meter, leaving it unplugs the cable.

    Times pass `scale` times as fast as real ones. A frame goes out when its update ends and takes its time on the
    line, 58 ms; what nobody reads is lost once the terminal's buffer is full, as on a real line.
    """

    def __init__(self, job: SimulatedJob, answer: Callable[[Answer], None], scale: float = 1.0) -> None:
        """Prepare the port; nothing runs yet.

        Args:
            job: who sits behind the port.
            answer: called from the port's own thread with each answer of the technician.
            scale: how many virtual seconds pass in a real one.
        """
        self.name = ""
        """The port's path, while it is open."""
        self._job = job
        self._answer = answer
        self._scale = scale
        self._changed = threading.Condition()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="simulated-meter")
        self._pty: RawPty | None = None
        self._epoch = 0.0

    def __enter__(self) -> Self:
        self._pty = RawPty()
        self.name = self._pty.name
        self._epoch = time.monotonic()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.set()
        with self._changed:
            self._changed.notify_all()
        self._thread.join()
        if self._pty is not None:
            self._pty.close()

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Let the technician hear an event as the check prints it; from any thread."""
        with self._changed:
            self._job.hear(announcement, self._virtual_now())
            self._changed.notify_all()

    def _virtual_now(self) -> float:
        return (time.monotonic() - self._epoch) * self._scale

    def _run(self) -> None:
        while not self._closing.is_set():
            with self._changed:
                early = (self._job.due - self._virtual_now()) / self._scale
                if early > 0:
                    self._changed.wait(early)
                    continue
                events = self._job.advance()
            for event in events:
                if isinstance(event, Input):
                    self._answer(event.answer)
                else:
                    self._send(encode(event))

    def _send(self, frame: bytes) -> None:
        start = 0
        for end in _PIECES:
            if self._closing.wait((end - start) / len(frame) * LINE_SECONDS / self._scale):
                return
            if self._pty is not None:
                self._pty.write(frame[start:end])
            start = end
