"""The circuit file as data. One class a kind of element; the field descriptions are the file format's documentation."""

import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema

from meterlink.circuit.materials import CELL_STATES, FUSE_OHMS, IEC_60228, Span
from meterlink.limits import parse_limits, parse_quantity
from meterlink.procedure.fields import Part, Slug, Text, YesNo, as_list, optional

_DECIMAL = r"(\d{1,6}(?:\.\d{1,6})?|\.\d{1,6})"
_LENGTH = re.compile(rf"{_DECIMAL}\s*(m|ft)", re.ASCII)
_MM2 = re.compile(rf"{_DECIMAL}\s*mm(?:2|²)", re.ASCII)
_AWG = re.compile(r"(?:AWG\s*(\d{1,2})|(\d{1,2})\s*AWG)", re.ASCII | re.IGNORECASE)
_BARE = re.compile(_DECIMAL, re.ASCII)
_METRES = {"m": 1.0, "ft": 0.3048}
_MOST_OHMS = 1e9


def _text(value: object, what: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"expected {what}")
    return value.strip()


def _span_of(value: object, unit: str, what: str) -> Span:
    """Read `480 Ohm`, `480 Ohm ± 10 %` or `5..100 mOhm`; of a single value, both ends are that value."""
    if isinstance(value, Span):
        return value
    text = _text(value, what)
    if ".." in text or "±" in text or "+-" in text or "+/-" in text:
        limits = parse_limits(text)
        if limits.unit != unit or limits.low is None or limits.high is None or limits.relative_to is not None:
            raise ValueError(f"{text!r}: expected {what}")
        low, high = float(limits.low), float(limits.high)
        return Span(low, (low + high) / 2, high)
    found = parse_quantity(text)
    if found.unit != unit:
        raise ValueError(f"{text!r}: expected {what}")
    return Span(float(found.value), float(found.value), float(found.value))


def _resistance(value: object) -> Span:
    span = _span_of(value, "Ohm", "a resistance such as 480 Ohm, 480 Ohm ± 10 % or 5..100 mOhm")
    if span.low < 0 or span.high > _MOST_OHMS:
        raise ValueError(f"{value!r}: expected a resistance from 0 to 1 GOhm")
    return span


def _volts(value: object) -> Span:
    if isinstance(value, str) and _BARE.fullmatch(value.strip()):
        value = f"{value.strip()} V"
    span = _span_of(value, "V", "a voltage such as 24 V or 23..28 V")
    if span.low < 0:
        raise ValueError(f"{value!r}: a source has no negative voltage; swap from and to")
    return span


def _length(value: object) -> float:
    if isinstance(value, float):
        return value
    what = "a length such as 25 m or 80 ft"
    match = _LENGTH.fullmatch(_text(value, what))
    if match is None or float(match[1]) <= 0:
        raise ValueError(f"{value!r}: expected {what}")
    return float(match[1]) * _METRES[match[2]]


class Section(str):
    """A conductor's size as written: `0.75 mm2` or `18 AWG`."""

    __slots__ = ()

    @property
    def mm2(self) -> float | None:
        """The metric cross-section; None for an AWG size."""
        match = _MM2.fullmatch(self)
        return float(match[1]) if match else None

    @property
    def awg(self) -> int | None:
        """The AWG size; None for a metric one."""
        match = _AWG.fullmatch(self)
        return int(match[1] or match[2]) if match else None


def _section(value: object) -> Section:
    section = Section(_text(value, "a cross-section such as 0.75 mm2 or 18 AWG"))
    if section.mm2 is None and section.awg is None:
        raise ValueError(f"{value!r}: expected a cross-section such as 0.75 mm2 or 18 AWG")
    if section.mm2 is not None and section.mm2 not in IEC_60228["5"]:
        known = ", ".join(f"{each:g}" for each in IEC_60228["5"])
        raise ValueError(f"{value!r}: expected one of {known} mm2 (IEC 60228), an AWG size, or state the resistance")
    if section.awg is not None and not 0 <= section.awg <= 36:
        raise ValueError(f"{value!r}: expected an AWG size from 0 to 36")
    return section


