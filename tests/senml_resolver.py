"""Resolves SenML as RFC 8428, section 4.6, has it; written for the tests, from the RFC alone."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

Pack = Iterable[dict[str, Any]]


def resolve(pack: Pack) -> list[dict[str, Any]]:
    """Apply the base fields to each record, and drop them; in order of time."""
    name, unit = "", None
    time = value = Decimal(0)
    resolved = []
    for record in pack:
        name, unit = record.get("bn", name), record.get("bu", unit)
        time, value = Decimal(str(record.get("bt", time))), Decimal(str(record.get("bv", value)))
        whole = {key: each for key, each in record.items() if not key.startswith("b")}
        whole["n"] = name + record.get("n", "")
        if "v" in record:
            whole["v"] = Decimal(str(record["v"])) + value
        if (own := record.get("u", unit)) is not None:
            whole["u"] = own
        at = Decimal(str(record.get("t", 0))) + time
        if at:
            whole["t"] = at
        resolved.append(whole)
    return sorted(resolved, key=lambda each: each.get("t", Decimal(0)))
