"""The benchmark of the office's intake still runs; what it measures is asserted nowhere, since others are at work."""

import subprocess
import sys
from pathlib import Path

from brokers import needs_mosquitto


@needs_mosquitto
def test_the_short_form_prints_every_figure() -> None:
    program = Path(__file__).with_name("ingest_figures.py")
    ran = subprocess.run([sys.executable, program, "--short"], capture_output=True, text=True, timeout=240, check=False)
    assert ran.returncode in (0, 1), ran.stderr  # 1: too slow here, today
    first, *lines = ran.stdout.splitlines()
    assert first.endswith("SQLite"), ran.stderr
    assert [line.partition(":")[0].partition(",")[0] for line in lines] == [
        "taken in",
        "bare aiomqtt echo",
        "bare executemany",
        "share of the lower ceiling",
        "live",
        "the office's processor time a reading",
        "bytes a reading",
    ]