def _celsius(value: object) -> float:
    if isinstance(value, float):
        return value
    found = parse_quantity(_text(value, "a temperature such as 20 °C"))
    if found.unit != "Cel" or not -60 <= found.value <= 120:
        raise ValueError(f"{value!r}: expected a temperature from -60 to 120 °C, such as 20 °C")
    return float(found.value)


def _rating(value: object) -> float:
    if isinstance(value, float):
        return value
    found = parse_quantity(_text(value, "a rated current such as 5 A"))
    if found.unit != "A" or found.value <= 0:
        raise ValueError(f"{value!r}: expected a rated current such as 5 A")
    return float(found.value)


def _number(what: str, low: float, high: float) -> PlainValidator:
    def read(value: object) -> float:
        if isinstance(value, float):
            return value
        text = _text(value, what)
        if not _BARE.fullmatch(text) or not low <= float(text) <= high:
            raise ValueError(f"{value!r}: expected {what}, from {low:g} to {high:g}")
        return float(text)

    return PlainValidator(read)


def _count(value: object) -> int:
    text = _text(value, "a number of cells") if not isinstance(value, int) else str(value)
    if not re.fullmatch(r"[0-9]{1,3}", text, re.ASCII) or not 1 <= int(text) <= 200:
        raise ValueError(f"{value!r}: expected a number of cells from 1 to 200")
    return int(text)


def _state(value: object) -> str:
    text = " ".join(_text(value, "a state").replace("%", " %").split())
    if text not in CELL_STATES:
        raise ValueError(f"{value!r} is not known, expected {', '.join(CELL_STATES)}")
    return text


