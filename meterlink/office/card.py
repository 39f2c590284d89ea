"""A crew's card: one job that is under way, or was a moment ago, as JSON; and which comes first. Pure.

Every text in it may come from a crew's device: a page shows it as text and as nothing else.
"""

from enum import StrEnum

from meterlink.office.account import Told
from meterlink.office.alerts import RANK, Alert, Case, Link, alerts, fail_of
from meterlink.outcome import Json
from meterlink.phrases import FUNCTION_NAMES
from meterlink.reading import NS_PER_S, Flag, Reading
from meterlink.record.store import Job
from meterlink.screen import unit_shown

_MOST_STOPS = 400
_ENDED_S = 30 * 60
"""An ended job stays with the live ones for so long; then it is history."""
_FORGOTTEN_S = 12 * 3600
"""One of which nothing more comes, for so long."""
_MS = 1_000_000


class Phase(StrEnum):
    """Where a job stands."""

    RUNNING = "running"
    LEFT = "left"
    """Broken off, or left for another; it can be gone on with."""
    ENDED = "ended"
    """Every step judged."""
    STOPPED = "stopped"
    """Ended before that."""


def phase_of(case: Case, job: str) -> Phase:
    """Say where a job stands."""
    account, link = case.account, case.link
    if account.complete is not None:
        return Phase.ENDED if account.complete else Phase.STOPPED
    elsewhere = link is not None and link.online and link.job not in (None, job)
    return Phase.LEFT if elsewhere or account.trouble == "interrupted" else Phase.RUNNING


def is_history(case: Case, received_utc_ns: int, now_utc_ns: int) -> bool:
    """Tell whether a job has left the live ones.

    Args:
        case: the job.
        received_utc_ns: when the office last took in a line of it.
        now_utc_ns: the time, by the office's clock.
    """
    for_s = _FORGOTTEN_S if case.account.complete is None else _ENDED_S
    return now_utc_ns - received_utc_ns > for_s * NS_PER_S


def card(job: Job, *, device: str, site: str, case: Case, now_utc_ns: int) -> Json:
    """Write a card; its times are milliseconds of the office's clock, for a page that counts on from there.

    Args:
        job: its own line.
        device: the crew's name, as registered.
        site: where it belongs.
        case: what is known.
        now_utc_ns: the time.
    """
    account, phase = case.account, phase_of(case, job.id)
    raised = list(alerts(case, now_utc_ns)) if phase is Phase.RUNNING else list(filter(None, [fail_of(case)]))
    return {
        "job": job.id,
        "device": device,
        "site": site,
        "lift": job.lift,
        "title": job.title[:300],
        "revision": job.revision[:40],
        "started": _ms(case.here(job.started_utc_ns)),
        "phase": phase.value,
        "order": order(phase, raised, case.here(job.started_utc_ns)),
        "alerts": [_alert(alert) for alert in raised],
        "step": _step(case) if phase in (Phase.RUNNING, Phase.LEFT) else None,
        "search": account.found or None if account.searching else None,
        "searching": account.searching,
        "last": _told(case, account.newest) if account.newest else None,
        "counts": account.counts,
        "done": account.done,
        "stops": _stops(case),
        "lost_between": list(account.lost_between) if account.lost_between else None,
        "link": _link(case.link),
        "meter": account.trouble if account.trouble != "interrupted" else None,
        "calibration": account.calibration,
        "instrument": account.instrument,
        "ended": _ms(case.here(account.ended_utc_ns)) if account.ended_utc_ns else None,
        "asides": case.asides,
    }


def order(phase: Phase, raised: list[Alert], started_utc_ns: int) -> list[int]:
    """Return what cards are sorted by: what needs help first, in it the newest."""
    if phase is Phase.RUNNING:
        first = RANK[raised[0].about] if raised else len(RANK)
    else:
        first = len(RANK) + (1 if raised else 2 if phase is not Phase.ENDED else 3)
    return [first, -_ms(raised[0].since_utc_ns if raised else started_utc_ns), -_ms(started_utc_ns)]


def shown_json(case: Case, reading: Reading) -> Json:
    """What the meter shows."""
    return {
        "display": reading.display,
        "unit": unit_shown(reading),
        "function": FUNCTION_NAMES[reading.function],
        "low": Flag.LOW_BATTERY in reading.flags,
        "at": _ms(case.here(reading.at.utc_ns)),
    }


def _alert(alert: Alert) -> Json:
    return {"about": alert.about.value, "words": alert.words, "since": _ms(alert.since_utc_ns)}


def _told(case: Case, told: Told) -> Json:
    return {
        "point": case.plan.point(told.step),
        "outcome": told.outcome,
        "value": told.value,
        "limits": told.limits,
        "why": told.reason,
        "at": _ms(case.here(told.utc_ns)),
        "seq": told.seq,
    }


def _step(case: Case) -> Json:
    account = case.account
    numbers = {step.id: number for number, step in enumerate(case.plan.steps, 1)}
    return {
        "point": case.point[:300],
        "ask": account.ask,
        "kind": case.kind,
        "number": numbers.get(account.step or ""),
        "of": len(numbers),
        "since": _ms(case.here(account.asked_utc_ns)),
    }


def _stops(case: Case) -> list[Json]:
    """The rail, lying down: the state of each step."""
    account = case.account
    stops: list[Json] = []
    for step in case.plan.steps[:_MOST_STOPS]:
        told = account.verdicts.get(step.id)
        state = told.outcome if told else "answered" if step.id in account.answers else "not yet"
        stops.append({"state": state, "here": account.complete is None and step.id == account.step})
    return stops


def _link(link: Link | None) -> Json:
    if link is None:
        return {"online": None, "meter": "unknown", "battery": None, "since": None}
    return {
        "online": link.online,
        "meter": link.meter,
        "battery": link.battery,
        "since": None if link.trouble_utc_ns is None else _ms(link.trouble_utc_ns),
    }


def _ms(utc_ns: int) -> int:
    return utc_ns // _MS
