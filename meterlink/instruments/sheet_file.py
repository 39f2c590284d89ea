"""An accuracy sheet as a YAML file: what a meter's data sheet states of each range.

±(% of reading + counts) are limits of error, taken as rectangular. A sheet is data: nothing in it can run. Pure; the
files are found by `meterlink.instruments.shelf`.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, TypeVar

from pydantic import AfterValidator, Field, PlainValidator, ValidationError, WithJsonSchema

from meterlink.instrument import Climate, Range, Sheet
from meterlink.limits import Quantity, parse_quantity
from meterlink.procedure.fields import Part, Slug, Text, optional
from meterlink.procedure.lint import Finding, found
from meterlink.procedure.placed import Owner, placed
from meterlink.procedure.problem import Problem, ProcedureError, Severity
from meterlink.procedure.source import Node, Path, Source, begins_with, read_source
from meterlink.reading import Function, plain

_MOST_COUNTS, _FEWEST_COUNTS = 10_000_000, 100
"""Displays have from 199 counts, on their coarsest ranges, to some millions (common practice, no source)."""

_JUDGED = [function.value for function in Function if function.judged]
_LOADING = (Function.DC_VOLTAGE, Function.AC_VOLTAGE)
_SENDING = (Function.RESISTANCE, Function.CONTINUITY, Function.DIODE, Function.CAPACITANCE)
_NUMBER = re.compile(r"[0-9]{1,9}(\.[0-9]{1,9})?|\.[0-9]{1,9}", re.ASCII)
_Read = TypeVar("_Read")


def _number(value: object, what: str) -> Decimal:
    if not (isinstance(value, str) and _NUMBER.fullmatch(value)):
        raise ValueError(f"{value!r}: expected {what}")
    return Decimal(value)


def _quantity(value: object, what: str) -> Quantity:
    if not isinstance(value, str):
        raise ValueError(f"expected {what}")
    try:
        return parse_quantity(value)
    except ValueError as error:
        raise ValueError(f"{error}; expected {what}") from error


def _above_0(value: object, what: str, unit: str | None = None) -> Quantity:
    size = _quantity(value, what)
    if size.value <= 0 or unit not in (None, size.unit):
        raise ValueError(f"{value!r}: expected {what}")
    return size


def _range(value: object) -> Quantity:
    return _above_0(value, "the end of a range, above 0, such as 40 V")


def _resolution(value: object) -> Quantity:
    return _above_0(value, "the size of one count, above 0, such as 0.01 V")


def _reading(value: object) -> Decimal:
    what = "a percentage from 0 % to under 100 %, such as 0.5 %"
    share = _quantity(value, what)
    if share.unit != "%" or not 0 <= share.value < 100:
        raise ValueError(f"{value!r}: expected {what}")
    return share.value.scaleb(-2)


def _counts(value: object) -> Decimal:
    return _number(value, "a number of counts, 0 or more, such as 2")


def _impedance(value: object) -> Decimal:
    return _above_0(value, "a resistance above 0, such as 10 MOhm", "Ohm").value


def _test_current(value: object) -> Decimal:
    return _above_0(value, "a current above 0, such as 1 mA", "A").value


def _updates(value: object) -> Decimal:
    what = "updates a second, above 0 and at most 10000, such as 3"
    updates = _number(value, what)
    if not 0 < updates <= 10_000:
        raise ValueError(f"{value!r}: expected {what}")
    return updates


def _celsius(value: object) -> Decimal:
    what = "degrees Celsius, such as 18 °C"
    temperature = _quantity(value, what)
    if temperature.unit != "Cel":
        raise ValueError(f"{value!r}: expected {what}")
    return temperature.value


def _per_kelvin(value: object) -> Quantity:
    if isinstance(value, str) and "%" in value:
        return Quantity(_reading(value), "%")
    what = "a share of the accuracy from 0 to 1, such as 0.1, or a percentage of the reading, such as 0.02 %"
    share = _number(value, what)
    if share > 1:
        raise ValueError(f"{value!r}: expected {what}")
    return Quantity(share, "")


def _function(value: object) -> Function:
    if value not in _JUDGED:
        raise ValueError(f"{value!r} is no function that can be judged; expected one of {', '.join(_JUDGED)}")
    return Function(value)


def _some(functions: Mapping[Function, object]) -> Mapping[Function, object]:
    if not functions:
        raise ValueError("expected at least one function, such as dc-voltage")
    return functions


def _text(*examples: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": list(examples)})


def _text_or_number(*examples: float | str) -> WithJsonSchema:
    return WithJsonSchema({"type": ["string", "number"], "examples": list(examples)})


_Updates = Annotated[Decimal, PlainValidator(_updates), _text_or_number(3)]
_Celsius = Annotated[Decimal, PlainValidator(_celsius), _text("18 °C")]


class TemperatureSpan(Part):
    """The temperatures for which the accuracy is stated, and what each kelvin outside adds."""

    from_: _Celsius = Field(alias="from", description="The lowest for which the accuracy holds.")
    to: _Celsius = Field(description="The highest for which the accuracy holds.")
    per_kelvin: Annotated[Quantity, PlainValidator(_per_kelvin), _text_or_number(0.1, "0.02 %")] = Field(
        description="Added for each kelvin outside: a share of the stated accuracy, or a percentage of the reading."
    )

    @property
    def climate(self) -> Climate:
        """The span as the sheet has it."""
        share, unit = self.per_kelvin
        of_reading = unit == "%"
        return Climate(self.from_, self.to, Decimal(0) if of_reading else share, share if of_reading else Decimal(0))


class Row(Part):
    """One range, with an accuracy of ±(% of reading + counts), limits of error."""

    range: Annotated[Quantity, PlainValidator(_range), _text("40 V")] = Field(
        description="The largest magnitude that it holds."
    )
    resolution: Annotated[Quantity, PlainValidator(_resolution), _text("0.01 V")] = Field(
        description="The size of one count of the display."
    )
    reading: Annotated[Decimal, PlainValidator(_reading), _text("0.5 %")] = Field(
        description="Accuracy: so much of the displayed value."
    )
    counts: Annotated[Decimal, PlainValidator(_counts), _text_or_number(2)] = Field(
        description="Accuracy: and so many counts."
    )
    impedance: Annotated[Decimal, PlainValidator(_impedance), _text("10 MOhm")] | None = Field(
        None, description="Of volts: what the meter loads the circuit with.", json_schema_extra=optional
    )
    test_current: Annotated[Decimal, PlainValidator(_test_current), _text("1 mA")] | None = Field(
        None, description="Of ohms and diodes: what it sends through the circuit.", json_schema_extra=optional
    )
    updates: _Updates | None = Field(
        None, description="Updates of the display a second, where not the sheet's.", json_schema_extra=optional
    )
    temperature: TemperatureSpan | None = Field(
        None, description="The temperature span, where it is not the sheet's.", json_schema_extra=optional
    )


class SheetFile(Part):
    """An accuracy sheet: the figures of a meter's data sheet, range by range."""

    sheet: Slug = Field(description="Names the sheet; the file has the same name.")
    title: Text | None = Field(None, description="What meter it is for.", json_schema_extra=optional)
    source: Text | None = Field(
        None, description="Where the figures come from: data sheet and page, or practice.", json_schema_extra=optional
    )
    updates: _Updates | None = Field(None, description="Updates of the display a second.", json_schema_extra=optional)
    temperature: TemperatureSpan | None = Field(
        None,
        description="The temperature span of all rows; 18 °C to 28 °C and 0.1 per kelvin where nothing is said.",
        json_schema_extra=optional,
    )
    functions: Annotated[
        dict[
            Annotated[Function, PlainValidator(_function)],
            Annotated[tuple[Row, ...], Field(min_length=1)],
        ],
        AfterValidator(_some),
    ] = Field(
        description="The ranges of each function, in any order.",
        json_schema_extra={"minProperties": 1, "propertyNames": {"enum": [*_JUDGED]}},
    )


