"""What verifying and replaying cost: a one-hour job by stage, and the memory that a long archive takes.

    python tests/long_figures.py            # 36,000 readings, and an archive of 10,000,000
    python tests/long_figures.py 36000 1000000

Times are those of one core (`time.process_time`), since other programs may run beside.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import cycle
from pathlib import Path

import click

from long_job import HOUR, RATE, WIRE, framed, record_long_job
from meterlink.cli._source import open_sources
from meterlink.engine import Engine
from meterlink.reading import NS_PER_S, Instant
from meterlink.record.archive import write_archive
from meterlink.record.as_found import lines_as_found, seals_as_found
from meterlink.record.chain import Line, canonical, digest
from meterlink.record.codec import from_event, to_entry
from meterlink.record.device_key import DeviceKey, device_key
from meterlink.record.entry import Event, Kind
from meterlink.record.photos import photos_in
from meterlink.record.proof import prove
from meterlink.record.seal import Seal, seal
from meterlink.record.store import Job, Store
from meterlink.registry import decoder_of
from meterlink.replay import Replay, kept_with
from record_samples import begin

_SHARE = 1000
"""A job must be verified and replayed in this share of its length."""
_FLAT_KIB = 20 * 1024
"""By so much the memory may differ between a short archive and a long one."""


def timed(work: Callable[[], object]) -> float:
    """Return the processor time of some work, in seconds."""
    began = time.process_time()
    work()
    return time.process_time() - began


def one_hour(home: Path, count: int) -> bool:
    """Print what a job of so many readings costs; return whether it is quick enough."""
    with Store.open(home) as store:
        recorded = time.process_time()
        job_id = record_long_job(store, count, device_key(home))
        recorded = time.process_time() - recorded
        job = store.job(job_id)
        lines = list(lines_as_found(store, job_id, job.sha256 or ""))
        seals = seals_as_found(store, job_id)

        def verify() -> None:
            proof = prove(job, lines_as_found(store, job_id, job.sha256 or ""), seals, {}, recorded_here=False)
            assert (proof.intact, proof.sealed) == (True, True), proof

        def replay() -> None:
            run = Replay(job, decoder_of)
            assert list(run.run(store.events(job_id))) == []
            assert run.decoded >= count

        whole = {"verify": timed(verify), "replay": timed(replay)}
        read = timed(lambda: list(lines_as_found(store, job_id, job.sha256 or "")))
        events = list(store.events(job_id))
        stages = {
            "verify: read the file": read,
            "verify: hash and compare": timed(lambda: [line.fits for line in lines]),
            "replay: read the file": timed(lambda: list(store.events(job_id))),
            "replay: read inputs back": timed(lambda: [from_event(event) for event in events]),
            "replay: decode the frames": timed(lambda: decode(events)),
            "replay: settle, match, judge": timed(lambda: feed(job, events)),
        }
    length = count / RATE
    click.echo(f"over {count} readings in {length:.0f} s, {len(events)} events; recorded in {recorded:.2f} s")
    for name, seconds in {**stages, **whole}.items():
        click.echo(f"  {name:<30} {seconds:6.2f} s  {seconds / len(events) * 1e6:6.1f} us an event")
    total = sum(whole.values())
    click.echo(f"  verify and replay: {total:.2f} s, allowed {length / _SHARE:.2f} s")
    return total <= length / _SHARE


def decode(events: list[Event]) -> None:
    """Decode every frame again."""
    decoder = decoder_of(WIRE)
    for event in events:
        if event.kind is Kind.READING:
            assert decoder.feed(event.raw, event.at)


def feed(job: Job, events: list[Event]) -> None:
    """Let a fresh engine take every input."""
    prepared = kept_with(job, events[0])
    engine = Engine(prepared.procedure, prepared.tied, prepared.ways)
    engine.start(events[0].at)
    for event in events[1:]:
        item = from_event(event)
        if item is not None:
            engine.feed(item)


def long_lines(job: Job, count: int) -> Iterator[Line]:
    """A log of so many readings, each linked to the one before; there is no job of 278 hours to record in a test."""
    shown = [to_entry(framed(display, Instant(0, 0))) for display in ("24.10", "24.11", "24.09")]
    bodies = cycle([(canonical(entry.body), entry.raw) for entry in shown])
    prev = (job.sha256 or "").encode()
    for seq in range(1, count + 1):
        body, raw = next(bodies)
        ns = seq * NS_PER_S // RATE
        times = (b"%d" % ns, b"%d" % (job.started_utc_ns + ns))
        line = Line(seq, *times, b"reading", body, raw, prev, b"")
        prev = digest(line.text)
        yield line._replace(sha256=prev)


def long_archive(home: Path, count: int, key: DeviceKey) -> Path:
    """Write an archive of so many readings, sealed at its end."""
    with Store.open(home) as store:
        job = store.job(begin(store, device=key.public_key))
    path = home / f"{count}.zip"
    seals: list[Seal] = []

    def noting() -> Iterator[Line]:
        for line in long_lines(job, count):
            yield line
            if line.seq == count:
                seals.append(seal(job.id, count, line.sha256.decode(), job.started_utc_ns, key))

    write_archive(path, job, noting(), seals, photos_in(home))
    return path


def memory(home: Path, count: int, key: DeviceKey) -> int:
    """Print what verifying a long archive takes; return the peak of memory in KiB."""
    began = time.monotonic()
    path = long_archive(home, count, key)
    written = time.monotonic() - began
    result = subprocess.run(
        [sys.executable, __file__, "verify", str(home), str(path)], capture_output=True, text=True, check=True
    )
    peak, seconds, intact = result.stdout.split()
    size = path.stat().st_size / 1e6
    path.unlink()
    click.echo(
        f"archive of {count} readings, {size:.0f} MB: written in {written:.0f} s, verified in {float(seconds):.1f} s, "
        f"peak memory {int(peak) / 1024:.1f} MiB, {intact}"
    )
    assert intact == "intact"
    return int(peak)


def verify_here(home: Path, name: str) -> None:
    """Verify an archive in this process, and print its peak of memory in KiB, the time, and what came out."""
    began = time.process_time()
    with open_sources(name, home) as sources:
        for source in sources:
            proof = prove(source.job, source.lines(), source.seals, {}, recorded_here=False)
            peak = peak_kib()
            click.echo(f"{peak} {time.process_time() - began:.2f} {'intact' if proof.intact else 'altered'}")


def peak_kib() -> int:
    """The most memory that this process has had. `getrusage` would count its parent's as well (Linux, proc(5))."""
    (line,) = [line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
    return int(line.split()[1])


def main(readings: int, archive: int) -> int:
    """Run the full figures; return the exit status."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        quick = one_hour(home, readings)
        key = device_key(home)
        short, long = memory(home, archive // 100, key), memory(home, archive, key)
    flat = long - short < _FLAT_KIB
    click.echo(f"memory from {archive // 100} to {archive} readings: {'flat' if flat else 'grows'}")
    return 0 if quick and flat else 1


if __name__ == "__main__":
    if sys.argv[1:2] == ["verify"]:
        verify_here(Path(sys.argv[2]), sys.argv[3])
    else:
        given = [int(text) for text in sys.argv[1:]]
        sys.exit(main(*(given or (HOUR, 10_000_000))))
