"""`steadypoint replay`: a job's stored frames through decoder and engine again, every outcome compared."""

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click

from meterlink.cli._conduct import NOT_FINISHED
from meterlink.cli._hearing import Hearing, hearing_options
from meterlink.cli._pages import Pages, optional_page
from meterlink.cli._playing import SPEED, played
from meterlink.cli._source import Source, open_source
from meterlink.cli._store import store_option
from meterlink.driver import Decoder
from meterlink.errors import MeterlinkError, UsageError
from meterlink.home import home_folder
from meterlink.instrument import Wire
from meterlink.outcome import Json
from meterlink.playback import Playback, Tempo
from meterlink.prepared import prepare
from meterlink.procedure.load import load_procedure
from meterlink.record.words import columns, measured
from meterlink.registry import decoder_of
from meterlink.replay import Difference, Replay, last_verdicts, verdict_differences, what_if

_WHAT_IF = "WHAT-IF: what another procedure would have said of the same readings. Not a verdict; nothing was stored."


@click.command("replay", short_help="Replay a job from its stored frames, and compare every outcome.")
@click.argument("job", metavar="JOB|FILE")
@click.option(
    "--with", "other", metavar="PROCEDURE", help="What another procedure would say: a file, or a shipped one."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--speed",
    type=SPEED,
    metavar="N|max",
    help="Play it on the screen and let it be heard, N times as fast as it went.",
)
@click.option("--skip-pauses", is_flag=True, help="With --speed: shorten pauses of more than 5 s to 1 s.")
@optional_page(
    "--port",
    "With --speed: play it on the technician's page there too; it begins once a page is open. 0: any free one.",
)
@hearing_options
@store_option
def command(
    *,
    job: str,
    other: str | None,
    as_json: bool,
    speed: Tempo | None,
    skip_pauses: bool,
    pages: Pages | None,
    hearing: Hearing,
    store_url: str | None,
) -> None:
    """Replay JOB, an id that `steadypoint jobs` lists, or FILE, an archive.

    The stored frames go through the decoder again, the readings and answers through a fresh engine; whatever it says is
    compared with what was stored. With --speed it is played as it went, with what the technician saw and heard; no
    answers are taken, and nothing is stored. Ctrl-C ends it.

    Exit status: 0 identical, 1 different, 3 a played job was ended by hand.
    """
    if speed is None and (skip_pauses or pages is not None):
        raise UsageError("--skip-pauses and --port say how a job is played; give --speed N or --speed max too")
    if speed is not None and other:
        raise UsageError("--with asks for verdicts alone; it cannot be played: leave out --speed or --with")
    with open_source(job, home_folder(), store_url) as source:
        if speed is not None:
            sys.exit(_played(source, replace(speed, skip_pauses=skip_pauses), hearing, pages, as_json=as_json))
        same = _what_if(source, other, as_json=as_json) if other else _replay(source, as_json=as_json)
    sys.exit(0 if same else 1)


def _played(source: Source, tempo: Tempo, hearing: Hearing, pages: Pages | None, *, as_json: bool) -> int:
    replay = Replay(source.job, _decoder)
    playback = Playback(replay, source.events(), tempo)
    ended = played(source.job.id, playback, tempo, hearing, pages, quiet=as_json)
    same = _report(source, replay, playback.differences, as_json=as_json)
    if not ended:
        click.echo(f"Ended by hand at {replay.last.seconds:.1f} s; compared up to there.", err=True)
        return NOT_FINISHED
    return 0 if same else 1


def _replay(source: Source, *, as_json: bool) -> bool:
    replay = Replay(source.job, _decoder)
    return _report(source, replay, list(replay.run(source.events())), as_json=as_json)


def _report(source: Source, replay: Replay, differences: list[Difference], *, as_json: bool) -> bool:
    if as_json:
        line = {
            "job": source.job.id,
            "outcomes": replay.outcomes,
            "differences": [each.as_json() for each in differences],
            "frames": replay.decoded,
            "not_decoded": replay.not_decoded,
        }
        click.echo(json.dumps(line, ensure_ascii=False))
    else:
        click.echo("\n".join(_page(replay, differences)))
    return not differences


def _decoder(wire: Wire) -> Decoder | None:
    try:
        return decoder_of(wire)
    except MeterlinkError as error:
        click.echo(f"steadypoint: frames are not decoded again: {error}", err=True)
        return None


def _page(replay: Replay, differences: list[Difference]) -> Iterator[str]:
    for each in differences:
        yield f"Event {each.event}, {each.at.seconds:f} s:"
        yield from columns([("  stored  ", _said(each.stored)), ("  replayed", _said(each.replayed))])
    yield f"{replay.decoded} frames decoded again, {replay.not_decoded} readings without a frame to decode."
    told = f"{len(differences)} DIFFERENCES" if differences else "identical"
    yield f"{replay.outcomes} outcomes: {told}."


def _said(body: Json | None) -> str:
    return "nothing" if body is None else json.dumps(body, ensure_ascii=False, sort_keys=True)


def _what_if(source: Source, other: str, *, as_json: bool) -> bool:
    prepared = prepare(load_procedure(Path(other) if Path(other).is_file() else other))
    stored = last_verdicts(source.events())
    differences = verdict_differences(stored, what_if(prepared, source.events()))
    procedure = prepared.procedure
    if as_json:
        line = {
            "job": source.job.id,
            "what_if": {"procedure": procedure.procedure, "revision": procedure.revision},
            "outcomes": len(stored),
            "differences": [{"step": step, "stored": one, "what_if": two} for step, one, two in differences],
        }
        click.echo(json.dumps(line, ensure_ascii=False))
        return not differences
    click.echo(_WHAT_IF)
    click.echo(f"{procedure.procedure} revision {procedure.revision} in the place of revision {source.job.revision}")
    if differences:
        head = ("STEP", "STORED", "LIMITS", "WHAT-IF", "LIMITS")
        rows = [(step, *_verdict(one), *_verdict(two)) for step, one, two in differences]
        click.echo("\n".join(columns([head, *rows])))
    click.echo(f"{len(stored)} verdicts: {len(differences)} would be others, or by other limits.")
    return not differences


def _verdict(body: Json | None) -> tuple[str, str]:
    if body is None:
        return "none", ""
    return f"{str(body['outcome']).upper()} {measured(body)}".strip(), str(body["limits"] or "")
