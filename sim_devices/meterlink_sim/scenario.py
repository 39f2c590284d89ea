"""What is wrong with a simulated lift, by name."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf

from meterlink.errors import UsageError
from meterlink_sim.circuit import ELEMENTS

_CHARGED = (25.2, 27.6)
"""12 lead-acid cells, from rested and full (2.10 V a cell) to float charge (2.30 V a cell), battery makers' manuals."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A state of the lift."""

    name: str
    summary: str
    faults: Mapping[str, float] = field(default_factory=dict)
    """Ohms instead of the sound ones, by element; `inf`: open."""
    emf: tuple[float, float] = _CHARGED
    """Volts of the battery at rest, lowest and highest."""


SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        Scenario("healthy", "Nothing is wrong."),
        Scenario("open-fuse", "The main fuse F1 has blown.", {"F1": inf}),
        Scenario("open-final-limit", "The final limit B1 is open.", {"B1": inf}),
        Scenario("open-stop", "The contact of the cab's emergency stop S1 does not close.", {"S1": inf}),
        Scenario("open-cable-core", "Core 4 of the travelling cable is broken.", {"W5.4": inf}),
        Scenario("open-lower-door", "The lower door's interlock B3 is open.", {"B3": inf}),
        Scenario("open-edge", "The safety edge loop is open.", {"X7": inf}),
        Scenario("worn-edge", "A contact in the safety edge loop is worn.", {"X7": 6.8}),
        Scenario("dirty-connector", "A burnt pin in the quick connector X2 drops volts.", {"X2": 150.0}),
        Scenario("low-battery", "The battery bank is flat.", emf=(21.0, 23.2)),
    )
}


def find_scenario(name: str) -> Scenario:
    """Find a scenario by name: one of `SCENARIOS`, or `open:ELEMENT`.

    Raises:
        UsageError: there is none of that name.
    """
    kind, _, element = name.partition(":")
    if kind == "open" and element in ELEMENTS:
        return Scenario(name, f"{element} is open.", {element: inf})
    if name not in SCENARIOS:
        known = ", ".join(SCENARIOS)
        raise UsageError(f"scenario {name!r}: expected {known}, or open:ELEMENT with one of {' '.join(ELEMENTS)}")
    return SCENARIOS[name]
