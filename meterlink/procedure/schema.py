"""The JSON Schema of procedure files, made from the model."""

from pydantic.json_schema import GenerateJsonSchema

from meterlink.procedure.model import ProcedureFile

SCHEMA_ID = "https://steadypoint.example/procedure.schema.json"
"""An identity, not an address: names under `.example` never resolve (RFC 2606, section 2)."""


def procedure_schema() -> dict[str, object]:
    """Return the schema in the 2020-12 dialect. It knows the shape; `steadypoint lint` also knows the sense."""
    schema = ProcedureFile.model_json_schema()
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        "$id": SCHEMA_ID,
        **schema,
        "title": "Steadypoint procedure",
    }
