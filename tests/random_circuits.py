"""Random circuits as text of the circuit file format: invented, but of the shapes that lifts have.

A chain of 4 to 15 elements between the poles of a battery; branches off it with coils, lamps and motors; free-wheel and
steering diodes; contacts that coils work; second sources; jumpers; resistors where none should be (sneak paths); spurs
that end in the air; situations in which contacts are operated and parts are apart. The same seed gives the same text.
"""

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

_LETTERS = {
    "battery": "G", "source": "G", "charger": "T", "conductor": "W", "cable": "W", "fuse": "F", "breaker": "Q",
    "contact": "B", "connector": "X", "resistor": "R", "coil": "K", "lamp": "P", "motor": "M", "diode": "V",
    "jumper": "XJ",
}  # fmt: skip
"""Letter codes as in IEC 81346; a connector's tag is a node's too, which the format allows."""

_CARRIERS = ("conductor", "cable", "fuse", "breaker", "contact", "contact", "contact", "connector", "jumper")
_LOADS = ("coil", "coil", "coil", "lamp", "motor", "resistor")
_JUNCTIONS: tuple[Mapping[str, str], ...] = (
    {},
    {},
    {"emission": "1.9", "saturation": "4 nA"},  # silicon, of the kind that relays carry
    {"emission": "1.05", "saturation": "0.02 uA"},  # Schottky: what it leaks, a meter shows; more see `spice.py`
)


def circuit_text(
    name: str,
    reference: str,
    elements: Sequence[Mapping[str, str]],
    situations: Sequence[Mapping[str, str]] = (),
) -> str:
    """Write a circuit file."""
    lines = [f"circuit: {name}", f"title: Circuit {name}", f"reference: {reference}", "elements:"]
    lines += _entries(elements)
    if situations:
        lines += ["situations:", *_entries(situations)]
    return "\n".join((*lines, ""))


def _entries(entries: Sequence[Mapping[str, str]]) -> list[str]:
    return [
        f"{'  - ' if place == 0 else '    '}{key}: {value}"
        for entry in entries
        for place, (key, value) in enumerate(entry.items())
    ]


def random_circuit(seed: int) -> str:
    """Draw a circuit; return the text of its file."""
    chance = random.Random(seed)
    drawing = _Drawing(chance)
    reference = drawing.supply()
    drawing.chain(chance.randint(4, 15))
    steps: tuple[tuple[float, Callable[[], None]], ...] = (
        (0.6, drawing.branch),
        (0.5, drawing.branch),
        (0.3, drawing.branch),
        (0.35, drawing.steering),
        (0.3, drawing.blocked),
        (0.4, drawing.sneak),
        (0.2, drawing.sneak),
        (0.4, drawing.second_source),
        (0.3, drawing.holding),
        (0.4, drawing.left_in_jumper),
        (0.3, drawing.spur),
    )
    for likely, step in steps:
        if chance.random() < likely:
            step()
    return circuit_text(f"random-{seed}", reference, drawing.elements, drawing.situations())


