"""Steps of a group that may be touched in any order: a touch goes to the one that it fits. Pure."""

from meterlink.conduct.course import Course
from meterlink.contact import Contact
from meterlink.outcome import Measured
from meterlink.procedure.model import Procedure, ReadingStep, Step
from meterlink.reading import Reading
from meterlink.settle import settle

_CAREFUL = 5
"""Readings before a value is said to fit none: a slip of the probe is shorter (common practice, no source)."""


class AnyOrder:
    """Knows which steps are open to the next touch."""

    def __init__(self, procedure: Procedure, course: Course) -> None:
        self._procedure, self._course = procedure, course
        self.given_up = False
        """Whether a value has fitted none of them, so that they are asked for one by one."""

    def open(self, waiting: Step) -> list[ReadingStep]:
        """The open steps of which any may be touched while one of them waits; none where but one may."""
        group = self._procedure.group_of(waiting)
        if self.given_up or group is None or not group.any_order:
            return []
        steps = [self._procedure.steps[self._course.place(step)] for step in group.steps]
        open_ones = [each for each in steps if isinstance(each, ReadingStep) and not self._course.done(each)]
        return open_ones if len(open_ones) > 1 and waiting in open_ones else []

    def fitting(
        self, open_ones: list[ReadingStep], contact: Contact, reading: Reading
    ) -> ReadingStep | Measured | None:
        """The step that a touch fits, or the value that fits none; None while that is not known."""
        settled = settle(contact.window, None)
        if settled is None or reading.function not in open_ones[0].measure:
            return None
        measured = settled[0].measured
        for step in open_ones:
            if step.limits.accept(measured.value):
                return step
        if len(contact.window) < _CAREFUL:
            return None
        self.given_up = True
        return measured