@dataclass(frozen=True, slots=True)
class ExaminedSheet:
    """What a text turned out to be."""

    sheet: Sheet | None
    """None where there is an error."""
    problems: tuple[Problem, ...]
    """Errors and warnings, in the order of the file."""
    source: Source | None
    """The file with its places; None where it is no plain YAML."""


def is_sheet(text: str) -> bool:
    """Whether a YAML text means to be an accuracy sheet: its first key says so."""
    return begins_with("sheet", text)


def parse_sheet(text: str, path: str) -> Sheet:
    """Read an accuracy sheet from the text of its file; `path` only names it in errors.

    Values are in the function's unit without prefix, exact; shares such as 0.5 % are 0.005.

    Raises:
        ProcedureError: with every error of the file.
    """
    examined = examine_sheet(text, path)
    if examined.sheet is None:
        raise ProcedureError(path, [each for each in examined.problems if each.severity is Severity.ERROR])
    return examined.sheet


def examine_sheet(text: str, path: str) -> ExaminedSheet:
    """Read an accuracy sheet and collect its problems, warnings too; `path` only names it."""
    try:
        source = read_source(text, path, "an accuracy sheet")
    except ProcedureError as error:
        return ExaminedSheet(None, error.problems, None)
    told, problems = None, found(source, _sense(source))
    try:
        told = SheetFile.model_validate(source.root)
    except ValidationError as error:
        problems += placed(source, error.errors(include_url=False), _owner)
    sound = told is not None and all(each.severity is Severity.WARNING for each in problems)
    return ExaminedSheet(_sheet(told, text) if told and sound else None, tuple(sorted(problems)), source)


