"""Jobs to report: simulated ones as `check` records them, and invented ones with texts and touches that no lift has."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

from commands import jobs, steadypoint_apart
from meterlink.cli._proof import proof_of
from meterlink.cli._source import open_sources
from meterlink.outcome import Cue, End, Found, Register, VerdictOutcome
from meterlink.procedure.parse import parse_procedure
from meterlink.record.codec import start_entry, to_entry
from meterlink.record.device_key import device_key
from meterlink.record.entry import Entry
from meterlink.record.store import Store
from meterlink.report.content import report
from record_samples import STARTED_UTC_NS, at, reading, touch, verdict

Content = dict[str, Any]


def simulated(home: Path, scenario: str, *options: str, procedure: str = "start-up") -> str:
    """Run a check of a simulated lift, in a process of its own since a browser has this one's loop; the job's id."""
    home.mkdir(exist_ok=True)
    meter = f"sim:{scenario}{'&' if '?' in scenario else '?'}speed=1000&seed=3"
    told = steadypoint_apart(home, "check", procedure, "--meter", meter, "--accept-cautions", "--json", *options)
    assert told.returncode in (0, 1, 3), told.stderr
    return str(jobs(home)[0]["job"])


def content_of(home: Path, job: str) -> Content:
    """What is reported of a job of the record, or of an archive."""
    with open_sources(job, home) as sources:
        (source,) = sources
        content = report(source.job, source.lines(), source.seals, proof_of(source, home))
    assert json.loads(json.dumps(content)) == content
    return content


def reading_step(number: int, **keys: str) -> Mapping[str, str]:
    """A step that wants 24 V."""
    step = {"id": f"p{number}", "kind": "reading", "point": f"X{number}:1", "reference": "earth bar"}
    return step | {"measure": "dc-voltage", "limits": "23.5..29.0 V", "source": f"sheet {number}"} | keys


def procedure_of(steps: Sequence[Mapping[str, str]], **keys: object) -> str:
    """The text of a procedure."""
    whole = {"procedure": "sample", "title": "Sample", "revision": "1", "cautions": ["Take care."]}
    return str(yaml.safe_dump({**whole, **keys, "steps": list(steps)}, allow_unicode=True, sort_keys=False))


def recorded(home: Path, text: str, entries: Sequence[Entry], lift: str = "L-17", operator: str = "crew 1") -> str:
    """Store a job of that procedure with these entries behind its start, sealed; return its id."""
    home.mkdir(exist_ok=True)
    procedure, key = parse_procedure(text, "sample.yaml"), device_key(home)
    with Store.open(home) as store:
        job = store.begin_job(
            procedure,
            text,
            meter="sim:healthy",
            meter_identity=None,
            software="steadypoint 0.1.0",
            started_utc_ns=STARTED_UTC_NS,
            utc_offset_s=3600,
            lift=lift,
            operator=operator,
            device=key.public_key,
            entries=[start_entry(procedure.cautions, at(0))],
        )
        store.append(job, entries, sealed_by=key)
    return job


def touched(step: str, value: str, start: int, reason: str | None = None) -> list[Entry]:
    """A touch of two seconds with ten readings and a verdict; it begins so many milliseconds after the start."""
    readings = [to_entry(reading(value, start + 200 * number)) for number in range(10)]
    passed = 23.5 <= float(value) <= 29.0
    given = verdict(step, value, VerdictOutcome.PASS if passed else VerdictOutcome.FAIL, start + 1500)
    body = {**given.as_json(), "reason": reason or given.reason}
    judged = Entry(to_entry(given).kind, given.at, body)
    return [*readings, judged, to_entry(touch(step, value, start, start + 1900))]


def over(milliseconds: int, *, complete: bool = True) -> Entry:
    """The end of a job."""
    return to_entry(End(complete, 0, 0, 0, (), None, at(milliseconds)))


def fitted(where: str, milliseconds: int, why: str = "To run the platform down", *, inside: bool = True) -> Entry:
    """An entry of the jumper register."""
    return to_entry(Register(inside, where, why, None, at(milliseconds)))


def found(answer: str, milliseconds: int) -> Entry:
    """A fault that a search has named."""
    proof = [{"point": "X1:1", "reference": None, "value": "24.90", "unit": "V"}]
    return to_entry(Found({"step": "p1", "sure": True, "answer": answer, "proof": proof}, at(milliseconds)))


def mended(milliseconds: int) -> Entry:
    """What is said when the technician has confirmed a repair."""
    return to_entry(Cue("prove-again", "Prove it again.", "p1", at(milliseconds)))


def many_touches(home: Path, count: int) -> str:
    """A job of so many steps, each touched once."""
    entries = [each for number in range(count) for each in touched(f"p{number}", "24.96", 1000 + 4000 * number)]
    text = procedure_of([reading_step(number) for number in range(count)])
    return recorded(home, text, [*entries, over(5000 + 4000 * count)])
