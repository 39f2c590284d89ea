"""The JSON Schemas of accuracy sheets and of instruments, made from the models."""

from pydantic.json_schema import GenerateJsonSchema

from meterlink.instruments.instrument_file import InstrumentFile
from meterlink.instruments.sheet_file import SheetFile
from meterlink.procedure.fields import Part


def sheet_schema() -> dict[str, object]:
    """Return the schema in the 2020-12 dialect. It knows the shape; `steadypoint lint` also knows the sense."""
    return _schema(SheetFile, "sheet", "Steadypoint accuracy sheet")


def instrument_schema() -> dict[str, object]:
    """Return the schema in the 2020-12 dialect. It knows the shape; `steadypoint lint` also knows the sense."""
    return _schema(InstrumentFile, "instrument", "Steadypoint instrument")


def _schema(model: type[Part], name: str, title: str) -> dict[str, object]:
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        # An identity, not an address: names under `.example` never resolve (RFC 2606, section 2).
        "$id": f"https://steadypoint.example/{name}.schema.json",
        **model.model_json_schema(),
        "title": title,
    }
