"""A meter profile: a wire format with everything about one kind of meter that its bytes do not tell.

A profile is a YAML file, one a kind of meter, named by chip or standard. It is data: nothing in it can run. Pure; the
files are found by `meterlink.profiles`.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, Field, PlainValidator, ValidationError
from pydantic_core import ErrorDetails

from meterlink.driver import Format, GattPlace, LineSettings
from meterlink.errors import UsageError
from meterlink.procedure.fields import Part, Slug, Text
from meterlink.procedure.problem import Problem, ProcedureError
from meterlink.procedure.sentences import name_of, sentence, unknown_key
from meterlink.procedure.source import Path, Source, begins_with, read_source


class Trap(StrEnum):
    """Something known to mislead a program that reads such a meter."""

    SENDS_TWICE = "sends-twice"
    NO_HOLD = "no-hold"
    LIVE_WHILE_HELD = "live-while-held"
    NO_FLAGS = "no-flags"
    TEMPERATURE_BIT = "temperature-bit"
    RANGE_NOT_SENT = "range-not-sent"
    NO_CHECKSUM = "no-checksum"
    NO_COUPLING = "no-coupling"
    NO_UNIT = "no-unit"
    WORD_ORDER = "word-order"
    COARSE = "coarse"

    @property
    def words(self) -> str:
        """The trap in a sentence."""
        return _TRAPS[self]


_TRAPS = {
    Trap.SENDS_TWICE: "It sends every block twice: two equal frames are one update of the display.",
    Trap.NO_HOLD: "HOLD is not sent: a held display cannot be told from a steady value.",
    Trap.LIVE_WHILE_HELD: "While the display is held it may go on sending the live value.",
    Trap.NO_FLAGS: "HOLD, relative, minimum, maximum and low battery are not sent.",
    Trap.TEMPERATURE_BIT: "Which bit means degrees Celsius differs between meters with this chip.",
    Trap.RANGE_NOT_SENT: "The decimal point is not sent: it follows from range and chip.",
    Trap.NO_CHECKSUM: "There is no checksum: a damaged digit can pass for another.",
    Trap.NO_COUPLING: "AC and DC cannot be told apart.",
    Trap.NO_UNIT: "The unit is not sent.",
    Trap.WORD_ORDER: "The order of a number's two registers is not standardised: check it with a known voltage.",
    Trap.COARSE: "Its steps are too coarse for a low-voltage tolerance.",
}


def _baud(value: object) -> int:
    if not (isinstance(value, str) and value.isascii() and value.isdigit() and 50 <= int(value[:9]) <= 4_000_000):
        raise ValueError(f"{value!r}: expected a speed from 50 to 4000000 bit/s")
    return int(value)


def _positive(value: object) -> Decimal:
    try:
        number = Decimal(value) if isinstance(value, str) else Decimal(0)
    except InvalidOperation:
        number = Decimal(0)
    if not (number.is_finite() and 0 < number < 10_000):
        raise ValueError(f"{value!r}: expected a number above 0, such as 2.5")
    return number


def _uuid(value: object) -> str:
    text = value.lower() if isinstance(value, str) else ""
    groups = text.split("-")
    if [len(group) for group in groups] != [8, 4, 4, 4, 12] or set("".join(groups)) - set("0123456789abcdef"):
        raise ValueError(f"{value!r}: expected a UUID in full, such as 0000fff0-0000-1000-8000-00805f9b34fb")
    return text


_Baud = Annotated[int, PlainValidator(_baud)]
_Positive = Annotated[Decimal, PlainValidator(_positive)]
_Uuid = Annotated[str, PlainValidator(_uuid)]
_Level = Literal["on", "off"]


class Line(Part):
    """The serial line, where it differs from what the format says."""

    baud: _Baud | None = None
    bytesize: Literal["5", "6", "7", "8"] | None = None
    parity: Literal["N", "E", "O", "M", "S"] | None = None
    stopbits: Literal["1", "1.5", "2"] | None = None
    dtr: _Level | None = None
    rts: _Level | None = None

    def over(self, own: LineSettings) -> LineSettings:
        """Put these settings over others."""
        return dataclasses.replace(
            own,
            baud=own.baud if self.baud is None else self.baud,
            bytesize=own.bytesize if self.bytesize is None else int(self.bytesize),
            parity=self.parity or own.parity,
            stopbits=own.stopbits if self.stopbits is None else float(self.stopbits),
            dtr=own.dtr if self.dtr is None else self.dtr == "on",
            rts=own.rts if self.rts is None else self.rts == "on",
        )


class Gatt(Part):
    """The place over Bluetooth LE, where it differs from what the format says."""

    service: _Uuid
    notify: _Uuid
    write: _Uuid | None = None


class Profile(Part):
    """One kind of meter."""

    profile: Slug = Field(description="Names it: `?profile=NAME`.")
    title: Text = Field(description="What it is, in the words of chip or standard.")
    format: Text = Field(description="The wire format.")
    traffic: Literal["stream", "poll"] = Field(description="Whether the meter talks by itself or must be asked.")
    source: Text = Field(description="Where this comes from, and how sure it is.")
    whole_format: Literal["yes", "no"] = Field(
        "no",
        description="yes: right for every meter of the format, so it may be taken when only the format is known.",
    )
    options: Mapping[Slug, Text] = Field({}, description="The format's options.")
    line: Line = Field(Line(), description="Line settings that differ from the format's own.")
    gatt: Gatt | None = Field(None, description="The place over Bluetooth LE, where not the format's own.")
    updates: _Positive | None = Field(None, description="Updates of the display a second, about.")
    auto_off: _Positive | None = Field(None, description="Minutes until the meter switches itself off.")
    press: Text | None = Field(None, description="What to do on the meter so that it sends.")
    traps: tuple[Trap, ...] = Field((), description="What is known to mislead.")
    confusable_with: tuple[Text, ...] = Field(
        (), description="What else sends such bytes and is not decoded here: the user has to say it is not that."
    )

    @property
    def stands_alone(self) -> bool:
        """Whether it may be taken without a word from the user once the format is certain."""
        return self.whole_format == "yes" and not self.confusable_with

    def line_settings(self, own: LineSettings) -> LineSettings:
        """Put this profile's settings over the format's own."""
        line = self.line.over(own)
        if self.gatt is None:
            return line
        return dataclasses.replace(line, gatt=GattPlace(self.gatt.service, self.gatt.notify, self.gatt.write))


@dataclass(frozen=True, slots=True)
class ExaminedProfile:
    """What a text turned out to be."""

    profile: Profile | None
    """None where there is an error."""
    problems: tuple[Problem, ...]
    source: Source | None
    """The file with its places; None where it is no plain YAML."""


def is_profile(text: str) -> bool:
    """Whether a YAML text means to be a profile: its first key says so."""
    return begins_with("profile", text)


def examine_profile(text: str, path: str) -> ExaminedProfile:
    """Read a profile and collect its problems; `path` only names it."""
    try:
        source = read_source(text, path, "a meter profile")
    except ProcedureError as error:
        return ExaminedProfile(None, error.problems, None)
    try:
        return ExaminedProfile(Profile.model_validate(source.root), (), source)
    except ValidationError as error:
        problems = [_placed(source, each) for each in error.errors(include_url=False)]
        return ExaminedProfile(None, tuple(sorted(problems)), source)


def fit(examined: ExaminedProfile, wire: Format) -> Sequence[Problem]:
    """Return what in a profile does not fit its format."""
    profile, source = examined.profile, examined.source
    if profile is None or source is None:
        return ()
    problems = [
        Problem(
            *source.keys["options", name], unknown_key(name, f"the options of format {wire.name}", list(wire.options))
        )
        for name in profile.options
        if name not in wire.options
    ]
    if problems:
        return problems
    try:
        wire.decoder(profile.options)
    except UsageError as error:
        return [Problem(*source.value_place(("options",)), str(error))]
    polled = wire.polled and profile.options.get("poll") != "off"
    if polled != (profile.traffic == "poll"):
        said = "must be asked" if polled else "talks by itself"
        place = source.value_place(("traffic",))
        return [Problem(*place, f"traffic {profile.traffic!r}, but a meter of format {wire.name} {said}")]
    return ()


_MODELS: dict[str, type[BaseModel]] = {"line": Line, "gatt": Gatt}


def _placed(source: Source, error: ErrorDetails) -> Problem:
    path: Path = tuple(part for part in error["loc"] if part != "[key]")
    parent, name = path[:-1], str(path[-1]) if path else "the file"
    if error["type"] == "missing":
        return Problem(*source.value_place(parent), f"key {name!r} is missing, {_owner(parent)} needs it")
    if error["type"] == "extra_forbidden":
        known = list((_MODELS[str(parent[0])] if parent else Profile).model_fields)
        return Problem(*source.keys[path], unknown_key(name, _owner(parent), known))
    return Problem(*source.value_place(path), sentence(error, name_of(path)))


def _owner(path: Path) -> str:
    return f"{path[0]!r} of a profile" if path else "a profile"
