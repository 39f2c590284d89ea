"""The JSON Schema of descriptions, made from the model."""

from pydantic.json_schema import GenerateJsonSchema

from meterlink.described.model import Description

SCHEMA_ID = "https://steadypoint.example/format.schema.json"
"""An identity, not an address: names under `.example` never resolve (RFC 2606, section 2)."""


def description_schema() -> dict[str, object]:
    """Return the schema in the 2020-12 dialect. It knows the shape; `steadypoint lint` also knows the sense."""
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        "$id": SCHEMA_ID,
        **Description.model_json_schema(),
        "title": "Steadypoint wire format",
    }
