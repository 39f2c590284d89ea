"""What a description says that can be run, and yet is hardly meant. Pure."""

from collections.abc import Iterator

from meterlink.described.bits import Place, bits_of
from meterlink.described.build import PREFIXES, Builder, Use
from meterlink.described.model import Row
from meterlink.procedure.lint import Finding
from meterlink.procedure.problem import Severity
from meterlink.procedure.source import Path
from meterlink.reading import FAHRENHEIT, Function

_UNITS = {function.unit for function in Function} - {""} | {FAHRENHEIT}
_RULES = ("require", "refuse")
"""Parts that may speak of bits which mean something elsewhere, whole or in part."""
_CONDITIONS = ("overload", "blank", "minus")
"""Parts that may use the very bits of another part: a code of the point's place may mean OL."""


def warnings(builder: Builder) -> Iterator[Finding]:
    """Look over a description that could be built."""
    told = builder.description
    for name in told.fields.keys() - builder.named:
        yield _warning(("fields", name), f"nothing uses the field {name!r}")
    yield from _overlaps(builder)
    for path, place in {use.path: use.place for use in builder.uses if use.path[0] not in _RULES}.items():
        if len(_possible(builder.frame, place)) == 1:
            yield _warning(path, "these bits never change: `frame` says what they are")
    for text, values in told.require.items():
        place = builder.place(text)
        if len(builder.values(values, place)) >= len(_possible(builder.frame, place)):
            yield _warning(("require", text), f"place {text!r} can hold nothing else; this refuses no frame")
    if all(len(allowed) == 256 for allowed in builder.pattern) and told.checksum is None:
        message = "no byte is constant and there is no checksum: a damaged frame cannot be told from a good one"
        yield _warning(("frame",), message)
    yield from _tables(builder)
    yield from _rows(builder)


def _warning(path: Path, message: str, first: Path | None = None) -> Finding:
    return Finding(path, message, Severity.WARNING, first)


def _overlaps(builder: Builder) -> Iterator[Finding]:
    uses = list({use.path: use for use in builder.uses if use.path[0] not in _RULES}.values())
    owners: dict[int, Use] = {}
    for use in uses:
        for bit in use.place.bits:
            other = owners.setdefault(bit, use)
            if other is not use and not _shared(other, use):
                byte, place = divmod(bit, 8)
                yield _warning(use.path, f"bit {byte}.{7 - place} is used for something else too", other.path)
                break


def _shared(one: Use, other: Use) -> bool:
    same = set(one.place.bits) == set(other.place.bits)
    return same and bool({one.path[0], other.path[0]} & {*_CONDITIONS, "functions"})


def _possible(pattern: tuple[frozenset[int], ...], place: Place) -> frozenset[int] | range:
    """What a place can hold by what single bytes can be; all that its bits can make where it takes several bytes."""
    if len(place.bytes) > 1:
        return range(1 << min(len(place.bits), 62))
    (byte,) = place.bytes
    return frozenset(bits_of(value, place) for value in pattern[byte])


def _tables(builder: Builder) -> Iterator[Finding]:
    told = builder.description
    tables: list[tuple[str | None, Path, list[str]]] = []
    if told.point:
        tables.append((told.point.at, ("point", "decimals"), list(told.point.decimals)))
    if told.prefix:
        tables.append((told.prefix.at, ("prefix", "table"), list(told.prefix.table or ())))
    for index, row in enumerate(told.functions):
        tables.append((told.range, ("functions", index, "ranges"), list(row.ranges or ())))
        tables += [(text, ("functions", index, "when", text), list(values)) for text, values in row.when.items()]
    for text, path, keys in tables:
        if text is None:
            continue
        place = builder.place(text)
        possible = _possible(builder.pattern, place)
        for key in keys:
            if not any(value in possible for value in builder.values([key], place)):
                yield _warning((*path, key), f"place {text!r} can never hold {key}")


def _rows(builder: Builder) -> Iterator[Finding]:
    rows = builder.description.functions
    for index, row in enumerate(rows):
        path: Path = ("functions", index)
        for earlier in range(index):
            if builder.lit(path, row) == builder.lit(path, rows[earlier]) and _covers(builder, rows[earlier], row):
                yield _warning(path, "an earlier row takes every frame that this one could", ("functions", earlier))
                break
        yield from _units(path, row)


def _covers(builder: Builder, earlier: Row, later: Row) -> bool:
    wanted = {builder.place(text): builder.values(values, builder.place(text)) for text, values in later.when.items()}
    return all(
        wanted.get(builder.place(text), {-1}) <= builder.values(values, builder.place(text))
        for text, values in earlier.when.items()
    )


def _units(path: Path, row: Row) -> Iterator[Finding]:
    for lamp in row.lit or ():
        prefix, unit = (lamp[:1], lamp[1:]) if lamp not in _UNITS and lamp[:1] in PREFIXES else ("none", lamp)
        if unit not in _UNITS or not row.function.judged:
            continue
        measured = row.unit or row.function.unit
        if unit != measured:
            yield _warning((*path, "lit"), f"lamp {lamp!r} is a unit, but {row.function} is measured in {measured}")
        elif prefix != "none" and PREFIXES[prefix] != PREFIXES[row.prefix]:
            yield _warning((*path, "lit"), f"lamp {lamp!r} is lit, but the row's prefix is {row.prefix}")