@dataclass
class _Drawing:
    """A circuit that is being drawn."""

    chance: random.Random
    elements: list[dict[str, str]] = field(default_factory=list)
    rail: list[str] = field(default_factory=list)
    """The nodes of the chain and its branches, the supply's plus first."""
    count: dict[str, int] = field(default_factory=dict)
    nodes: int = 0
    minus: str = "0V"

    def add(self, kind: str, tail: str, head: str, **more: str) -> str:
        """Add an element; return its tag."""
        letter = _LETTERS[kind]
        self.count[letter] = self.count.get(letter, 0) + 1
        tag = f"{letter}{self.count[letter]}"
        self.elements.append({"id": tag, "kind": kind, "from": tail, "to": head, **more})
        return tag

    def node(self) -> str:
        """A new node."""
        self.nodes += 1
        return f"X{self.nodes}"

    def supply(self) -> str:
        """The battery, and perhaps a link from its minus to an earth bar; return the reference."""
        ways = (
            {"cells": "12", "state": self.chance.choice(("float", "full", "50 %", "discharged"))},
            {"cells": "6", "volts": "24.5 V", "resistance": "15 mOhm"},
            {"cells": "12", "temperature": "35 °C", "resistance": "10..60 mOhm"},
        )
        self.add("battery", self.minus, "L+", **self.chance.choice(ways))
        self.rail.append("L+")
        if self.chance.random() < 0.4:
            return self.minus
        self.add("conductor", self.minus, "PE", resistance="20 mOhm")
        return "PE"

    def carriers(self, start: str, count: int) -> str:
        """So many elements in a row; return the node where they end."""
        for _ in range(count):
            end = self.node()
            self.carrier(start, end)
            self.rail.append(end)
            start = end
        return start

    def carrier(self, start: str, end: str) -> None:
        """One element that carries current on."""
        chance, kind = self.chance, self.chance.choice(_CARRIERS)
        if chance.random() < 0.04:
            self.diode(start, end)
            return
        if chance.random() < 0.5:  # from and to do not matter
            start, end = end, start
        if kind in ("conductor", "cable"):
            metric = {"length": f"{chance.randint(1, 60)} m", "section": chance.choice(("0.75 mm2", "1.5 mm2"))}
            gauge = {"length": f"{chance.randint(3, 200)} ft", "section": chance.choice(("18 AWG", "AWG 20"))}
            self.add(kind, start, end, **chance.choice((metric, gauge, {"resistance": "0.3 Ohm"})))
        elif kind == "fuse":
            self.add(kind, start, end, rating=f"{chance.choice(('1', '2', '3.15', '5'))} A")
        elif kind == "contact":
            self.contact(start, end)
        else:
            self.add(kind, start, end)

    def contact(self, start: str, end: str) -> None:
        """A contact, perhaps open at rest, perhaps worked by a coil drawn before."""
        more = {}
        coils = [each["id"] for each in self.elements if each["kind"] == "coil"]
        if coils and self.chance.random() < 0.4:
            more = {"coil": self.chance.choice(coils)}
        if self.chance.random() < (0.7 if more else 0.1):
            more["normally"] = "open"
        if self.chance.random() < 0.3:
            more["resistance"] = self.chance.choice(("5..100 mOhm", "0.08 Ohm", "2 Ohm"))
        self.add("contact", start, end, **more)

    def load(self, start: str, end: str) -> None:
        """What takes the current; a coil often has its free-wheel diode."""
        chance, kind = self.chance, self.chance.choice(_LOADS)
        low, high = {"coil": (90, 1800), "lamp": (40, 600), "motor": (1, 12), "resistor": (200, 20_000)}[kind]
        more = {"operates": "15 V", "releases": "4 V"} if kind == "coil" and chance.random() < 0.3 else {}
        self.add(kind, start, end, resistance=f"{chance.randint(low, high)} Ohm", **more)
        if kind == "coil" and chance.random() < 0.6:
            self.diode(end, start)

    def diode(self, anode: str, cathode: str) -> None:
        """A diode, of one of several makes."""
        self.add("diode", anode, cathode, **self.chance.choice(_JUNCTIONS))

    def chain(self, count: int) -> None:
        """The chain itself, with its load."""
        self.load(self.carriers("L+", count), self.minus)

    def branch(self) -> None:
        """A branch off it, with a load to the minus or, wrongly, to somewhere else."""
        start = self.chance.choice(self.rail)
        end = self.chance.choice(self.rail) if self.chance.random() < 0.15 else self.minus
        at = self.carriers(start, self.chance.randint(1, 3))
        self.load(at, self.minus if at == end else end)

    def steering(self) -> None:
        """Two diodes that lead to one lamp."""
        lamp = self.node()
        for start in self.chance.sample(self.rail, 2):
            self.diode(start, lamp)
        self.load(lamp, self.minus)

    def blocked(self) -> None:
        """A piece of wire behind a diode, in either direction, with a load or without."""
        start, behind = self.chance.choice((self.minus, *self.rail)), self.node()
        self.diode(*self.chance.choice(((start, behind), (behind, start))))
        end = self.node()
        self.carrier(behind, end)
        if self.chance.random() < 0.4:
            self.load(end, self.chance.choice((self.minus, *self.rail)))

    def sneak(self) -> None:
        """A resistance where there should be none: damp, an indicator, a chafed cable."""
        one, other = self.chance.sample((self.minus, *self.rail), 2)
        ohms = self.chance.choice(("4.7 Ohm", "330 Ohm", "10 kOhm", "220 kOhm", "1 MOhm"))
        self.add("resistor", one, other, resistance=ohms)

    def second_source(self) -> None:
        """A charger on the battery, another source somewhere, or one that only loads join to the rest."""
        at, pole = self.chance.choice(self.rail), self.node()
        match self.chance.randrange(3):
            case 0:
                self.add("charger", self.minus, pole)
                self.add("fuse", pole, "L+", rating="5 A")
            case 1:
                volts = self.chance.choice(("12 V", "24 V", "30 V", "23..28 V"))
                self.add("source", self.minus, pole, volts=volts, resistance="0.5 Ohm")
                self.diode(pole, at) if self.chance.random() < 0.6 else self.contact(pole, at)
            case _:
                far = self.node()
                self.add("source", far, pole, volts="12 V")
                self.load(pole, far)
                self.add("resistor", far, at, resistance=self.chance.choice(("1 kOhm", "100 kOhm")))

    def holding(self) -> None:
        """A contact by which a coil holds itself, or another, or cuts itself off."""
        coils = [each["id"] for each in self.elements if each["kind"] == "coil"]
        if coils:
            one, other = self.chance.sample(self.rail, 2)
            normally = "closed" if self.chance.random() < 0.1 else "open"
            self.add("contact", one, other, coil=self.chance.choice(coils), normally=normally)

    def left_in_jumper(self) -> None:
        """A place where a jumper may be left in."""
        start = self.chance.randrange(len(self.rail) - 1)
        end = self.chance.choice(self.rail[start + 1 :])
        self.add("jumper", self.rail[start], end, use="temporary")

    def spur(self) -> None:
        """A wire to a terminal at which nothing else ends."""
        self.carrier(self.chance.choice((self.minus, *self.rail)), self.node())

    def situations(self) -> list[dict[str, str]]:
        """One to three of them."""
        contacts = [each["id"] for each in self.elements if each["kind"] == "contact"]
        others = [each["id"] for each in self.elements if each["kind"] not in ("contact", "coil", "lamp", "diode")]
        return [
            {
                "name": f"situation-{number}",
                "operated": self._some(contacts, 0.3),
                "apart": self._some(others, 0.06),
            }
            for number in range(1, self.chance.randint(2, 4))
        ]

    def _some(self, tags: Sequence[str], likely: float) -> str:
        return f"[{', '.join(tag for tag in tags if self.chance.random() < likely)}]"
