"""The JSON Schema of circuits, made from the model."""

from typing import Any

from pydantic.json_schema import GenerateJsonSchema

from meterlink.circuit.model import CircuitFile

SCHEMA_ID = "https://steadypoint.example/circuit.schema.json"
"""An identity, not an address: names under `.example` never resolve (RFC 2606, section 2)."""


def circuit_schema() -> dict[str, object]:
    """Return the schema in the 2020-12 dialect. It knows the shape; `steadypoint lint` also knows the sense."""
    schema = CircuitFile.model_json_schema()
    for part in (schema, *schema["$defs"].values()):
        for key in part["properties"].values():
            _tell_default(key)
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        "$id": SCHEMA_ID,
        **schema,
        "title": "Steadypoint circuit",
    }


def _tell_default(key: dict[str, Any]) -> None:
    """Say a default in words where it is no value that a file may hold: a span, or a number without its unit."""
    _, _, unit = str(key.get("examples", [""])[0]).partition(" ")
    match key.get("default"):
        case {"low": float(low), "nominal": float(nominal), "high": float(high)}:
            told = f"{nominal:g} {unit}" + ("" if low == high else f", from {low:g} to {high:g} {unit}")
        case float(value) if unit:
            told = f"{value:g} {unit}"
        case _:
            return
    del key["default"]
    key["description"] += f" Unless told {told}."
