"""Reads what came over log topics, where there is much of it in a process of its own.

To read a pack (inflate it, take it apart, work out its hashes) takes as long as to write its lines into the database.
As threads of one process the two take turns at Python's interpreter lock; as processes each has a processor.
"""

import gc
import signal
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from marshal import dumps, loads
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Self

from meterlink.relay.pack import NoPackError, Pack, PhotoPart, read_pack
from meterlink.relay.stretch import NO_LINES, Stretch

Found = Pack | PhotoPart | NoPackError
_WORTH_IT = 8 * 1024
"""Bytes: less is not worth handing over."""
_END_S = 2.0


def read_message(data: bytes) -> Found:
    """Read one message, or say why it is none that can be read."""
    try:
        return read_pack(data)
    except NoPackError as error:
        return error
    except Exception as error:  # a stranger's bytes: whatever they bring about is their fault, and ends nothing
        return NoPackError(f"malformed: it cannot be read ({type(error).__name__})")


class Reader:
    """Reads messages, with a process for that from the beginning of the block to its end."""

    def __enter__(self) -> Self:
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self._pipe.close()  # it ends by itself then
        self._process.join(_END_S)
        self._process.kill()
        self._process.join()

    def read(self, messages: Sequence[bytes]) -> Sequence[Found]:
        """Read messages, in order: here where there is little, or as long as the process is not up."""
        if self.up and sum(map(len, messages)) >= _WORTH_IT:
            try:
                self._pipe.send(messages)
                packed: Sequence[_Packed] = self._pipe.recv()
            except (EOFError, OSError):  # it was killed: nothing is lost, for it keeps nothing
                self._heard_of = False
                self._pipe.close()
                with suppress(OSError):  # where there is no room for another, all is read here
                    self._start()
            else:
                return [_unpacked(each) for each in packed]
        return [read_message(each) for each in messages]

    def _start(self) -> None:
        ours, theirs = _SPAWN.Pipe()
        with theirs:  # closed here, so that either side hears when the other is gone, even by `kill -9`
            process = _SPAWN.Process(target=_serve, args=(theirs,), name="steadypoint-reader", daemon=True)
            process.start()
        self._pipe, self._process, self._heard_of = ours, process, False

    @property
    def up(self) -> bool:
        """Whether the process is there to read."""
        with suppress(EOFError, OSError):
            if not self._heard_of and self._pipe.poll():
                self._pipe.recv()
                self._heard_of = True
        return self._heard_of


def _serve(pipe: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is heard by the office, which closes the pipe
    gc.disable()  # the collector would go through all lines again and again, which hold no circles
    with suppress(EOFError, OSError):  # the office is gone
        pipe.send(None)
        while True:
            pipe.send([_packed(read_message(each)) for each in pipe.recv()])


def _packed(found: Found) -> "_Packed":
    return (replace(found, lines=NO_LINES), dumps(found.lines.columns)) if isinstance(found, Pack) else (found, b"")


def _unpacked(packed: "_Packed") -> Found:
    found, lines = packed
    return replace(found, lines=Stretch(*loads(lines))) if isinstance(found, Pack) else found  # noqa: S302 - by our own process


_Packed = tuple[Found, bytes]
"""What was found, without its lines, and these as `marshal` writes them: columns of numbers and text, from one
Python to the same. Measured, there and back: 0.4 us a line, where `pickle` takes 0.6; with that, in one run each, the
office's share of a bare `executemany` was 0.52 in place of 0.57."""
_SPAWN = get_context("spawn")
"""A fork would take along the office's threads' locks and its connection to the database."""
