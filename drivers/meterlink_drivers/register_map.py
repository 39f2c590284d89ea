"""Reads a register map: a YAML file that says what the registers of a Modbus meter hold.

    registers:
      - register: 0             # as on the wire, from 0; documentation that says 40001 or 30001 means 0
        kind: input             # input or holding
        type: float32           # uint16, int16, uint32, int32, float32
        order: CDAB             # of 32 bits; ABCD when left out
        function: dc-voltage
        unit: mV                # the function's own unit when left out
        resolution: 0.01        # integers: what one count is worth, 1 when left out; floats: rounded to it
        no-value: [0x7FFF]      # raw contents that mean "no value"
        overload: [0x8000]      # raw contents that mean "out of range"

An order of the letters is confirmed with a reading that is known. Anything else in the file is an error with its place.
"""

from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from pathlib import Path
from typing import NoReturn, TypeVar

import yaml

from meterlink.errors import FileError
from meterlink.reading import FAHRENHEIT, Function
from meterlink_drivers.formats.modbus_registers import Entry, Type, WordOrder
from meterlink_drivers.formats.unit_words import parse_unit, plain_letters

MAX_BYTES = 65_536
MAX_ENTRIES = 100
_KEYS = ("register", "kind", "type", "order", "function", "unit", "resolution", "no-value", "overload")
_REQUIRED = ("register", "kind", "type", "function")

_Word = TypeVar("_Word", bound=StrEnum)
_Number = TypeVar("_Number", int, Decimal)
_Wanted = TypeVar("_Wanted", bound=yaml.Node)


class _Kind(StrEnum):
    INPUT = "input"
    HOLDING = "holding"


def load_register_map(path: str) -> list[Entry]:
    """Read a register map.

    Raises:
        FileError: it cannot be read, or is wrong; says where, what was found and what was expected.
    """
    try:
        with Path(path).open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise FileError(path, f"cannot be opened ({error.strerror})") from error
    if len(data) > MAX_BYTES:
        raise FileError(path, f"more than {MAX_BYTES} bytes; expected a register map")
    return parse_register_map(data, path)


def parse_register_map(data: bytes, path: str) -> list[Entry]:
    """Read the bytes of a register map; `path` is for errors. Raises `FileError` as `load_register_map` does."""
    try:
        root = yaml.compose(data.decode("utf-8"), Loader=yaml.BaseLoader)
    except UnicodeDecodeError as error:
        raise FileError(path, f"byte {error.start} is not UTF-8 text") from error
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark
        raise FileError(path, f"not valid YAML: {error.problem}", *(_place(mark) if mark else ())) from error
    except (yaml.YAMLError, RecursionError) as error:
        raise FileError(path, "not valid YAML, or nested too deep; expected a register map") from error
    return _Map(path).entries(root)


class _Map:
    """Reads the nodes of one file, each where its kind is expected, so no alias or nesting is ever followed deep."""

    def __init__(self, path: str) -> None:
        self._path = path

    def entries(self, root: yaml.Node | None) -> list[Entry]:
        if root is None:
            raise FileError(self._path, "the file is empty; expected registers:")
        top = self._mapping(root, ("registers",))
        if "registers" not in top:
            self._refuse(root, "registers: is missing")
        nodes = self._sequence(top["registers"])
        if not 1 <= len(nodes) <= MAX_ENTRIES:
            self._refuse(top["registers"], f"{len(nodes)} entries; expected 1 to {MAX_ENTRIES}")
        return [self._entry(node) for node in nodes]

    def _entry(self, node: yaml.Node) -> Entry:
        keys = self._mapping(node, _KEYS)
        for name in _REQUIRED:
            if name not in keys:
                self._refuse(node, f"{name}: is missing")
        type_ = self._word(keys["type"], Type)
        function = self._word(keys["function"], Function)
        if "order" in keys and type_.registers == 1:
            self._refuse(keys["order"], f"{type_} has one register; an order is for two")
        scale, unit = self._unit(keys, function)
        widest = 0xFFFF if type_.registers == 1 else 0xFFFF_FFFF
        return Entry(
            register=self._whole(keys["register"], 0x10000 - type_.registers),
            kind=self._word(keys["kind"], _Kind).value,
            type=type_,
            function=function,
            unit=unit,
            scale=scale,
            order=self._word(keys["order"], WordOrder) if "order" in keys else WordOrder.ABCD,
            resolution=self._resolution(keys["resolution"]) if "resolution" in keys else None,
            no_value=self._codes(keys.get("no-value"), widest),
            overload=self._codes(keys.get("overload"), widest),
        )

    def _mapping(self, node: yaml.Node, known: tuple[str, ...]) -> dict[str, yaml.Node]:
        found: dict[str, yaml.Node] = {}
        for key, value in self._of(node, yaml.MappingNode, "keys and values").value:
            name = self._text(key)
            if name not in known:
                self._refuse(key, f"unknown key {name!r}; expected {', '.join(known)}")
            if name in found:
                self._refuse(key, f"{name}: is given twice")
            found[name] = value
        return found

    def _sequence(self, node: yaml.Node) -> list[yaml.Node]:
        return list(self._of(node, yaml.SequenceNode, "a list").value)

    def _text(self, node: yaml.Node) -> str:
        return str(self._of(node, yaml.ScalarNode, "a word or number").value)

    def _word(self, node: yaml.Node, words: type[_Word]) -> _Word:
        text = self._text(node)
        if text not in {word.value for word in words}:
            self._refuse(node, f"{text!r}: expected one of {', '.join(words)}")
        return words(text)

    def _whole(self, node: yaml.Node, most: int) -> int:
        number = self._convert(node, lambda text: int(text, 0), f"a whole number from 0 to {most}, such as 107 or 0x6B")
        if not 0 <= number <= most:
            self._refuse(node, f"{number}: expected a whole number from 0 to {most}")
        return number

    def _resolution(self, node: yaml.Node) -> Decimal:
        number = self._convert(node, Decimal, "a number such as 0.01")
        if not (number.is_finite() and Decimal("1E-12") <= number <= Decimal("1E6")):
            self._refuse(node, f"{number}: expected a number above 0, such as 0.01")
        return number

    def _unit(self, keys: Mapping[str, yaml.Node], function: Function) -> tuple[int, str]:
        if "unit" not in keys:
            return 0, function.unit
        text = self._text(keys["unit"])
        unit = parse_unit(plain_letters(text))
        if unit is None or (unit[1] != function.unit and (function, unit[1]) != (Function.TEMPERATURE, FAHRENHEIT)):
            expected = f"{function.unit}, with a prefix or without" if function.unit else "none"
            self._refuse(keys["unit"], f"{text!r}: expected the unit of {function}: {expected}")
        return unit

    def _codes(self, node: yaml.Node | None, most: int) -> frozenset[int]:
        return frozenset() if node is None else frozenset(self._whole(code, most) for code in self._sequence(node))

    def _convert(self, node: yaml.Node, convert: Callable[[str], _Number], expected: str) -> _Number:
        text = self._text(node)
        try:
            return convert(text)
        except (ValueError, InvalidOperation):
            self._refuse(node, f"{text!r}: expected {expected}")

    def _of(self, node: yaml.Node, kind: type[_Wanted], expected: str) -> _Wanted:
        if not isinstance(node, kind):
            self._refuse(node, f"expected {expected}")
        return node

    def _refuse(self, node: yaml.Node, message: str) -> NoReturn:
        raise FileError(self._path, message, *_place(node.start_mark))


def _place(mark: yaml.Mark) -> tuple[int, int]:
    return mark.line + 1, mark.column + 1
