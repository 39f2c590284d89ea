"""The simulated lift's circuit: battery, safety chain and relay coil as one ladder to the earth bar, and the edge loop.

The chain is that of the start-up procedure. Every point is measured to the earth bar, except the safety edge, which is
measured across itself.
"""

import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf, isfinite, isinf

METER_OHMS = 10e6
"""Input resistance of a hand multimeter in DC volts (safety notes of several makers: about 10 MOhm)."""

COIL_OHMS = 650.0
"""Coil of a 24 V relay, about 37 mA (relay data sheets)."""


@dataclass(frozen=True, slots=True)
class Ladder:
    """A source, elements in series below it, a load from the lowest node to earth. Node 0 is the source's terminal."""

    emf: float
    """Volts."""
    source_ohms: float
    """`inf`: the source is disconnected."""
    series: tuple[float, ...]
    """Ohms between node i and node i + 1; `inf`: open."""
    load_ohms: float

    def voltage(self, node: int, meter_ohms: float = METER_OHMS) -> float | None:
        """Volts from a node to earth, with a meter across them. None: the node is cut off on both sides and floats."""
        return self.voltages(node, meter_ohms)[node]

    def voltages(self, meter_node: int, meter_ohms: float = METER_OHMS) -> list[float | None]:
        """Volts of every node while a meter loads one of them. None: the node is cut off on both sides and floats."""
        downward = self._siemens_downward(meter_node, 1 / meter_ohms)
        volts = [_behind(self.emf, self.source_ohms, downward[0])]
        for ohms, siemens in zip(self.series, downward[1:], strict=True):
            volts.append(_behind(volts[-1], ohms, siemens))
        return [None if self._floats(node) else value for node, value in enumerate(volts)]

    def resistance(self, node: int) -> float:
        """Ohms from a node to earth with the source disconnected; `inf`: no path."""
        siemens = self._siemens_downward()[node]
        return 1 / siemens if siemens else inf

    def _siemens_downward(self, meter_node: int | None = None, meter_siemens: float = 0.0) -> list[float]:
        """Conductance from each node to earth through all that lies below it, the meter included."""
        siemens = [0.0] * len(self.series) + [1 / self.load_ohms]
        for node in reversed(range(len(siemens))):
            if node < len(self.series) and isfinite(self.series[node]):
                siemens[node] = siemens[node + 1] / (1 + self.series[node] * siemens[node + 1])
            if node == meter_node:
                siemens[node] += meter_siemens
        return siemens

    def _floats(self, node: int) -> bool:
        fed = all(map(isfinite, (self.source_ohms, *self.series[:node])))
        earthed = all(map(isfinite, (*self.series[node:], self.load_ohms)))
        return not fed and not earthed


def _behind(volts: float, ohms: float, siemens: float) -> float:
    """Volts behind a resistance that feeds a conductance to earth."""
    return 0.0 if isinf(ohms) else volts / (1 + ohms * siemens)


@dataclass(frozen=True, slots=True)
class Element:
    """A part of the chain, drawn from a span of sound values."""

    name: str
    lower: str
    """Its lower terminal; the upper one is the element's before it."""
    sound_ohms: tuple[float, float]


TOP = "G1:+"
_WIRE = (0.002, 0.02)
_CONTACT = (0.005, 0.1)  # limit and micro switches: up to 100 mOhm new (data sheets)
CHAIN = (
    Element("W1", "F1:1", _WIRE),
    Element("F1", "F1:2", (0.007, 0.05)),  # 5x20 mm time-lag fuses, 10 A to 2.5 A, cold (data sheet)
    Element("W2", "Q1:1", _WIRE),
    Element("Q1", "Q1:2", (0.005, 0.05)),
    Element("W3", "B1:11", (0.02, 0.1)),
    Element("B1", "B1:12", _CONTACT),
    Element("X2", "X2:3", (0.002, 0.02)),
    Element("B2", "B2:12", _CONTACT),
    Element("W4", "X5:4", (0.02, 0.1)),
    Element("W5.4", "S1:11", (0.04, 0.1)),
    Element("S1", "S1:12", _CONTACT),
    Element("W5.5", "X5:5", (0.04, 0.1)),
    Element("B3", "B3:14", _CONTACT),
    Element("B4", "B4:14", _CONTACT),
    Element("W6", "K1:A1", _WIRE),
)
EDGE = Element("X7", "X7:1", (0.2, 0.6))
"""The safety edge loop, from X7:1 round to X7:2: closed contacts and some cable."""

ELEMENTS = tuple(element.name for element in (*CHAIN, EDGE))
_NODES = (TOP, *(element.lower for element in CHAIN))
POINTS = (*_NODES, EDGE.lower)


class Lift:
    """One lift with its true values. The supply is on until `isolate`."""

    def __init__(self, rng: random.Random, emf_span: tuple[float, float], faults: Mapping[str, float]) -> None:
        """Draw the true values.

        Args:
            rng: every sound value comes from it, the same ones whatever the faults.
            emf_span: volts of the battery, lowest and highest.
            faults: ohms instead of the sound ones, by element; `inf`: open.
        """
        ohms = {element.name: rng.uniform(*element.sound_ohms) for element in (*CHAIN, EDGE)} | dict(faults)
        self._edge_ohms = ohms[EDGE.name]
        self._ladder = Ladder(
            emf=rng.uniform(*emf_span),
            source_ohms=rng.uniform(0.005, 0.03),
            series=tuple(ohms[element.name] for element in CHAIN),
            load_ohms=COIL_OHMS * rng.uniform(0.95, 1.05),
        )

    def isolate(self) -> None:
        """Take the main fuse out and unplug the battery."""
        series = list(self._ladder.series)
        series[ELEMENTS.index("F1")] = inf
        self._ladder = replace(self._ladder, source_ohms=inf, series=tuple(series))

    @property
    def isolated(self) -> bool:
        """Whether the supply is off."""
        return isinf(self._ladder.source_ohms)

    def volts(self, point: str, _reference: str | None = None, _situation: str | None = None) -> float | None:
        """True volts at a point with a meter on it. None: nothing drives the point, and it floats."""
        if point == EDGE.lower:
            return 0.0 if isfinite(self._edge_ohms) else None
        return self._ladder.voltage(_NODES.index(point))

    def ohms(self, point: str, _reference: str | None = None, _situation: str | None = None) -> float:
        """True ohms at a point; `inf` for no path, and for a live circuit, on which a meter shows no ohms."""
        if point == EDGE.lower:
            return self._edge_ohms
        return self._ladder.resistance(_NODES.index(point)) if self.isolated else inf

    def restore(self) -> None:
        """Refuse: nothing in a check of the ladder puts the supply back."""
        raise NotImplementedError

    def repair(self, answer: str | None) -> None:
        """Refuse: only a lift after a circuit file is searched and repaired."""
        raise NotImplementedError

    def neighbours(self, point: str) -> tuple[str, ...]:
        """The points next to one, on which a probe may land on the way."""
        return neighbours(point)


def neighbours(point: str) -> tuple[str, ...]:
    """The points next to one, on which a probe may land on the way."""
    near = [(a, b) for a, b in pairwise(_NODES) if point in (a, b)]
    return tuple(other for pair in near for other in pair if other != point)
