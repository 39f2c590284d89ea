"""Packs are read in a process of its own: the same as here, through its death, never longer than the office lives."""

import errno
import signal
import subprocess
import sys
from multiprocessing import active_children
from pathlib import Path

import pytest

from ingest_figures import load
from meterlink.office import reader as office_reader
from meterlink.office.reader import Reader, read_message
from meterlink.relay.pack import NoPackError, PhotoPart, write_photo_part
from waiting import soon

_MESSAGES = [
    *load(1, 1000, 256).packs,
    b"x" * 40_000,
    write_photo_part(PhotoPart("ab" * 32, 7, bytes(40_000))),
]
"""A job's own line with lines, lines alone, what is no pack, a photo: enough to be worth handing over."""


def told(found: object) -> object:
    return str(found) if isinstance(found, NoPackError) else found


def read_elsewhere(reader: Reader, patch: pytest.MonkeyPatch) -> list[object]:
    """Have the messages read where it does not matter that nothing can be read here."""
    assert soon(lambda: reader.up)
    with patch.context() as blind:
        blind.delattr(office_reader, "read_message")
        return [told(each) for each in reader.read(_MESSAGES)]


def test_what_is_read_elsewhere_is_what_is_read_here(monkeypatch: pytest.MonkeyPatch) -> None:
    here = [told(read_message(each)) for each in _MESSAGES]
    with Reader() as reader:
        assert [told(each) for each in reader.read(_MESSAGES)] == here  # most likely before the process is up
        assert read_elsewhere(reader, monkeypatch) == here
    assert not active_children()


def test_a_reader_that_is_killed_costs_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    here = [told(read_message(each)) for each in _MESSAGES]
    with Reader() as reader:
        assert soon(lambda: reader.up)
        (process,) = active_children()
        process.kill()
        process.join()
        assert [told(each) for each in reader.read(_MESSAGES)] == here
        assert read_elsewhere(reader, monkeypatch) == here  # there is another


def test_where_no_other_can_be_started_all_is_read_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_room(*_: object) -> None:
        raise OSError(errno.ENOMEM, "no room")

    here = [told(read_message(each)) for each in _MESSAGES]
    with Reader() as reader:
        assert soon(lambda: reader.up)
        (process,) = active_children()
        monkeypatch.setattr(type(process), "start", no_room)
        process.kill()
        process.join()
        for _ in range(2):
            assert [told(each) for each in reader.read(_MESSAGES)] == here
            assert not reader.up


_OFFICE = """
import multiprocessing, time
from meterlink.office.reader import Reader
with Reader() as reader:
    while not reader.up:
        time.sleep(0.05)
    print(multiprocessing.active_children()[0].pid, flush=True)
    time.sleep(60)
"""


def ended(stat: Path) -> bool:
    try:
        return stat.read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_reader_ends_with_its_office_even_by_kill_9() -> None:
    with subprocess.Popen([sys.executable, "-c", _OFFICE], stdout=subprocess.PIPE, text=True) as office:
        assert office.stdout is not None
        stat = Path(f"/proc/{int(office.stdout.readline())}/stat")
        assert stat.exists()
        office.send_signal(signal.SIGKILL)
    assert soon(lambda: ended(stat))
