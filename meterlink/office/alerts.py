"""What the office is alerted to, and by which rule. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from meterlink.office.account import Account
from meterlink.office.plan import Plan
from meterlink.reading import NS_PER_S

_MINUTE = 60
QUIET_S: Mapping[str, int] = {
    "reading": 4 * _MINUTE,
    "agree": 5 * _MINUTE,
    "operate": 6 * _MINUTE,
    "watch": 12 * _MINUTE,
    "interval": 6 * _MINUTE,
    "look": 6 * _MINUTE,
    "dead": 6 * _MINUTE,
    "bridge": 5 * _MINUTE,
    "ask": 5 * _MINUTE,
    "search": 8 * _MINUTE,
}
"""For so long a step of a kind may go without a touch, a verdict or an answer (common practice, no source)."""
_QUIET_ELSE_S = 6 * _MINUTE
LONG = 4
"""A step that is asked for this many times as long is stuck, however much is touched (common practice, no source)."""
GRACE_S = 15
"""A link that is back before that was not lost: a phone in a lift well goes from one mast to the next."""
SILENT_S = 180
"""A crew's relay says that it is there every minute; whoever has missed three is not."""


class About(StrEnum):
    """What an alert is about, the weightiest first."""

    FAIL = "fail"
    LINK = "lost-link"
    STUCK = "stuck"
    UNCLEAR = "unclear"
    BATTERY = "low-battery"
    CALIBRATION = "calibration"
    ASIDE = "aside"


RANK = {about: rank for rank, about in enumerate(About)}


@dataclass(frozen=True, slots=True)
class Alert:
    """One thing that the office should see to."""

    about: About
    words: str
    """What, and for a rule: which."""
    since_utc_ns: int
    """By the office's clock; 0 for what has no beginning."""


@dataclass(frozen=True, slots=True)
class Link:
    """How a crew is reached, as its relay said last."""

    online: bool
    meter: str
    """`live`, `low-battery`, `link-lost`, `silent`, `ended` or `unknown`."""
    battery: int | None
    """Of the crew's device, in per cent."""
    job: str | None
    """The job that its log grew by last."""
    heard_utc_ns: int
    """When that was said, by the office's clock."""
    trouble_utc_ns: int | None = None
    """Since when the crew is off line, or its meter not heard; None while neither."""

    @property
    def in_trouble(self) -> bool:
        """Whether the crew, or its meter, is not heard."""
        return not self.online or self.meter in ("link-lost", "silent")

    def after(self, before: "Link | None") -> "Link":
        """Return this with the beginning of its trouble, which may lie before it was said last."""
        if not self.in_trouble:
            return replace(self, trouble_utc_ns=None)
        went_on = before is not None and before.trouble_utc_ns is not None and before.online == self.online
        return replace(self, trouble_utc_ns=before.trouble_utc_ns if before and went_on else self.heard_utc_ns)


@dataclass(frozen=True, slots=True)
class Case:
    """All that is known of a job that is under way."""

    account: Account
    plan: Plan = field(default_factory=Plan)
    link: Link | None = None
    """None where nothing is known."""
    asides: int = 0
    """How many of the crew's messages were refused since the job began."""
    ahead_ns: int = 0
    """How far the crew's clock is ahead of the office's."""

    @property
    def point(self) -> str:
        """Where the technician is asked to probe; empty where that is not known."""
        account = self.account
        return account.point if account.searching else self.plan.point(account.step or "")

    @property
    def kind(self) -> str | None:
        """The kind of the step that is asked for; `search` while a fault is looked for; None where it is not known."""
        if self.account.searching:
            return "search"
        planned = self.plan.by_id.get(self.account.step or "")
        return planned.kind if planned else None

    def here(self, utc_ns: int) -> int:
        """Return a time of the crew's clock by the office's."""
        return utc_ns - self.ahead_ns


def alerts(case: Case, now_utc_ns: int) -> Iterator[Alert]:
    """Say what the office should see to in a job that is under way, the weightiest first.

    Args:
        case: the job.
        now_utc_ns: the time, by the office's clock.
    """
    account, link = case.account, case.link
    if failed := fail_of(case):
        yield failed
    if lost := _lost(case, now_utc_ns):
        yield lost
    elif stuck := _stuck(case, now_utc_ns):
        yield stuck
    newest = account.newest
    if newest is not None and newest.outcome == "unclear":
        value = f" at {newest.value}" if newest.value else ""
        yield Alert(About.UNCLEAR, f"{case.plan.point(newest.step)} too close to call{value}", case.here(newest.utc_ns))
    if link is not None and link.meter == "low-battery":
        yield Alert(About.BATTERY, "the meter's battery is low: nothing is judged", link.heard_utc_ns)
    if account.calibration == "overdue":
        due = f", it was due {account.due}" if account.due else ""
        yield Alert(About.CALIBRATION, f"the meter's calibration is overdue{due}", 0)
    if case.asides:
        yield Alert(About.ASIDE, f"refused and kept aside: {case.asides}", 0)


def fail_of(case: Case) -> Alert | None:
    """Say that the newest verdict is a fail; None where it is none."""
    newest = case.account.newest
    if newest is None or newest.outcome != "fail":
        return None
    value = f": {newest.value}" if newest.value else ""
    return Alert(About.FAIL, f"{case.plan.point(newest.step)} failed{value}", case.here(newest.utc_ns))


def _lost(case: Case, now: int) -> Alert | None:
    link, account = case.link, case.account
    if link is not None:
        if now - link.heard_utc_ns > SILENT_S * NS_PER_S:
            words = f"no word from the crew (rule: none for {SILENT_S // _MINUTE} min)"
            return Alert(About.LINK, words, link.heard_utc_ns)
        since = link.trouble_utc_ns
        if since is not None and now - since >= GRACE_S * NS_PER_S:
            words = "the crew's meter is not heard" if link.online else "the crew is off line"
            return Alert(About.LINK, words, since)
    since = case.here(account.trouble_utc_ns)
    if account.trouble in ("link-lost", "silent") and now - since >= GRACE_S * NS_PER_S:
        return Alert(About.LINK, "the crew's meter is not heard", since)
    return None


def _stuck(case: Case, now: int) -> Alert | None:
    account = case.account
    if account.step is None:
        return None
    quiet_s = QUIET_S.get(case.kind or "", _QUIET_ELSE_S)
    where = f"at {case.point}" if case.point else "at this step"
    whom = f"a step of kind {case.kind}" if case.kind else "a step"
    quiet_since, asked_since = case.here(account.progress_utc_ns), case.here(account.asked_utc_ns)
    if now - quiet_since > quiet_s * NS_PER_S:
        words = f"stuck {where}: nothing touched or answered (rule: {quiet_s // _MINUTE} min at {whom})"
        return Alert(About.STUCK, words, quiet_since)
    if now - asked_since > LONG * quiet_s * NS_PER_S:
        words = f"stuck {where}: no verdict (rule: {LONG * quiet_s // _MINUTE} min at {whom})"
        return Alert(About.STUCK, words, asked_since)
    return None
