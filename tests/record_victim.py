"""A recorder to be killed: appends without end, and says the number of the last entry once it is on disk."""

import sys
from pathlib import Path

from meterlink.record.codec import to_entry
from meterlink.record.store import Store
from record_samples import reading


def main(folder: str, job: str) -> None:
    """Append three readings at a time."""
    with Store.open(Path(folder)) as store:
        while True:
            last = store.append(job, [to_entry(reading("24.10", step)) for step in range(3)])
            print(last, flush=True)  # noqa: T201 - the pipe to the test


main(*sys.argv[1:])
