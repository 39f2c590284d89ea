"""Circuit files for tests, and a search in them fed with what a person would write."""

from functools import cache
from textwrap import dedent

from meterlink.circuit.dictionary import Dictionary
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.parts import REST
from meterlink.circuit.search import Search
from meterlink.circuit.seen import parse_seen
from meterlink.circuit.solve import Bench
from meterlink.instrument import Instrument
from meterlink.instruments.shelf import cautious_sheet
from meterlink.reading import Instant

# The contract's example: bank, fuse, wire, limit switch, relay.
SHORT_CHAIN = dedent(
    """\
    circuit: short-chain
    title: Short chain
    reference: PE
    elements:
      - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, state: float, resistance: 20 mOhm}
      - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", resistance: 5 mOhm}
      - {id: W1.3, kind: conductor, from: "F1:2", to: "X1:3", length: 25 m, section: 0.75 mm2}
      - {id: B1, kind: contact, from: "X1:3", to: "X1:4", normally: closed, resistance: 30 mOhm}
      - {id: K1, kind: coil, from: "X1:4", to: PE, resistance: 480 Ohm}
    points:                       # every node may be probed; what is listed has a cost, others take the default
      - {at: "X1:4", minutes: 0.5}
    """
)


def circuit_text(*elements: str, more: str = "") -> str:
    """A circuit of these elements, to the reference PE; `more` is what follows them."""
    lines = [f"  - {{{element}}}" for element in elements]
    return "\n".join(("circuit: mine", "title: Mine", "reference: PE", "elements:", *lines, dedent(more)))


@cache
def dictionary_of(text: str, situation: str = REST) -> Dictionary:
    """The dictionary of the circuit in a file's text; worked out once."""
    return Dictionary(Bench(parse_circuit(text, "mine.yaml")), situation)


@cache
def unknown_meter() -> Instrument:
    """A meter of which nothing is known, as a command takes it where nothing is stated."""
    return Instrument(cautious_sheet(), Instant(0, 0), cautious=True)


def searched(dictionary: Dictionary, *readings: str) -> Search:
    """A search that was told these readings, written as for `--seen`."""
    search = Search(dictionary)
    for reading in readings:
        search.take(parse_seen(reading, dictionary.circuit, unknown_meter()))
    return search


@cache
def shipped_dictionary(name: str, situation: str = REST) -> Dictionary:
    """The dictionary of a shipped circuit; worked out once."""
    return Dictionary(Bench(load_circuit(name).circuit), situation)
