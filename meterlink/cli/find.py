"""`steadypoint find`: find what is wrong with a circuit, guided with a meter, or from readings that are typed."""

import json
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import click

from meterlink.circuit.dictionary import Dictionary
from meterlink.circuit.errand import errand
from meterlink.circuit.fault import suspects
from meterlink.circuit.load import LoadedCircuit, load_circuit
from meterlink.circuit.marked import search_marks
from meterlink.circuit.page import finding_json, finding_lines
from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.picture.rail import rail_lines
from meterlink.circuit.search import Search
from meterlink.circuit.seen import parse_seen
from meterlink.circuit.solve import Bench, RestlessError
from meterlink.circuit.symptoms import Suspicion, suspected
from meterlink.cli._answering import pedal_option, ways_options
from meterlink.cli._hearing import Hearing, hearing_options
from meterlink.cli._pages import Pages, page_options
from meterlink.cli._stated import stated_options
from meterlink.cli.check import run_procedure
from meterlink.cli.solve import chosen_situation, write_picture
from meterlink.errors import UsageError
from meterlink.gestures import Way
from meterlink.in_hand import Stated, meter_in_hand
from meterlink.instruments.shelf import local_day
from meterlink.prepared import prepared_with
from meterlink.procedure.load import LoadedProcedure
from meterlink.procedure.parse import parse_procedure

_WIDTH = 78
"""Columns of a picture in text."""


@click.command("find", short_help="Find what is wrong with a circuit: the next point to probe, and the answer.")
@click.argument("name", metavar="CIRCUIT")
@click.option("--meter", metavar="METER", help="Address of the meter: then the search is guided, hands free.")
@click.option("--seen", "seen_texts", multiple=True, help="A reading: 'X1:4=24.1 V', 'X1:3 to X1:4=0.02 V', 'X1:4=OL'.")
@click.option("--situation", help="One of the circuit's situations; rest, or the symptom's, unless told.")
@click.option("--symptom", "symptom_name", help="What the lift does; one of the circuit's symptoms.")
@click.option("--accept-cautions", is_flag=True, help="Count the cautions as read and acknowledged.")
@click.option("--picture", type=click.Path(dir_okay=False), help="Write the circuit with what is known, SVG, here.")
@stated_options
@hearing_options
@page_options
@ways_options
@pedal_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON, and nothing else.")
def command(
    *,
    name: str,
    meter: str | None,
    seen_texts: tuple[str, ...],
    situation: str | None,
    symptom_name: str | None,
    accept_cautions: bool,
    picture: str | None,
    stated: Stated,
    hearing: Hearing,
    pages: Pages | None,
    ways: frozenset[Way],
    pedal: bool,
    as_json: bool,
) -> None:
    """Find the fault in CIRCUIT, a file or the name of a shipped one.

    With --meter the search says which point to touch next and why, takes each settled reading, names the faulty part
    once two readings prove it, and after the repair proves again what it touched; the job is kept in the record.
    Without, it ranks what may be wrong by the readings given with --seen.

    Exit status: without --meter 0, or 2 for bad usage or a bad file; with it, as `check`.
    """
    loaded = load_circuit(name)
    circuit = loaded.circuit
    suspicion = _suspicion(circuit, symptom_name)
    where = chosen_situation(circuit, situation or (suspicion.situation if suspicion else REST))
    if meter is not None:
        if seen_texts:
            raise UsageError("--seen is for readings without a meter; leave it out, or leave --meter out")
        _guided(
            loaded,
            meter,
            where,
            symptom_name,
            stated,
            hearing=hearing,
            pages=pages,
            ways=ways,
            pedal=pedal,
            accept_cautions=accept_cautions,
            as_json=as_json,
        )
    search = _search(circuit, where, suspicion)
    instrument = meter_in_hand(stated, None, local_day())
    try:
        for text in seen_texts:
            search.take(parse_seen(text, circuit, instrument))
    except ValueError as error:
        raise UsageError(f"--seen {error}") from error
    finding = search.finding()
    if picture is not None:
        write_picture(Path(picture), circuit, search_marks(search, finding))
    if as_json:
        click.echo(json.dumps(finding_json(search, finding, suspicion), ensure_ascii=False))
        return
    click.echo(f"{circuit.title} (circuit {circuit.name}, revision {circuit.revision}), situation {where}\n")
    if suspicion is not None:
        names = ", ".join(suspicion.names)
        click.echo(f"{symptom_name} can come from {names or 'nothing in this circuit'}.\n")
    picture_lines = rail_lines(circuit, search_marks(search, finding), _WIDTH)
    click.echo("\n".join([*finding_lines(search, finding), "", *picture_lines]))


def _suspicion(circuit: Circuit, name: str | None) -> Suspicion | None:
    if name is None:
        return None
    if name not in circuit.symptoms:
        known = ", ".join(circuit.symptoms) or "none"
        raise UsageError(f"symptom {name!r}: the circuit {circuit.name} knows {known}")
    return suspected(Bench(circuit), circuit.symptoms[name], suspects(circuit))


def _search(circuit: Circuit, situation: str, suspicion: Suspicion | None) -> Search:
    dictionary = Dictionary(Bench(circuit), situation)
    try:
        return Search(dictionary, [each.weight for each in suspicion.suspects] if suspicion else None)
    except RestlessError as error:
        raise UsageError(str(error)) from error


def _guided(
    loaded: LoadedCircuit,
    meter: str,
    situation: str,
    symptom: str | None,
    stated: Stated,
    *,
    hearing: Hearing,
    pages: Pages | None,
    ways: frozenset[Way],
    pedal: bool,
    accept_cautions: bool,
    as_json: bool,
) -> NoReturn:
    """Search with a meter: a job like any other, whose procedure is the search."""
    text = errand(loaded.circuit, loaded.circuit.name, situation, symptom)
    path = f"search in {loaded.path}"
    prepared = prepared_with(LoadedProcedure(parse_procedure(text, path), path, text), loaded)
    run_procedure(
        replace(prepared, ways=ways),
        meter,
        stated,
        hearing,
        accept_cautions=accept_cautions,
        as_json=as_json,
        pages=pages,
        pedal=pedal,
    )
