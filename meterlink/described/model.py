"""The description of a wire format as data. The field descriptions are the language's documentation."""

import re
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema

from meterlink.described.bits import number
from meterlink.described.checksum import CHECKSUMS
from meterlink.driver import Confidence
from meterlink.reading import Flag, Function

_SCALAR: dict[str, Any] = {"type": ["string", "number"]}
_TABLE: dict[str, Any] = {"type": "object", "minProperties": 1, "additionalProperties": _SCALAR}
_VALUES: dict[str, Any] = {"anyOf": [_SCALAR, {"type": "array", "minItems": 1, "items": _SCALAR}]}
_CONDITION: dict[str, Any] = {
    "anyOf": [_SCALAR, {"type": "object", "minProperties": 1, "additionalProperties": _VALUES}]
}
_CONDITIONS: dict[str, Any] = {"anyOf": [*_CONDITION["anyOf"], {"type": "array", "minItems": 1, "items": _CONDITION}]}


def _or_number(schema: dict[str, Any]) -> None:
    """Say that `at: 12` is as good as `at: "12"`: an editor sees a number, the loader always text."""
    schema["type"] = ["string", "number"]


def _as_list(value: object) -> object:
    return (value,) if isinstance(value, str | dict) else value


def _as_condition(value: object) -> object:
    return {value: "1"} if isinstance(value, str) else value


def _uuid(value: str) -> str:
    return str(UUID(value))


def _factor(value: str) -> str:
    if not re.fullmatch(r"\d{1,9}(\.\d{1,9})?", value, re.ASCII):
        raise ValueError(f"{value!r}: expected a number such as 0.015625")
    return value


def _whole(value: object) -> object:
    return number(value) if isinstance(value, str) else value


def _as_ranges(value: object) -> object:
    return {str(index): text for index, text in enumerate(value)} if isinstance(value, list) else value


Text = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=2000),
    Field(json_schema_extra=_or_number),
]
Name = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=64),
    Field(json_schema_extra=_or_number),
]
Values = Annotated[tuple[Text, ...], BeforeValidator(_as_list), Field(min_length=1), WithJsonSchema(_VALUES)]
Condition = Annotated[
    dict[str, Values], BeforeValidator(_as_condition), Field(min_length=1), WithJsonSchema(_CONDITION)
]
"""Places and the values that they must all have; a place alone stands for a bit that must be set."""
Conditions = Annotated[tuple[Condition, ...], BeforeValidator(_as_list), WithJsonSchema(_CONDITIONS)]
"""One of them is enough."""
Table = Annotated[dict[str, str], Field(min_length=1), WithJsonSchema(_TABLE)]
Uuid = Annotated[str, AfterValidator(_uuid), WithJsonSchema({"type": "string", "format": "uuid"})]
Decimals = Annotated[int, Field(ge=0, le=20)]


