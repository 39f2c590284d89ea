"""`steadypoint solve`: what every point of a circuit reads, sound or with a fault."""

import json
from pathlib import Path

import click

from meterlink.circuit.fault import Faults, name_of, parse_faults
from meterlink.circuit.load import load_circuit
from meterlink.circuit.marked import solved_marks
from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.picture.marks import Marks
from meterlink.circuit.solve import METER_OHMS, Bench, RestlessError, State, working_loads
from meterlink.circuit.spread import Spread, Wanted, spreads
from meterlink.errors import FileError, UsageError
from meterlink.limits import parse_quantity
from meterlink.record.words import columns


@click.command("solve", short_help="Work out what every point of a circuit reads, sound or with a fault.")
@click.argument("name", metavar="CIRCUIT")
@click.option("--situation", default=REST, show_default=True, help="One of the circuit's situations.")
@click.option("--fault", "fault_texts", multiple=True, help="open:ID, high:ID, bridged:ID, earth:POINT, source:ID.")
@click.option("--impedance", help="The meter's input resistance; 10 MOhm unless told.")
@click.option("--picture", type=click.Path(dir_okay=False), help="Write the circuit as a line diagram, SVG, here.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, and nothing else.")
def command(
    name: str,
    situation: str,
    fault_texts: tuple[str, ...],
    impedance: str | None,
    picture: str | None,
    *,
    as_json: bool,
) -> None:
    """Work out what a meter shows at every point of CIRCUIT, a file or the name of a shipped one, to its reference.

    LOW and HIGH are the worst case of every part's spread. A fault may say its size: high:B1@47 Ohm, source:G1@18 V.

    Exit status: 0 solved; 2 bad usage or a bad file.
    """
    circuit = load_circuit(name).circuit
    chosen_situation(circuit, situation)
    faults = read_faults(circuit, fault_texts)
    bench = Bench(circuit)
    try:
        state = bench.state(faults, situation)
        found = spreads(
            bench,
            [Wanted(node) for node in circuit.nodes],
            faults=faults,
            situation=situation,
            meter_ohms=read_impedance(impedance),
        )
    except RestlessError as error:
        raise UsageError(str(error)) from error
    points = {each.point: spread for each, spread in found.items()}
    if picture is not None:
        values = {node: spread.value for node, spread in points.items()}
        write_picture(Path(picture), circuit, solved_marks(circuit, state, values))
    if as_json:
        click.echo(json.dumps(_json(bench, state, points, faults, situation), ensure_ascii=False))
    else:
        click.echo("\n".join(_page(bench, state, points, faults, situation)))


def chosen_situation(circuit: Circuit, situation: str) -> str:
    """Return the situation.

    Raises:
        UsageError: the circuit has none of that name.
    """
    if situation not in circuit.situations:
        raise UsageError(f"situation {situation!r}: expected one of {', '.join(circuit.situations)}")
    return situation


def read_faults(circuit: Circuit, texts: tuple[str, ...]) -> Faults:
    """Read `--fault`, given any number of times.

    Raises:
        UsageError: one of them is not known.
    """
    try:
        return tuple(sorted({fault for text in texts for fault in parse_faults(circuit, text)}))
    except ValueError as error:
        raise UsageError(str(error)) from error


def read_impedance(text: str | None) -> float:
    """Read `--impedance`.

    Raises:
        UsageError: it is no resistance above 0.
    """
    if text is None:
        return METER_OHMS
    try:
        found = parse_quantity(text)
    except ValueError as error:
        raise UsageError(f"--impedance {error}") from error
    if found.unit != "Ohm" or found.value <= 0:
        raise UsageError(f"--impedance {text!r}: expected a resistance above 0, such as 10 MOhm")
    return float(found.value)


def write_picture(path: Path, circuit: Circuit, marks: Marks) -> None:
    """Write a circuit with what is known of it as SVG.

    Raises:
        FileError: it cannot be written.
    """
    from meterlink.circuit.picture.svg import svg  # noqa: PLC0415 - the drawing library, only where it is asked for

    try:
        path.write_text(svg(circuit, marks, title=circuit.title), encoding="utf-8")
    except OSError as error:
        raise FileError(str(path), f"cannot be written: {error.strerror}") from error


def _json(bench: Bench, state: State, points: dict[str, Spread], faults: Faults, situation: str) -> dict[str, object]:
    return {
        "circuit": bench.circuit.name,
        "revision": bench.circuit.revision,
        "situation": situation,
        "fault": name_of(faults),
        "points": {
            node: {
                "value": spread.value,
                "low": spread.low,
                "high": spread.high,
                "floating": spread.value is None,
                "likely": None if spread.likely_low is None else [spread.likely_low, spread.likely_high],
            }
            for node, spread in points.items()
        },
        "works": dict(working_loads(bench, state)),
    }


def _page(bench: Bench, state: State, points: dict[str, Spread], faults: Faults, situation: str) -> list[str]:
    circuit = bench.circuit
    rows: list[tuple[str, ...]] = [("POINT", "VALUE", "LOW", "HIGH", "")]
    for node, spread in points.items():
        if node == circuit.reference:
            continue
        if spread.value is None:
            rows.append((node, "", "", "", "floats: nothing drives it, a display may show anything"))
        else:
            rows.append(
                (node, *(f"{volts:z.2f} V" for volts in (spread.value, spread.low or 0.0, spread.high or 0.0)), "")
            )
    works = [f"{name} {'works' if does else 'does not work'}" for name, does in working_loads(bench, state).items()]
    return [
        f"{circuit.title} (circuit {circuit.name}, revision {circuit.revision})",
        f"Situation {situation}, fault {name_of(faults)}, volts to {circuit.reference}",
        "",
        *columns(rows),
        "",
        *([f"{', '.join(works)}."] if works else []),
        "Worked out from the circuit file, not measured: no permit to use the lift.",
    ]
