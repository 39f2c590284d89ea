"""A procedure with all that it refers to, ready to be run: its circuit, and the limits that the circuit gives."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from meterlink.circuit.load import LoadedCircuit, load_circuit
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.tied import Computed, Tied, TiedError, computed_limits, tie, with_limits
from meterlink.errors import FileError
from meterlink.gestures import Way
from meterlink.outcome import Json
from meterlink.procedure.last_visit import with_last
from meterlink.procedure.load import LoadedProcedure
from meterlink.procedure.model import Procedure
from meterlink.procedure.parse import parse_procedure


class Told(NamedTuple):
    """What is told of the last visit with one question."""

    text: str
    """A sentence."""
    job: str | None
    """The id of that visit's job; None where there was none."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a job is run by."""

    procedure: Procedure
    """With the circuit's limits in their places."""
    source: str
    """The procedure file's text."""
    tied: Tied | None = None
    """The procedure with its circuit; None for one without."""
    circuit_source: str | None = None
    """The circuit file's text."""
    computed: Computed | None = None
    ways: frozenset[Way] = frozenset()
    """How an answer may be given with what the hands hold."""
    last: Mapping[str, Told] | None = None
    """What the last visit read, by the step that asks about it; None where none asks, or nobody looked."""

    @property
    def kept(self) -> Json:
        """What the record keeps of it beside the procedure's text: replay goes by these very limits."""
        kept: dict[str, object] = {"by_hand": sorted(self.ways)}
        if self.last is not None:
            kept["last_visit"] = {step: told._asdict() for step, told in self.last.items()}
        if self.tied is None:
            return kept
        circuit = {"name": self.tied.circuit.name, "revision": self.tied.circuit.revision, "text": self.circuit_source}
        return {**kept, "circuit": circuit, "computed": dict(self.computed or {})}


def remembering(prepared: Prepared, last: Mapping[str, Told]) -> Prepared:
    """Tell with each question about the last visit what that visit read.

    Args:
        prepared: as `prepare` left it.
        last: by the step that asks.
    """
    procedure = with_last(prepared.procedure, {step: told.text for step, told in last.items()})
    tied = replace(prepared.tied, procedure=procedure) if prepared.tied else None
    return replace(prepared, procedure=procedure, tied=tied, last=last)


def prepare(loaded: LoadedProcedure) -> Prepared:
    """Load the circuit that a procedure refers to, and work out what it makes the steps expect.

    Raises:
        FileError: the circuit cannot be read, or does not have what a step asks for.
        ProcedureError: the circuit is read, but not sound.
    """
    procedure = loaded.procedure
    if procedure.circuit is None:
        return Prepared(procedure, loaded.source)
    return prepared_with(loaded, load_circuit(procedure.circuit, loaded.path))


def prepared_with(loaded: LoadedProcedure, circuit: LoadedCircuit) -> Prepared:
    """Prepare a procedure with a circuit that is loaded already.

    Raises:
        FileError: the circuit does not have what a step asks for.
    """
    procedure = loaded.procedure
    try:
        computed = computed_limits(tie(procedure, circuit.circuit))
    except TiedError as error:
        raise FileError(loaded.path, str(error)) from error
    whole = with_limits(procedure, computed)
    return Prepared(whole, loaded.source, tie(whole, circuit.circuit), circuit.source, computed)


def kept_again(source: str, kept: Json, path: str) -> Prepared:
    """Prepare what the record kept.

    Args:
        source: the procedure's text.
        kept: what `Prepared.kept` gave.
        path: names it in errors.

    Raises:
        ProcedureError: the texts cannot be read.
        KeyError, TypeError: `kept` is not in that form.
    """
    procedure = parse_procedure(source, path)
    by_hand = kept.get("by_hand", [])
    if not isinstance(by_hand, list):
        raise TypeError(f"by_hand: expected a list, found {by_hand!r}")
    ways = frozenset(Way(each) for each in by_hand)
    whole = _kept_whole(procedure, source, kept, path, ways)
    if "last_visit" not in kept:
        return whole
    last = {step: _mapping(told) for step, told in _mapping(kept["last_visit"]).items()}
    return remembering(whole, {step: Told(str(told["text"]), _job(told["job"])) for step, told in last.items()})


def _kept_whole(procedure: Procedure, source: str, kept: Json, path: str, ways: frozenset[Way]) -> Prepared:
    """Prepare a procedure with the circuit that was kept."""
    if "circuit" not in kept:
        return Prepared(procedure, source, ways=ways)
    stored, computed = _mapping(kept["circuit"]), _mapping(kept["computed"])
    text = str(stored["text"])
    limits = {str(step): str(limit) for step, limit in computed.items()}
    whole = with_limits(procedure, limits)
    return Prepared(whole, source, tie(whole, parse_circuit(text, f"circuit of {path}")), text, limits, ways)


def _job(value: object) -> str | None:
    return None if value is None else str(value)


def _mapping(value: object) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise TypeError(f"expected keys with values, found {value!r}")
    return value
