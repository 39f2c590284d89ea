"""What an auditor asks of a whole job: the list's counts, its proof, its replay, and what-if. Each worked out once."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping
from pathlib import Path

from meterlink.driver import Decoder
from meterlink.errors import MeterlinkError, UsageError
from meterlink.instrument import Wire
from meterlink.outcome import Json
from meterlink.prepared import prepare
from meterlink.procedure.load import load_procedure
from meterlink.record.lines import job_line
from meterlink.record.proof import Proof
from meterlink.record.seal import fingerprint
from meterlink.record.store import Job
from meterlink.record.summary import SUMMARY_KINDS, summarise
from meterlink.record.words import STATES, local_time, measured
from meterlink.registry import decoder_of
from meterlink.replay import Replay, last_verdicts, verdict_differences, what_if
from meterlink.web.audit.open_jobs import OpenJobs
from meterlink.web.audit.records import Records

_KEPT = 500
_MOST_SHOWN = 50
"""Jobs on one page of the list, and differences that are named."""

Procedures = Callable[[], Mapping[str, Path]]
"""The procedures that can be asked about, by the name that the page shows."""


class Asking:
    """Answers, each kept by the job and its newest event. For any number of threads."""

    def __init__(self, records: Records, jobs: OpenJobs, procedures: Procedures) -> None:
        """Know nothing yet."""
        self._records, self._jobs, self._procedures = records, jobs, procedures
        self._kept: OrderedDict[Hashable, Json] = OrderedDict()
        self._lock = threading.Lock()

    def listed(self, find: str, begin: int) -> Json:
        """Return a page of the list.

        Args:
            find: words that a job must have, in its id, lift, operator, procedure, meter or day.
            begin: how many of them to pass over.
        """
        words = find.casefold().split()
        found = [job for job in self._records.jobs() if all(word in _searched(job) for word in words)]
        return {
            "jobs": [self._line(job) for job in found[begin : begin + _MOST_SHOWN]],
            "found": len(found),
            "begin": begin,
            "most": _MOST_SHOWN,
        }

    def line(self, job_id: str) -> Json:
        """Return one job as it stands in the list."""
        return self._line(self._records.job(job_id))

    def proof(self, job_id: str) -> Json:
        """Say what proves a job, and what does not, in plain words."""
        return self._once("proof", job_id, "", lambda: _proven(self._records.prove(job_id)))

    def replay(self, job_id: str) -> Json:
        """Decode and judge a job again, and compare every outcome with what was stored."""
        return self._once("replay", job_id, "", lambda: self._replayed(self._records.job(job_id)))

    def offered(self) -> Json:
        """Return the procedures that can be asked about."""
        return {"procedures": sorted(self._procedures())}

    def what_if(self, job_id: str, name: str) -> Json:
        """Say what another procedure would have said of the same readings; it is stored nowhere.

        Raises:
            UsageError: there is no such procedure.
            FileError, ProcedureError: it cannot be used.
        """
        path = self._procedures().get(name)
        if path is None:
            raise UsageError(f"{name}: there is no procedure of that name here")
        loaded = load_procedure(path)

        def work() -> Json:
            prepared = prepare(loaded)
            stored = last_verdicts(self._jobs.watched(self._records.events(job_id)))
            other = what_if(prepared, self._jobs.watched(self._records.events(job_id)))
            differences = verdict_differences(stored, other)
            steps = {step.id: step.point for step in prepared.procedure.steps}
            return {
                "procedure": prepared.procedure.procedure,
                "revision": prepared.procedure.revision,
                "verdicts": len(stored),
                "differences": [
                    {"step": step, "point": steps.get(step, ""), "stored": _verdict(one), "what_if": _verdict(two)}
                    for step, one, two in differences
                ],
            }

        return self._once("what-if", job_id, (name, loaded.source), work)

    def _line(self, job: Job) -> Json:
        return self._once("line", job.id, "", lambda: self._summed_up(job))

    def _summed_up(self, job: Job) -> Json:
        told = {
            "job": job.id,
            "title": job.title,
            "procedure": f"{job.procedure} revision {job.revision}",
            "lift": job.lift,
            "operator": job.operator,
            "started": local_time(job.started_utc_ns, job.utc_offset_s),
            "meter": job.meter_identity or job.meter,
            "software": job.software,
            "sealed_to": self._records.sealed_to(job.id),
        }
        try:
            summary = summarise(self._jobs.watched(self._records.events(job.id, SUMMARY_KINDS)))
            line = job_line(job, summary)
        except (MeterlinkError, KeyError, TypeError, ValueError) as error:
            return {**told, "trouble": f"cannot be read: {error}"}
        counts = {name: line[name] for name in ("passed", "failed", "unclear")}
        return {**told, **counts, "state": STATES[summary.state], "lost_between": summary.lost_between}

    def _replayed(self, job: Job) -> Json:
        unread: list[str] = []

        def decoders(wire: Wire) -> Decoder | None:
            try:
                return decoder_of(wire)
            except MeterlinkError as error:
                unread.append(str(error))
                return None

        replay = Replay(job, decoders)
        differences = [each.as_json() for each in replay.run(self._jobs.watched(self._records.events(job.id)))]
        return {
            "outcomes": replay.outcomes,
            "frames": replay.decoded,
            "not_decoded": replay.not_decoded,
            "different": len(differences),
            "differences": differences[:_MOST_SHOWN],
            "unread": unread,
        }

    def _once(self, what: str, job_id: str, about: Hashable, work: Callable[[], Json]) -> Json:
        key = what, job_id, self._records.last_number(job_id), self._records.sealed_to(job_id), about
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        answer = work()
        with self._lock:
            self._kept[key] = answer
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return answer


def _searched(job: Job) -> str:
    fields = (job.id, job.lift, job.operator, job.procedure, job.title, job.meter, job.meter_identity)
    day = local_time(job.started_utc_ns, job.utc_offset_s)
    return " ".join([day, *(each for each in fields if each)]).casefold()


def _proven(proof: Proof) -> Json:
    return {
        "intact": proof.intact,
        "sealed": proof.sealed,
        "events": proof.events,
        "first_bad_event": proof.first_bad_event,
        "troubles": proof.troubles,
        "facts": proof.facts,
        "key": fingerprint(proof.key) if proof.key else None,
    }


def _verdict(body: Json | None) -> Json | None:
    if body is None:
        return None
    return {"outcome": body["outcome"], "value": measured(body), "limits": body["limits"], "reason": body["reason"]}