class Part(BaseModel):
    """Keys that are not known are refused, and nothing changes once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Line(Part):
    """How a serial port is set."""

    baud: int = Field(9600, ge=50, le=4_000_000, description="Bits a second.")
    bytesize: Literal["7", "8"] = Field(
        "8", description="Data bits of a character.", json_schema_extra={**_SCALAR, "enum": ["7", "8", 7, 8]}
    )
    parity: Literal["N", "E", "O", "S", "M"] = Field("N", description="None, even, odd, space (0) or mark (1).")
    stopbits: Literal["1", "1.5", "2"] = Field(
        "1",
        description="Stop bits of a character.",
        json_schema_extra={**_SCALAR, "enum": ["1", "1.5", "2", 1, 1.5, 2]},
    )
    dtr: bool = Field(True, description="Level of the DTR line; many opto-isolated cables are fed from it.")
    rts: bool = Field(False, description="Level of the RTS line.")


class Gatt(Part):
    """Where a Bluetooth LE meter offers the bytes. UUIDs in full."""

    service: Uuid = Field(description="The service.")
    notify: Uuid = Field(description="The characteristic whose notifications carry the bytes.")


class Checksum(Part):
    """Bytes that must agree with others."""

    kind: Literal[tuple(CHECKSUMS)] = Field(description="How it is worked out.")  # type: ignore[valid-type]
    over: Text = Field(description="The bytes it is worked out from, as they stand in the frame: 0-11.")
    at: Text = Field(description="Where it stands; 13-12 where the least significant byte comes first.")
    add: Annotated[int, BeforeValidator(_whole)] = Field(
        0, ge=0, le=0xFFFFFFFF, description="A constant added to it, such as what a sum starts with."
    )


class Digits(Part):
    """A number shown digit by digit."""

    at: tuple[Text, ...] = Field(min_length=1, max_length=20, description="Where each digit stands, leftmost first.")
    glyphs: Annotated[
        dict[str, str] | str,
        WithJsonSchema({"anyOf": [{"type": "string", "examples": ["segments efadcgb", "ascii"]}, _TABLE]}),
    ] = Field(
        description="What a digit's bits show: `ascii`; `segments efadcgb`, the order of seven segments; or a table of "
        "values and characters, `{0x30..0x39: '0123456789', 0x3A: L, 0x3F: ' '}`. Only digits, L, - and blank count."
    )
    zeros: Literal["keep", "drop"] = Field("keep", description="Whether leading zeros are shown.")


class Number(Part):
    """A number sent as a binary-coded whole number."""

    at: Text = Field(description="Its place: `signed` for two's complement, `bcd`, `text`; unsigned without a word.")
    times: Annotated[str, AfterValidator(_factor), WithJsonSchema(_SCALAR)] = Field(
        "1", description="What one count is worth where that is no power of ten: 0.015625."
    )


class Point(Part):
    """Where the decimal point stands."""

    at: Text | None = Field(None, description="The place whose value says it; needs `decimals`.")
    decimals: dict[str, Decimals] = Field({}, description="For each value of the place, the digits behind the point.")
    lamps: dict[str, Text] = Field(
        {}, description="Points as lamps: digits behind the point, and where its bit stands. At most one may be lit."
    )


class Prefix(Part):
    """Which prefix of the unit is shown."""

    at: Text | None = Field(None, description="The place whose value says it; needs `table`.")
    table: Table | None = Field(None, description="For each value of the place a prefix: p n u m none k M G.")
    lamps: dict[str, Text] = Field(
        {}, description="Prefixes as lamps: prefix, and where its bit stands. At most one may be lit."
    )


class Row(Part):
    """One function of the dial."""

    function: Function = Field(description="What is measured.")
    lit: tuple[Text, ...] | None = Field(None, description="Which of the lamps are lit: exactly these.")
    when: dict[str, Values] = Field(
        {}, description="Places and what they must hold.", json_schema_extra={"additionalProperties": _VALUES}
    )
    unit: Text | None = Field(None, description="SenML unit where it is not the function's own: degF.")
    prefix: Text = Field("none", description="The prefix that this row itself means: m for a symbol mV.")
    prefixes: tuple[Text, ...] | None = Field(
        None, description="The prefixes that may be shown with it; all if absent."
    )
    decimals: Decimals | None = Field(None, description="Digits behind the point, where the row alone says it.")
    ranges: Annotated[
        dict[str, str] | None,
        BeforeValidator(_as_ranges),
        WithJsonSchema({"anyOf": [{"type": "array", "items": _SCALAR}, _TABLE]}),
    ] = Field(
        None, description="For each value of `range` the full scale as the data sheet prints it: 2.2000, 220.00 m."
    )


class Description(Part):
    """A wire format of one fixed frame: where its bits are, and what they mean."""

    format: Name = Field(description="The format's name: a chip's part number or an open standard.")
    summary: Text = Field(description="One line for lists.")
    source: Text = Field(description="Where the layout comes from.")
    confidence: Confidence = Field(
        Confidence.LOW, description="How well it is founded: high (a capture decodes), medium, low (from memory)."
    )
    line: Line = Field(
        default_factory=lambda: Line.model_validate({}), description="How the serial port is set; 9600 8N1 if absent."
    )
    gatt: Gatt | None = Field(None, description="Where a Bluetooth LE meter offers it.")
    look_alikes: tuple[Name, ...] = Field((), description="Formats that cannot be told from it by their bytes.")
    frame: Text = Field(description="Each byte as two hex digits, ? for what varies: 02 3? ?? 0D.")
    xor: Text | None = Field(
        None, description="Hex bytes that the frame is scrambled with; all else speaks of it unscrambled."
    )
    gap_ms: int | None = Field(
        None,
        ge=1,
        le=10_000,
        description="A silence longer than this ends a frame that was begun; absent: any is fine.",
    )
    never_after: Text | None = Field(
        None,
        description="A byte that never stands right before a frame, such as 3?: what begins there is the end of "
        "something longer, and is refused.",
    )
    foreign_tail: Text | None = Field(
        None,
        description="A byte that never stands right behind a frame, such as F?. Where it does, the stream is another "
        "chip's, and its frames are refused until something else stands there.",
    )
    checksum: Checksum | None = Field(None, description="A checksum; a frame that fails it is refused.")
    fields: dict[Name, Text] = Field({}, description="Names for places, to be used wherever a place can stand.")
    require: dict[str, Values] = Field(
        {},
        description="Places and the values they may have; a frame with another is refused.",
        json_schema_extra={"additionalProperties": _VALUES},
    )
    refuse: Conditions = Field((), description="Combinations that no display shows.")
    digits: Digits | None = Field(None, description="The number, digit by digit.")
    number: Number | None = Field(None, description="The number, as a whole number. Either this or `digits`.")
    minus: Condition | None = Field(None, description="When the number is negative.")
    point: Point | None = Field(None, description="The decimal point; absent: none, or from the rows.")
    overload: Conditions = Field((), description="When the display shows OL, besides an L among the digits.")
    blank: Conditions = Field((), description="When it shows no number, besides blank or dashed digits.")
    lamps: dict[str, Text] = Field(
        {}, description="Symbols that together tell the function, and where their bits stand."
    )
    range: Text | None = Field(None, description="The place that the rows' `ranges` go by.")
    prefix: Prefix | None = Field(None, description="The prefix of the unit; absent: none, or from the rows.")
    functions: tuple[Row, ...] = Field(
        min_length=1, max_length=256, description="What each setting of the dial means; the first that fits."
    )
    flags: dict[Flag, Values] = Field(
        {},
        description="Annunciators that matter, and where their bits stand; of several bits one is enough.",
        json_schema_extra={"additionalProperties": _VALUES},
    )