def _sheet(told: SheetFile, text: str) -> Sheet:
    ranges = {
        function: tuple(sorted((_one_range(told, row) for row in rows), key=lambda each: each.full))
        for function, rows in told.functions.items()
    }
    return Sheet(told.sheet, text, ranges, told.title or "", told.source or "")


def _one_range(told: SheetFile, row: Row) -> Range:
    span = row.temperature or told.temperature
    return Range(
        full=row.range.value,
        resolution=row.resolution.value,
        reading=row.reading,
        counts=row.counts,
        impedance=row.impedance,
        test_current=row.test_current,
        updates=told.updates if row.updates is None else row.updates,
        climate=span.climate if span else Climate(),
    )


# Whether it makes sense. This looks at the file itself and not at the model, which is there only once all can be read.


def _sense(source: Source) -> Iterator[Finding]:
    yield from _span(("temperature",), source.get(("temperature",)))
    functions = source.get(("functions",))
    for name, rows in functions.items() if isinstance(functions, dict) else ():
        if name in _JUDGED and isinstance(rows, list):
            yield from _rows(Function(name), rows)


def _rows(function: Function, rows: list[Node]) -> Iterator[Finding]:
    firsts: dict[Decimal, Path] = {}
    for index, row in enumerate(rows):
        if not isinstance(row, dict):
            continue
        where: Path = ("functions", function.value, index)
        full = _readable(_range, row.get("range"))
        if full is not None and full.unit == function.unit:
            if full.value in firsts:
                yield Finding((*where, "range"), f"range {row['range']!r} is given twice", first=firsts[full.value])
            firsts.setdefault(full.value, (*where, "range"))
        yield from _sizes(where, function, full, _readable(_resolution, row.get("resolution")))
        if _readable(_reading, row.get("reading")) == 0 and _readable(_counts, row.get("counts")) == 0:
            yield Finding((*where, "counts"), "reading and counts are both 0; no meter is without error")
        yield from _unused(where, function, row)
        yield from _span((*where, "temperature"), row.get("temperature"))


def _sizes(where: Path, function: Function, full: Quantity | None, step: Quantity | None) -> Iterator[Finding]:
    for key, size in (("range", full), ("resolution", step)):
        if size is not None and size.unit != function.unit:
            message = f"{key} in {size.unit}, but {function} is measured in {function.unit}"
            yield Finding((*where, key), message)
    if full is None or step is None or full.unit != step.unit:
        return
    place: Path = (*where, "resolution")
    if step.value >= full.value:
        yield Finding(place, f"a count of {_written(step)} is not smaller than the range, {_written(full)}")
    elif not _FEWEST_COUNTS * step.value <= full.value <= _MOST_COUNTS * step.value:
        counts = (full.value / step.value).to_integral_value()
        message = f"a range of {_written(full)} in steps of {_written(step)} has {plain(counts)} counts; is that meant?"
        yield Finding(place, message, Severity.WARNING)


def _unused(where: Path, function: Function, row: Mapping[str, Node]) -> Iterator[Finding]:
    for key, functions in (("impedance", _LOADING), ("test_current", _SENDING)):
        if key in row and function not in functions:
            yield Finding((*where, key), f"{key} means nothing in {function}", Severity.WARNING)


def _span(where: Path, span: Node | None) -> Iterator[Finding]:
    if not isinstance(span, dict):
        return
    low, high = _readable(_celsius, span.get("from")), _readable(_celsius, span.get("to"))
    if low is not None and high is not None and low >= high:
        yield Finding((*where, "to"), f"to {plain(high)} °C is not above from {plain(low)} °C")


def _readable(read: Callable[[object], _Read], node: Node | None) -> _Read | None:
    try:
        return read(node)
    except ValueError:
        return None


def _written(size: Quantity) -> str:
    return f"{plain(size.value)} {size.unit}"


def _owner(path: Path) -> Owner:
    match path:
        case (*_, "temperature"):
            return "'temperature'", TemperatureSpan
        case ("functions", _, _):
            return "a row of 'functions'", Row
        case _:
            return "an accuracy sheet", SheetFile
