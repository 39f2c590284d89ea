"""An independent solver for tests: nodal analysis with one dense matrix, as in any textbook of circuit theory.

Every branch is a conductance, a source a current into its plus (Norton's theorem), a meter on a node a resistance to
the reference (Thevenin's theorem: it divides with what the node shows when all sources are dead). 1 TOhm from every
node to the reference keeps the matrix regular; what it carries no display shows. Diodes count as open, so only circuits
are solved whose diodes all block. Nothing of `meterlink/circuit/solve.py` is used.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from meterlink.circuit.fault import Fault, Kin
from meterlink.circuit.parts import Circuit

_TIE = 1e-12
_SHORT_OHMS, _BRIDGE_OHMS, _HIGH_OHMS = 0.001, 0.01, 100.0
"""What the faults come to, as `meterlink/circuit/fault.py` states them."""

Numbers = NDArray[np.float64]


class Drawn:
    """A circuit with one value of every part."""

    def __init__(self, circuit: Circuit, ohms: Sequence[float], volts: Sequence[float]) -> None:
        self._circuit, self._ohms, self._volts = circuit, ohms, volts

    def metered(
        self, situation: str, faults: Sequence[Fault] = (), meter_ohms: float = 10e6
    ) -> tuple[dict[str, float], set[str]]:
        """What a meter shows on each node alone, to the reference, and the coils that work once the relays rest."""
        working: set[str] = set()
        for _ in range(20):
            siemens, amperes = self._matrix(situation, faults, working)
            seen: Numbers = np.asarray(np.linalg.solve(siemens, amperes), dtype=np.float64)
            now = self._pulled(seen, situation, faults, working)
            if now == working:
                inner = np.diag(np.linalg.inv(siemens))
                shown = seen * meter_ohms / (meter_ohms + inner)
                return dict(zip(self._circuit.nodes[1:], map(float, shown), strict=True)), working
            working = now
        raise AssertionError("the relays do not come to rest")

    def _matrix(self, situation: str, faults: Sequence[Fault], working: set[str]) -> tuple[Numbers, Numbers]:
        """Conductances and the sources' currents, the reference left out."""
        number = self._circuit.number
        siemens = np.eye(len(number)) * _TIE
        amperes = np.zeros(len(number))
        for place, part in enumerate(self._circuit.parts):
            tail, head = number[part.tail], number[part.head]
            each = self._siemens(place, situation, faults, working)
            _join(siemens, tail, head, each)
            amperes[head] += each * self._volts[place]
            amperes[tail] -= each * self._volts[place]
        for fault in faults:
            if fault.kin is Kin.EARTH:
                _join(siemens, number[fault.at], 0, 1 / _SHORT_OHMS)
        return siemens[1:, 1:], amperes[1:]

    def _siemens(self, place: int, situation: str, faults: Sequence[Fault], working: set[str]) -> float:
        part, state = self._circuit.parts[place], self._circuit.situations[situation]
        moved = part.id in state.operated or part.coil in working
        closed = part.conducts is not moved and part.id not in state.apart and part.diode is None
        ohms = self._ohms[place]
        mine = {fault.kin: fault for fault in faults if fault.at == part.id}
        if Kin.BRIDGED in mine:
            closed, ohms = True, min(ohms, _BRIDGE_OHMS)
        if Kin.HIGH in mine:
            ohms += mine[Kin.HIGH].size or _HIGH_OHMS
        if Kin.OPEN in mine or Kin.SOURCE in mine:
            closed = False
        return 1 / ohms if closed else 0.0

    def _pulled(self, seen: Numbers, situation: str, faults: Sequence[Fault], before: set[str]) -> set[str]:
        """The coils that work: one that did lets go later than it pulls."""
        volts = [0.0, *map(float, seen)]
        pulled = set()
        for place, part in enumerate(self._circuit.parts):
            if part.pull is None or not self._siemens(place, situation, faults, before):
                continue
            across = abs(volts[self._circuit.number[part.head]] - volts[self._circuit.number[part.tail]])
            if across >= (part.pull.releases if part.id in before else part.pull.operates):
                pulled.add(part.id)
        return pulled


def _join(siemens: Numbers, one: int, other: int, each: float) -> None:
    siemens[one, one] += each
    siemens[other, other] += each
    siemens[one, other] -= each
    siemens[other, one] -= each
