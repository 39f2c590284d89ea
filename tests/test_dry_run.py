"""`steadypoint dry-run`: its JSON, its table, its exit status, and what it says of a wrong name."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from commands import lines, only, steadypoint
from meterlink.cli import cli
from meterlink.errors import FileError, UsageError
from meterlink.procedure.load import load_procedure
from meterlink_sim.mishap import Mishap, Trouble, parse_mishap

STOPS = "emergency-stops"
ONE = ("--processes", "1")


def dry_run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["dry-run", *arguments, *ONE])


def test_a_line_a_run_with_the_keys_of_the_contract() -> None:
    result = dry_run(STOPS, "--fault", "none", "--fault", "bridged:S7", "--json")
    assert result.exit_code == 0
    clean, bridged = map(json.loads, result.output.splitlines())
    assert list(clean) == ["procedure", "fault", "caught_by", "complete", "verdicts"]
    assert (clean["procedure"], clean["fault"], clean["caught_by"], clean["complete"]) == (STOPS, None, None, True)
    steps = [step.id for step in load_procedure(STOPS).procedure.steps]
    assert list(clean["verdicts"]) == steps
    assert set(clean["verdicts"].values()) == {"pass"}
    assert (bridged["fault"], bridged["caught_by"], bridged["complete"]) == ("bridged:S7", "upper-stop-works", True)
    assert bridged["verdicts"]["upper-stop-works"] == "fail"
    assert bridged["verdicts"]["lower-stop-works"] == "pass"


def test_the_cues_in_order_on_request() -> None:
    result = dry_run(STOPS, "--fault", "none", "--heard", "--json")
    heard = json.loads(result.output)["heard"]
    assert heard[0].startswith("Access. landings: Is nobody on the platform")
    assert heard[-1] == "S7, S6, S1, A1: Pass."
    told = dry_run(STOPS, "--fault", "none", "--heard").output
    assert told.startswith(f"{STOPS}, none:\n  Access. landings:")


def test_a_fault_that_nothing_catches_ends_with_1() -> None:
    """K2's coil is open: no step of this check sees it, and its file says why."""
    result = dry_run(STOPS, "--fault", "open:K2", "--json")
    assert result.exit_code == 1
    assert json.loads(result.output)["caught_by"] is None
    assert "missed" in dry_run(STOPS, "--fault", "open:K2").output


def test_a_search_ends_although_it_asks_a_floating_point_whose_sound_value_is_0() -> None:
    """K1:14, between two open contacts, should read 0 V; a few tenths of a volt of stray voltage wander there."""
    result = dry_run("hand-over", "--fault", "earth:B1:12", "--json")
    assert result.exit_code == 0
    assert json.loads(result.output)["caught_by"] == "battery"


def test_the_table_has_a_row_a_fault_and_a_column_a_step() -> None:
    table = dry_run(STOPS, "--fault", "none", "--fault", "bridged:S7").output
    assert ["22", "upper-stop-works", "bridged:S7"] in [line.split() for line in table.splitlines()]
    clean, bridged = (line for line in table.splitlines() if line.startswith(("none ", "bridged:S7 ")))
    steps = len(load_procedure(STOPS).procedure.steps)
    assert clean.split()[1] == "." * steps
    assert bridged.split()[1].index("X") == 21
    assert bridged.endswith("caught by upper-stop-works")
    assert "2 runs, 2 as they should be." in table


def test_a_clean_run_that_does_not_pass_ends_with_1(tmp_path: Path) -> None:
    text = load_procedure(STOPS).source.replace("24.0..29.0 V", "28.9..29.0 V")
    text = text.replace("circuit: emergency-stops", "circuit: emergency-stops").replace(
        "on_fail: find", "on_fail: stop"
    )
    path = tmp_path / "strict.yaml"
    path.write_text(text, encoding="utf-8")
    result = dry_run(str(path), "--fault", "none", "--json")
    assert result.exit_code == 1
    assert json.loads(result.output)["caught_by"] == "battery"


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ("open:B9", "no element 'B9'"),
        ("melted:S1", "expected open:ID"),
        ("late:no-such-step", "no step 'no-such-step'"),
        ("swapped:S99", "no part 'S99'"),
    ],
)
def test_a_fault_of_no_such_name_says_what_is_known(fault: str, why: str) -> None:
    error = dry_run(STOPS, "--fault", fault).exception
    assert isinstance(error, UsageError)
    assert why in str(error)
    assert STOPS in str(error)


def test_a_procedure_of_no_such_name_lists_what_is_shipped() -> None:
    error = dry_run("no-such-check").exception
    assert isinstance(error, FileError)
    assert "door-locks, emergency-stops" in str(error)


def test_wrong_names_end_with_2(tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "dry-run", STOPS, "--fault", "open:B9")
    assert result.returncode == 2
    assert result.stderr.startswith("steadypoint: emergency-stops: fault 'open:B9'")


def test_several_processes_come_to_the_same_in_the_same_order() -> None:
    faults = [argument for fault in ("none", "open:S1", "bridged:S6") for argument in ("--fault", fault)]
    several = CliRunner().invoke(cli, ["dry-run", STOPS, *faults, "--json", "--processes", "2"])
    assert several.exit_code == 0
    assert several.output == dry_run(STOPS, *faults, "--json").output


def test_a_mishap_is_known_by_its_kind_and_place() -> None:
    procedure = load_procedure("door-locks").procedure
    assert parse_mishap(procedure, None, "late:lower-relocks") == Mishap(Trouble.LATE, "lower-relocks")
    assert parse_mishap(procedure, None, "open:B5") is None
    with pytest.raises(ValueError, match="known are none"):
        parse_mishap(procedure, None, "swapped:B5")


def test_a_check_of_the_simulated_lift_can_have_a_mishap(tmp_path: Path) -> None:
    """The whole line: link, session and record, and a stop that is found pressed."""
    meter = f"sim:amiss:upper-stop-free?procedure={STOPS}&speed=max&repairs=yes"
    result = steadypoint(tmp_path, "check", STOPS, "--meter", meter, "--accept-cautions", "--json")
    assert result.returncode == 1, result.stderr
    events = lines(result.stdout)
    outcomes = {str(event["step"]): event["outcome"] for event in only(events, "verdict")}
    assert [step for step, outcome in outcomes.items() if outcome != "pass"] == ["upper-stop-free"]
    (end,) = only(events, "end")
    assert end["complete"] is True
