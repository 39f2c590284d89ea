"""What each browser is sent, at its own pace: never more than the newest of each thing, so none holds up another."""

import asyncio
import json
import time
from collections.abc import AsyncIterator

from meterlink.outcome import Json
from meterlink.web.hub import BEAT_S, PACE_S, Message
from meterlink.web.office.booths import Followed
from meterlink.web.office.trace import points_since
from meterlink.web.office.watch import Watch

_CARDS_AT_ONCE = 50
_LIVES_AT_ONCE = 1000
_POINTS_AT_ONCE = 2000


async def overview(watch: Watch, last_seen: str | None) -> AsyncIterator[Message]:
    """Everything that the page of all jobs needs, for as long as it stays.

    Args:
        watch: has the cards.
        last_seen: the id of the last message that it has; None for a page that has just been opened.
    """
    await watch.loaded.wait()
    seen, lives, told = _number(watch, last_seen), 0, None
    while True:
        fresh = watch.fresh
        if told != (watch.news, watch.reached):
            told = watch.news, watch.reached
            yield Message("state", _text({**_head(watch), "jobs": watch.jobs}))
        while cards := watch.cards.since(seen, _CARDS_AT_ONCE):
            seen = cards[-1][0]
            yield Message("cards", _list([text for _, text in cards]), f"{watch.epoch}-{seen}")
        if shown := watch.lives.since(lives, _LIVES_AT_ONCE):
            lives = shown[-1][0]
            yield Message("lives", _list([text for _, text in shown]))
        if watch.closed:
            return
        if beat := await _news(fresh):
            yield beat


async def job_in_full(watch: Watch, followed: Followed, last_seen: str | None) -> AsyncIterator[Message]:
    """Everything that the page of one job needs. Its ids are the numbers of the job's own lines, good in any process.

    Args:
        watch: has the job's card, while it is under way.
        followed: the job.
        last_seen: the id of the last message that the page has; None for one that has just been opened.
    """
    seq = int(last_seen) if last_seen and last_seen.isascii() and last_seen.isdigit() and len(last_seen) < 12 else 0
    booth, told, live, value = followed.booth, "", "", ""
    while True:
        fresh, fresh_cards = followed.fresh, watch.fresh
        state = _state(watch, followed)
        if state != told:
            told = state
            yield Message("state", f"{_text(_head(watch))[:-1]},{state}}}")
        while points := points_since(booth.points, seq)[:_POINTS_AT_ONCE]:
            seq = points[-1][0]
            yield Message("trace", _text(points), str(seq))
        if live != booth.live:
            live = booth.live
            yield Message("live", live)
        if value != (newest := watch.lives.text(booth.job.id) or ""):
            value = newest
            yield Message("value", value)
        if watch.closed:
            return
        if beat := await _news(fresh, fresh_cards):
            yield beat


def _state(watch: Watch, followed: Followed) -> str:
    booth = followed.booth
    card = watch.cards.text(booth.job.id) or "null"
    stands = (watch.news, watch.reached)
    return f'"stands":{_text(stands)},"trouble":{_text(followed.trouble)},"card":{card},"job":{booth.state or "null"}'


def _head(watch: Watch) -> Json:
    return {
        "token": watch.token,
        "now": time.time_ns() // 1_000_000,
        "news": watch.news,
        "reached": watch.reached,
        "store": watch.store_place,
    }


async def _news(*fresh: asyncio.Event) -> Message | None:
    """Wait for a change, and at least as long as an eye needs; return a beat where none comes."""
    await asyncio.sleep(PACE_S)
    waiting = [asyncio.ensure_future(each.wait()) for each in fresh]
    try:
        done, _ = await asyncio.wait(waiting, timeout=BEAT_S, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for each in waiting:
            each.cancel()
    return None if done else Message("beat", _text({"now": time.time_ns() // 1_000_000}))


def _number(watch: Watch, name: str | None) -> int:
    """The number behind an id that a page has seen last; 0 for one of another process: it is told everything."""
    epoch, _, number = (name or "").rpartition("-")
    known = epoch == watch.epoch and number.isascii() and number.isdigit()
    return min(int(number[:18]), watch.cards.last) if known else 0


def _list(texts: list[str]) -> str:
    return f"[{','.join(texts)}]"


def _text(body: object) -> str:
    return json.dumps(body, separators=(",", ":"))
