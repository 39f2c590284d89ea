"""A verifier of an archive as an auditor could write it from DEVELOPERS.md: nothing of Steadypoint is imported.

python tests/auditor.py job.zip
"""

import hashlib
import json
import sys
import zipfile
from pathlib import Path
from typing import Any

import click
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def checked(text: str) -> tuple[str, Any]:
    """Return the hash that a line states and the line, once the hash is found to be right."""
    line = json.loads(text)
    stated = line.pop("sha256")
    assert hashlib.sha256(rfc8785.dumps(line)).hexdigest() == stated, text
    return stated, line


def audit(path: Path) -> tuple[int, list[tuple[int, str]]]:
    """Return the number of events, and each seal's reach and key; raise where anything does not fit."""
    with zipfile.ZipFile(path) as archive:
        head, _ = checked(archive.read("job.json").decode())
        hashes = [head]
        for number, text in enumerate(archive.read("events.jsonl").decode().splitlines(), start=1):
            head, line = checked(text)
            assert (line["seq"], line["prev"]) == (number, hashes[-1]), text
            hashes.append(head)
        seals = [json.loads(text) for text in archive.read("seals.jsonl").decode().splitlines()]
        for seal in seals:
            assert seal["head"] == hashes[seal["events"]]
            key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(seal["public_key"]))
            key.verify(bytes.fromhex(seal.pop("signature")), rfc8785.dumps(seal))
        for name in archive.namelist():
            if name.startswith("photos/"):
                assert hashlib.sha256(archive.read(name)).hexdigest() == name.removeprefix("photos/")
    return len(hashes) - 1, [(seal["events"], seal["public_key"]) for seal in seals]


if __name__ == "__main__":
    click.echo(audit(Path(sys.argv[1])))
