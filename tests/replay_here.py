"""Verifies and replays jobs of a record in this process, and says for each whether all is as it was: a JSON line a job.

python tests/replay_here.py HOME JOB...
"""

import json
import sys
from pathlib import Path

import click

from meterlink.cli._source import open_sources
from meterlink.record.device_key import known_keys
from meterlink.record.proof import prove
from meterlink.registry import decoder_of
from meterlink.replay import Replay


def main(folder: str, jobs: list[str]) -> int:
    """Say it for each job; return 1 where one differs."""
    home, good = Path(folder), True
    for job in jobs:
        with open_sources(job, home) as sources:
            (source,) = sources
            proof = prove(source.job, source.lines(), source.seals, known_keys(home), recorded_here=True)
            replay = Replay(source.job, decoder_of)
            differences = list(replay.run(source.events()))
        identical = not differences and replay.outcomes > 0 and replay.not_decoded == 0
        good = good and identical and proof.intact
        line = {"job": job, "identical": identical, "intact": proof.intact, "outcomes": replay.outcomes}
        click.echo(json.dumps(line | {"differences": [each.as_json() for each in differences[:2]]}))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2:]))
