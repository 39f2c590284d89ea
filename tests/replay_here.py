"""Verifies and replays jobs of a record in this process, and says for each whether all is as it was: a JSON line a job.

python tests/replay_here.py HOME JOB...
"""

import json
import sys
from pathlib import Path

import click

from meterlink.record.as_found import lines_as_found, seals_as_found
from meterlink.record.device_key import known_keys
from meterlink.record.proof import prove
from meterlink.record.store import Store
from meterlink.registry import decoder_of
from meterlink.replay import Replay


def main(folder: str, jobs: list[str]) -> int:
    """Say it for each job; return 1 where one differs."""
    home, good = Path(folder), True
    known = known_keys(home)
    with Store.open(home) as store:  # once: opening checks the whole file
        for job_id in jobs:
            job = store.job(job_id)
            lines, seals = lines_as_found(store, job_id, job.sha256 or ""), seals_as_found(store, job_id)
            proof = prove(job, lines, seals, known, recorded_here=True)
            replay = Replay(job, decoder_of)
            differences = list(replay.run(store.events(job_id)))
            identical = not differences and replay.outcomes > 0 and replay.not_decoded == 0
            good = good and identical and proof.intact
            line = {"job": job_id, "identical": identical, "intact": proof.intact, "outcomes": replay.outcomes}
            click.echo(json.dumps(line | {"differences": [each.as_json() for each in differences[:2]]}))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2:]))
