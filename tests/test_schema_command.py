"""`steadypoint schema`: what editors check procedure files with."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from meterlink.cli import cli
from meterlink.procedure.load import load_procedure
from procedure_samples import TWO_POINTS

PROCEDURES = (Path(__file__).parent.parent / "docs" / "procedures.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    result = CliRunner().invoke(cli, ["schema"])
    assert result.exit_code == 0
    read: dict[str, Any] = json.loads(result.stdout)
    return read


def as_editor_sees(text: str) -> Any:
    """Read YAML with its own guesses, numbers and truths, as editors do."""
    return yaml.safe_load(text)


def test_it_is_a_schema_of_the_2020_12_dialect(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)  # the metaschema, json-schema.org/draft/2020-12

    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    assert schema["$id"].startswith("https://")
    assert schema["title"] == "Steadypoint procedure"
    assert schema["description"]


def test_every_key_is_explained(schema: dict[str, Any]) -> None:
    parts = [schema, *(part for name, part in schema["$defs"].items() if "properties" in part)]
    unexplained = [
        (part["title"], key)
        for part in parts
        for key, value in part["properties"].items()
        if key != "kind" and "description" not in value
    ]

    assert len(parts) > 4
    assert unexplained == []


@pytest.mark.parametrize("text", [TWO_POINTS, load_procedure("start-up").source], ids=["smallest", "start-up"])
def test_good_procedures_are_valid(schema: dict[str, Any], text: str) -> None:
    assert list(Draft202012Validator(schema).iter_errors(as_editor_sees(text))) == []


def test_numbers_are_fine_where_the_loader_takes_them_as_text(schema: dict[str, Any]) -> None:
    text = TWO_POINTS.replace("point: Q1", "point: 12").replace("title: Two points", "title: 24")

    assert Draft202012Validator(schema).is_valid(as_editor_sees(text))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda procedure: procedure.pop("cautions"),
        lambda procedure: procedure.update(cautions=[]),
        lambda procedure: procedure.update(colour="red"),
        lambda procedure: procedure.update(revision=1.5),
        lambda procedure: procedure["steps"].clear(),
        lambda procedure: procedure["steps"][0].update(kind="guess"),
        lambda procedure: procedure["steps"][0].update(measure="volts"),
        lambda procedure: procedure["steps"][0].update(measure=[]),
        lambda procedure: procedure["steps"][0].update(limits=24),
        lambda procedure: procedure["steps"][0].update(remedy=None),
        lambda procedure: procedure["steps"][0].update(id="two words"),
        lambda procedure: procedure["steps"][1].pop("with"),
        lambda procedure: procedure["steps"][1].update(on_fail="halt"),
        lambda procedure: procedure["steps"][2].update(reference="earth bar"),
    ],
)
def test_spoilt_procedures_are_not(schema: dict[str, Any], spoil: Callable[[Any], object]) -> None:
    procedure = as_editor_sees(TWO_POINTS)
    assert Draft202012Validator(schema).is_valid(procedure)

    spoil(procedure)
    assert not Draft202012Validator(schema).is_valid(procedure)


EVERY_KIND = PROCEDURES.partition("    procedure: every-kind")[2].partition("\n\n- `")[0].replace("\n    ", "\n")


def test_every_kind_of_step_and_groups_are_valid_as_an_editor_sees_them(schema: dict[str, Any]) -> None:
    procedure = as_editor_sees(f"procedure: every-kind{EVERY_KIND}\n")
    assert list(Draft202012Validator(schema).iter_errors(procedure)) == []
    kinds = {step.get("kind") for step in procedure["steps"]}
    assert {"ask", "dead", "bridge", "watch", "interval", "look", None} == kinds


@pytest.mark.parametrize(
    ("kind", "spoil"),
    [
        ("dead", lambda step: step.pop("known")),
        ("watch", lambda step: step.pop("least")),
        ("interval", lambda step: step.update({"from": 3})),
        ("bridge", lambda step: step.update(jumper="lost")),
        ("look", lambda step: step.update(on_fail="go-to")),
        (None, lambda group: group.pop("steps")),
        (None, lambda group: group.update(any_order="perhaps")),
        (None, lambda group: group["steps"][0].update(times=0)),
    ],
)
def test_spoilt_kinds_are_not(schema: dict[str, Any], kind: str | None, spoil: Callable[[Any], object]) -> None:
    procedure = as_editor_sees(f"procedure: every-kind{EVERY_KIND}\n")
    spoil(next(step for step in procedure["steps"] if step.get("kind") == kind))
    assert not Draft202012Validator(schema).is_valid(procedure)
