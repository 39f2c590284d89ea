"""Puts an office process together. Make the feed's readers from `feed` and `postbox` of what comes back."""

from dataclasses import dataclass

from meterlink.office.feed import Feed
from meterlink.office.intake import Intake
from meterlink.office.notes import Postbox
from meterlink.office.office import Office, Say
from meterlink.office.register import Register
from meterlink.record.store import Store
from meterlink.relay.broker import Broker

_EARLY_S = 0.5
"""A pack waits so long for the one before it, which another office process may be taking in."""


@dataclass(frozen=True, slots=True)
class Running:
    """One office process and what pages need of it."""

    office: Office
    feed: Feed
    postbox: Postbox
    register: Register


def make_office(store: Store, broker: Broker, open_register: bool | None, say: Say) -> Running:
    """Make one; call it in the event loop that runs it.

    Args:
        store: the office's.
        broker: where the crews publish.
        open_register: whether a device that is not enrolled is noted with the first key that comes; None: on a broker
            on this machine, for as long as no device is enrolled.
        say: tells the user news.
    """
    notes_first = open_register
    if notes_first is None:
        notes_first = broker.address.loopback and not Register(store).anyone_enrolled()
    if notes_first:
        say("no device need be enrolled: whoever reaches the broker is noted with the first key that comes")
    register, feed, postbox = Register(store, notes_first=notes_first), Feed(store), Postbox(store)
    office = Office(Intake(store, register, _EARLY_S), broker, feed, postbox, say)
    return Running(office, feed, postbox, register)
