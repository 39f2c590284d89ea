"""A recorder that holds its job's lock until it is killed."""

import sys
from pathlib import Path

from meterlink.record.lock import recording


def main(folder: str, job: str) -> None:
    """Say when the lock is held, then wait for an end that never comes."""
    with recording(Path(folder), job):
        print("held", flush=True)  # noqa: T201 - the pipe to the test
        sys.stdin.read()


main(*sys.argv[1:])