def _like(*examples: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": list(examples)})


def _number_like(*examples: str) -> WithJsonSchema:
    return WithJsonSchema({"type": ["string", "number"], "examples": list(examples)})


def _strands(schema: dict[str, Any]) -> None:
    """Say that `strand: 5` is as good as `strand: "5"`: an editor sees a number, the loader always text."""
    optional(schema)
    del schema["type"]
    schema["enum"] = [each for name in schema["enum"] for each in (name, *((int(name),) if name.isdigit() else ()))]


Resistance = Annotated[Span, PlainValidator(_resistance), _like("480 Ohm", "480 Ohm ± 10 %", "5..100 mOhm")]
Volts = Annotated[Span, PlainValidator(_volts), _number_like("24 V", "23..28 V")]
Length = Annotated[float, PlainValidator(_length), _like("25 m", "80 ft")]
SectionField = Annotated[Section, PlainValidator(_section), _like("0.75 mm2", "18 AWG")]
Celsius = Annotated[float, PlainValidator(_celsius), _like("20 °C")]
Rating = Annotated[float, PlainValidator(_rating), _like("5 A")]
Cells = Annotated[int, PlainValidator(_count), WithJsonSchema({"type": ["string", "integer"], "examples": [12]})]
State = Annotated[str, PlainValidator(_state), WithJsonSchema({"enum": list(CELL_STATES)})]
Minutes = Annotated[float, _number("minutes", 0.0, 600.0), _number_like("0.5")]
Weight = Annotated[float, _number("a weight, 1 for the usual", 0.0, 1000.0), _number_like("1", "5")]
Tags = Annotated[
    tuple[Text, ...],
    BeforeValidator(as_list),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]


def _tag(value: str) -> str:
    if re.search(r"\s", value):
        raise ValueError(f"{value!r}: a tag has no spaces")
    return value


Tag = Annotated[Text, AfterValidator(_tag)]
"""An element or a node. Readings between two nodes and pairs of faults are written with spaces, so a tag has none."""


class _Element(Part):
    id: Tag = Field(description="The element, tagged as on the drawing (IEC 81346 letter codes).")
    from_: Tag = Field(alias="from", description="The node at one end.")
    to: Tag = Field(description="The node at the other end.")
    prior: Weight | None = Field(
        None,
        description="How readily this one fails, as a multiple of what is usual for its kind.",
        json_schema_extra=optional,
    )
    where: Text | None = Field(None, description="Where it is found.", json_schema_extra=optional)
    minutes: Minutes | None = Field(
        None,
        description="What it takes to reach both its ends with the probes; else the longer of its points.",
        json_schema_extra=optional,
    )


class Battery(_Element):
    """A lead-acid bank; `from` is its negative pole."""

    kind: Literal["battery"]
    cells: Cells = Field(description="In series; 12 for 24 V.")
    state: State = Field("float", description="On its charger (float, charging), or at rest by charge.")
    volts: Volts | None = Field(None, description="Instead of cells and state.", json_schema_extra=optional)
    resistance: Resistance = Field(Span(0.01, 0.02, 0.04), description="Internal, with its connectors.")
    temperature: Celsius = Field(25.0, description="The bank's; a charger's voltage goes with it.")


class Source(_Element):
    """A source behind a resistance; `from` is its negative pole."""

    kind: Literal["source"]
    volts: Volts = Field(description="Without load.")
    resistance: Resistance = Field(Span(0.01, 0.02, 0.04), description="Internal.")


class Charger(_Element):
    """A charger that is plugged in; `from` is its negative pole. A situation may take it off (`apart`)."""

    kind: Literal["charger"]
    volts: Volts = Field(Span(27.0, 27.3, 27.6), description="Without load.")
    resistance: Resistance = Field(Span(0.05, 0.1, 0.2), description="Internal.")


class _Copper(_Element):
    resistance: Resistance | None = Field(None, description="Instead of length and size.", json_schema_extra=optional)
    length: Length | None = Field(None, description="In m or ft.", json_schema_extra=optional)
    section: SectionField | None = Field(None, description="In mm2 or AWG.", json_schema_extra=optional)
    strand: Literal["2", "5", "5-coated", "solid", "stranded"] | None = Field(
        None,
        description="Class of IEC 60228 for mm2 (5 unless told), solid or stranded for AWG (stranded unless told).",
        json_schema_extra=_strands,
    )
    temperature: Celsius | None = Field(
        None,
        description="Of the copper; 20 °C unless told, and then 5 to 40 °C in the spread.",
        json_schema_extra=optional,
    )


class Conductor(_Copper):
    """A fixed lead, with its clamps."""

    kind: Literal["conductor"]


class Cable(_Copper):
    """A core of the travelling cable: it bends with every run."""

    kind: Literal["cable"]


class Fuse(_Element):
    """A fuse with its holder."""

    kind: Literal["fuse"]
    resistance: Resistance | None = Field(None, description="Cold.", json_schema_extra=optional)
    rating: Rating | None = Field(
        None,
        description=f"Instead of the resistance: {', '.join(f'{each:g}' for each in FUSE_OHMS)} A, 5x20 mm time-lag.",
        json_schema_extra=optional,
    )


class Breaker(_Element):
    """A circuit breaker, closed unless a situation has it apart."""

    kind: Literal["breaker"]
    resistance: Resistance = Field(Span(0.005, 0.02, 0.05), description="Closed.")


class Contact(_Element):
    """A contact worked by hand, by the lift, or by a coil."""

    kind: Literal["contact"]
    normally: Literal["closed", "open"] = Field("closed", description="At rest.")
    resistance: Resistance = Field(Span(0.005, 0.05, 0.1), description="Closed and new.")
    worn: Resistance = Field(Span(1.0, 30.0, 1000.0), description="Closed and worn or dirty.")
    positive: YesNo = Field(False, description="Whether it is opened positively (IEC 60947-5-1, Annex K).")
    coil: Tag | None = Field(None, description="The coil that works it.", json_schema_extra=optional)


class Connector(_Element):
    """One pin of a plug and socket."""

    kind: Literal["connector"]
    resistance: Resistance = Field(Span(0.001, 0.01, 0.03), description="Mated.")


class Resistor(_Element):
    """A resistance of known size."""

    kind: Literal["resistor"]
    resistance: Resistance = Field(description="±5 % unless the tolerance is written.")


class Coil(_Element):
    """A relay's, contactor's, valve's or lock's coil, or the controller's input."""

    kind: Literal["coil"]
    resistance: Resistance = Field(description="±10 % unless the tolerance is written (relay data sheets, 20 °C).")
    rated: Volts = Field(Span(24.0, 24.0, 24.0), description="Rated voltage.")
    operates: Volts | None = Field(
        None, description="Works from here; 80 % of rated unless told.", json_schema_extra=optional
    )
    releases: Volts | None = Field(
        None, description="Lets go below; 15 % of rated unless told.", json_schema_extra=optional
    )


class Lamp(_Element):
    """A lamp; its resistance is that of the hot filament, or of the lamp with its electronics."""

    kind: Literal["lamp"]
    resistance: Resistance = Field(description="±20 % unless the tolerance is written.")


class Motor(_Element):
    """A motor, or another heavy load, while it runs: its resistance is its voltage over its current."""

    kind: Literal["motor"]
    resistance: Resistance = Field(description="±20 % unless the tolerance is written.")


class DiodeElement(_Element):
    """A diode, from anode to cathode."""

    kind: Literal["diode"]
    saturation: Rating = Field(1e-14, description="Saturation current of Shockley's equation.")
    emission: Annotated[float, _number("an emission coefficient", 0.5, 5.0), _number_like("1")] = Field(
        1.0, description="Emission coefficient."
    )


class Jumper(_Element):
    """A bridge: factory-fit, and then part of the circuit, or temporary, and then a place where one may be left in."""

    kind: Literal["jumper"]
    use: Literal["factory", "temporary"] = Field("factory", description="A temporary one is out unless a fault.")
    resistance: Resistance = Field(Span(0.001, 0.01, 0.03), description="Fitted.")


_Supply = Battery | Source | Charger
_Carrier = Conductor | Cable | Fuse | Breaker | Contact | Connector | Jumper
_Load = Resistor | Coil | Lamp | Motor
Element = Annotated[_Supply | _Carrier | _Load | DiodeElement, Field(discriminator="kind")]


class PointFile(Part):
    """What it takes to reach a node with the probe."""

    at: Tag = Field(description="The node.")
    minutes: Minutes | None = Field(None, description="To reach it.", json_schema_extra=optional)
    reach: Text | None = Field(
        None, description="What must be opened, climbed or run for it.", json_schema_extra=optional
    )
    probe: YesNo = Field(True, description="no: it cannot be reached with a probe at all.")


class SituationFile(Part):
    """A state in which the circuit is measured."""

    name: Slug = Field(description="As procedures and commands write it.")
    title: Text | None = Field(None, description="In words.", json_schema_extra=optional)
    operated: Tags = Field((), description="Contacts that are not at rest.")
    apart: Tags = Field((), description="What is taken out, unplugged, switched off or tripped.")
    minutes: Minutes = Field(0.0, description="What it takes to bring the lift into it.")


class Showing(Part):
    """One thing that can be seen of the lift."""

    in_: Slug = Field(alias="in", description="The situation; `rest` where nothing is operated.")
    coil: Tag = Field(description="The coil, motor or lamp.")
    works: YesNo = Field(description="Whether it works there.")


class SymptomFile(Part):
    """What the lift does wrong."""

    name: Slug = Field(description="As commands write it.")
    title: Text | None = Field(None, description="In the user's words.", json_schema_extra=optional)
    shows: tuple[Showing, ...] = Field(min_length=1, description="All of it is seen.")


class CircuitFile(Part):
    """One circuit: what is joined to what, what it takes to reach it, what the lift does with it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    circuit: Slug = Field(description="The circuit's identity.")
    title: Text = Field(description="What it is a circuit of.")
    revision: Text = Field("1", description="Goes up with every change.")
    reference: Tag = Field(description="The node to which voltages are measured: the earth bar, the battery's minus.")
    elements: tuple[Element, ...] = Field(min_length=1, description="In the order of the drawing, supply first.")
    points: tuple[PointFile, ...] = Field((), description="Nodes that take longer, or less, than `minutes`.")
    minutes: Minutes = Field(0.5, description="What it takes to reach a node of which nothing is said.")
    situations: tuple[SituationFile, ...] = Field((), description="Besides `rest`, where nothing is operated.")
    symptoms: tuple[SymptomFile, ...] = Field((), description="What can be seen of the lift when it is faulty.")
    priors: dict[Slug, Weight] = Field(
        {}, description="How readily each kind of element fails, and each kind of fault happens, as a weight."
    )
    cautions: tuple[Text, ...] = Field((), description="Read out and acknowledged before the first reading.")
