"""Keeping a link: what is said of its breaks, when it is opened again, and what may be judged after them."""

from math import inf

from frames import VOLTS_24
from meterlink.driver import Notice
from meterlink.keeper import Item, Keeper, News
from meterlink.outcome import Break, Gap
from meterlink.reading import NS_PER_S, Function, Instant, Reading


def at(seconds: float) -> Instant:
    return Instant(round(seconds * NS_PER_S), round(seconds * NS_PER_S))


def reading(seconds: float, display: str = "24.06") -> Reading:
    return Reading(display, "V", Function.DC_VOLTAGE, at(seconds), raw=VOLTS_24)


class Line:
    """A keeper, and all that it gave out but its news."""

    def __init__(self, patience_s: float = inf, reopen_after_s: float | None = None) -> None:
        self.keeper = Keeper(patience_s, reopen_after_s)
        self.news: list[str] = []
        self.told: list[str] = []

    def note(self, items: list[Item]) -> None:
        for item in items:
            match item:
                case News(text, _, trouble):
                    self.news.append(text if trouble else f"({text})")
                case Gap(_, reason):
                    self.told.append(reason.value)
                case Reading():
                    self.told.append(item.display)
                case Notice():
                    self.told.append(item.kind)

    def open(self, seconds: float) -> None:
        self.note(self.keeper.opened(at(seconds), "serial:x", "2400 8N1"))

    def hear(self, *times: float) -> None:
        for time in times:
            self.note(list(self.keeper.heard([reading(time)])))

    def lose(self, seconds: float, why: str = "lost") -> None:
        self.note(self.keeper.lost(why, at(seconds)))

    def look(self, seconds: float, received: int = 0) -> None:
        self.note(list(self.keeper.look(at(seconds), received)))


def test_a_link_is_called_back_only_with_a_fresh_reading() -> None:
    line = Line()
    line.open(0)
    line.hear(0.5, 1)
    line.lose(1.2, "the cable is out")
    assert line.told == ["24.06", "24.06", "link-lost"]
    line.open(3)
    assert line.told[3:] == []  # an open port proves nothing
    line.hear(3.4, 3.9, 4.4)
    assert line.told[3:] == ["stale", "link-back", "24.06", "24.06"]
    assert line.news == ["(opened serial:x)", "the cable is out", "(opened serial:x)"]


def test_a_link_that_blinks_is_told_once() -> None:
    line = Line()
    line.open(0)
    line.hear(0.5, 1)
    for second in (2.0, 3.0, 4.0):
        line.lose(second, "lost")
        line.open(second + 0.5)
    assert line.told == ["24.06", "24.06", "link-lost"]
    assert [each for each in line.news if not each.startswith("(")] == ["lost"]


def test_attempts_come_at_once_then_at_growing_intervals_of_a_second_at_most() -> None:
    line = Line()
    waits = []
    for attempt in range(6):
        line.lose(10 * attempt)
        waits.append(line.keeper.retry_in_s(at(10 * attempt)))
    assert waits == [0, 0.25, 0.5, 1, 1, 1]


def test_attempts_begin_anew_after_a_reading() -> None:
    line = Line()
    for second in range(4):
        line.lose(second)
    line.open(5)
    line.hear(5, 5.5, 6)
    line.lose(7)
    assert line.keeper.retry_in_s(at(7)) == 0


def test_patience_counts_from_the_break_and_the_last_cause_is_named() -> None:
    line = Line(patience_s=10)
    line.open(0)
    line.hear(0.5, 1)
    line.lose(2, "out")
    line.lose(8, "still out")
    assert line.keeper.given_up(at(11.9)) is None
    assert line.keeper.given_up(at(12)) == "still out (given up after 10 s)"


def test_silence_is_told_once_and_its_end_only_with_a_fresh_reading() -> None:
    line = Line()
    line.open(0)
    line.hear(0.5, 1, 1.5)
    for second in (2, 3, 3.6, 4, 5, 6):
        line.look(second, 42)
    assert line.told == [*["24.06"] * 3, Break.SILENT.value]
    line.hear(7, 7, 7.01, 7.5)
    assert line.told[4:] == ["stale", "stale", "stale", "heard-again", "24.06"]
    assert any("nothing arrives" in text and "now 2400 8N1" in text for text in line.news)


def test_a_pause_that_nobody_saw_is_a_gap_all_the_same() -> None:
    line = Line()
    line.open(0)
    line.hear(0.5, 1, 1.5, 60, 60, 60.5)
    assert line.told[3:] == ["silent", "stale", "stale", "heard-again", "24.06"]


def test_a_silent_link_is_opened_again_where_its_transport_asks_for_it() -> None:
    line = Line(reopen_after_s=3)
    line.open(0)
    assert not line.keeper.must_reopen(at(2.9))
    assert line.keeper.must_reopen(at(3))
    line.hear(2, 2.5)
    assert not line.keeper.must_reopen(at(5.4))
    assert line.keeper.must_reopen(at(5.5))
    patient = Line()
    patient.open(0)
    assert not patient.keeper.must_reopen(at(1000))


def test_what_the_meter_says_besides_passes_at_any_time() -> None:
    line = Line()
    line.lose(0)
    line.note(list(line.keeper.heard([Notice("battery", "87", "battery", at(1), b"W", "%")])))
    assert line.told == ["battery"]
