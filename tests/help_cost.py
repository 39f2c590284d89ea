"""What `steadypoint --help` costs, against a Python that only imports click: both in one run, by turns.

python tests/help_cost.py 20
"""

import subprocess
import sys
import time
from pathlib import Path
from statistics import median

import click

HELP = [str(Path(sys.executable).with_name("steadypoint")), "--help"]
CLICK = [sys.executable, "-c", "import click"]


def seconds(command: list[str]) -> float:
    """Run a command and return how long it took."""
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main(count: int) -> None:
    """Time both so many times and print their medians and the ratio."""
    seconds(HELP)  # once for the byte code
    times = [(seconds(HELP), seconds(CLICK)) for _ in range(count)]
    helped, imported = (median(column) for column in zip(*times, strict=True))
    click.echo(f"steadypoint --help       {1000 * helped:6.1f} ms, median of {count}")
    click.echo(f"python -c 'import click' {1000 * imported:6.1f} ms, median of {count}")
    click.echo(f"ratio                    {helped / imported:6.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
