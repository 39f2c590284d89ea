"""From a description to the plan that runs it, or to everything in it that cannot be. Pure."""

import re
from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial
from typing import TypeVar

from meterlink.described import plan
from meterlink.described.bits import Coding, Place, bits_of, number, parse_pattern, parse_place, parse_values
from meterlink.described.checksum import CHECKSUMS
from meterlink.described.model import Condition, Conditions, Description, Digits, Row
from meterlink.described.plan import Plan, Test, Unpacker
from meterlink.procedure.lint import Finding
from meterlink.procedure.source import Path
from meterlink.reading import FAHRENHEIT, Flag, Function
from meterlink.seven_segment import glyphs as segment_glyphs

PREFIXES = {"p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "none": 0, "k": 3, "M": 6, "G": 9}

_EVERY_BYTE = frozenset(range(256))
_FULL_SCALE = re.compile(r"\d+(?:\.(\d+))?(?: ?([pnuµmkMG]))?", re.ASCII)
_GLYPHS = frozenset("0123456789L- ")
_MOST_FLAGS = 12
_MOST_VALUES = 200_000
"""The most values in all tables together: a file may come from anyone."""
_TIMED = 32
"""The most bits of a number that is multiplied: then the product is exact."""


_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True)
class Use:
    """One part of the description that says what some bits mean."""

    path: Path
    place: Place


@dataclass
class Builder:
    """Works through a description once. `plan` is of use only where nothing was found."""

    description: Description
    found: list[Finding] = field(default_factory=list)
    uses: list[Use] = field(default_factory=list)
    """Every place that is used, in the order of the description's parts."""
    named: set[str] = field(default_factory=set)
    """The names of `fields` that something uses."""
    frame: tuple[frozenset[int], ...] = ()
    """What each byte may be, unscrambled, as `frame` says it."""
    pattern: tuple[frozenset[int], ...] = ()
    """The same, as far as `require` and the digits' glyphs narrow it by single bytes."""
    _places: dict[Place, int] = field(default_factory=dict)
    _values_left: int = _MOST_VALUES

    def build(self) -> Plan | None:
        """Make the plan; None where something cannot be."""
        told = self.description
        self.frame = self.pattern = self._try(("frame",), lambda: parse_pattern(told.frame)) or ()
        if self.found:
            return None
        for name, text in told.fields.items():
            if name[0].isdigit() or name in list(Coding):
                self._find(
                    ("fields", name), f"{name!r} cannot name a field: expected a letter first, and no coding word"
                )
            self._place(("fields", name), text, use=False)
        if self.found:
            return None
        require = self._test(("require",), told.require)
        places = list(self._places)
        for text, (index, wanted) in zip(told.require, require, strict=False):
            self._narrow(("require", text), places[index], wanted)
        glyphs = tuple(self._glyphs(told.digits))
        plan = self._plan(require, glyphs)
        return None if self.found else plan

    def _plan(self, require: Test, glyphs: tuple[Mapping[int, str], ...]) -> Plan:
        told = self.description
        length, key = len(self.pattern), self._key()
        if (told.digits is None) == (told.number is None):
            self._find((), "expected one of the keys 'digits' and 'number', which say where the number stands")
        classes = [_one_of(byte ^ key[index] for byte in allowed) for index, allowed in enumerate(self.pattern)]
        foreign = self._byte("foreign_tail", told.foreign_tail)
        if foreign and foreign & self.pattern[0]:
            self._find(("foreign_tail",), f"{told.foreign_tail!r}: a frame itself can begin with such a byte")
        digits = [] if told.digits is None else [
            self._number(("digits", "at", index), text) for index, text in enumerate(told.digits.at)
        ]  # fmt: skip
        lamps = self._lamps(("lamps",), told.lamps.items())
        dial, rows = self._rows(lamps)
        places = list(self._places)
        return Plan(
            length=length,
            key=int.from_bytes(key),
            whole=re.compile(b"".join(classes)),
            begun=tuple(re.compile(b"".join(classes[:count])) for count in range(length)),
            gap_ns=None if told.gap_ms is None else told.gap_ms * 1_000_000,
            never_after=self._byte("never_after", told.never_after),
            tails=re.compile(b"(?=" + classes[-1] + b"(.))", re.DOTALL) if foreign else None,
            foreign=foreign,
            sums=tuple(self._sums()),
            require=tuple(each for each in require if len(places[each[0]].bytes) > 1),
            refuse=self._tests("refuse", told.refuse),
            overload=self._tests("overload", told.overload),
            blank=self._tests("blank", told.blank),
            minus=None if told.minus is None else self._test(("minus",), told.minus),
            digits=tuple(digits),
            glyphs=glyphs,
            drop_zeros=told.digits is not None and told.digits.zeros == "drop",
            number=self._whole_number(),
            point=self._point(),
            prefix=self._prefix(),
            range=None if told.range is None else self._number(("range",), told.range),
            dial=dial,
            rows=rows,
            flags=self._flags(),
            unpack=Unpacker(length, () if self.found else list(self._places)),
        )

    # For the linter

    def place(self, text: str) -> Place:
        """Look up or read a place of a description that could be built."""
        return self._read(self.description.fields.get(text, text))

    def values(self, texts: Iterable[str], place: Place) -> frozenset[int]:
        """Read values of a description that could be built."""
        return parse_values(texts, place)

    # Parts of the frame

    def _key(self) -> bytes:
        told, length = self.description, len(self.pattern)
        if told.xor is None:
            return bytes(length)
        try:
            key = bytes.fromhex(told.xor)
        except ValueError:
            self._find(("xor",), f"{told.xor!r}: expected hex bytes, such as 41 21 73")
            return bytes(length)
        if len(key) != length:
            self._find(("xor",), f"{len(key)} bytes, but the frame has {length}; expected as many")
            return bytes(length)
        return key

    def _byte(self, key: str, text: str | None) -> frozenset[int]:
        if text is None:
            return frozenset()
        pattern = self._try((key,), lambda: parse_pattern(text)) or ()
        if len(pattern) != 1 or len(pattern[0]) == len(_EVERY_BYTE):
            self._find((key,), f"{text!r}: expected one byte of which something is known, such as F?")
            return frozenset()
        return pattern[0]

    def _narrow(self, path: Path, place: Place, wanted: Container[int]) -> None:
        """Take into the pattern which values a place within one byte may have."""
        if len(place.bytes) > 1:
            return
        (byte,) = place.bytes
        allowed = frozenset(value for value in self.pattern[byte] if bits_of(value, place) in wanted)
        self.pattern = (*self.pattern[:byte], allowed, *self.pattern[byte + 1 :])
        if not allowed:
            self._find(path, f"byte {byte} can have no value: `frame` and this shut each other out")

    def _sums(self) -> Iterator[Callable[[bytes, plan.Values], bool]]:
        told = self.description.checksum
        if told is None:
            return
        width, work_out = CHECKSUMS[told.kind]
        at = self._place(("checksum", "at"), told.at)
        over = self._place(("checksum", "over"), told.over, use=False)
        if at is None or over is None:
            return
        if len(at.bits) != width:
            self._find(("checksum", "at"), f"{told.kind} has {width} bits, not {len(at.bits)}")
        whole = [bit for byte in (bit // 8 for bit in over.bits[::8]) for bit in range(8 * byte, 8 * byte + 8)]
        if whole != list(over.bits):
            self._find(("checksum", "over"), "expected whole bytes")
        if set(at.bits) & set(over.bits):
            self._find(("checksum", "over"), "the checksum would be worked out from itself")
        slot, chosen, mask, add = self._slot(at), [bit // 8 for bit in over.bits[::8]], (1 << width) - 1, told.add
        yield lambda frame, values: (work_out(bytes(frame[each] for each in chosen)) + add) & mask == values[slot]

    # The number

    def _glyphs(self, digits: Digits | None) -> Iterator[Mapping[int, str]]:
        if digits is None:
            return
        for index, text in enumerate(digits.at):
            place = self._place(("digits", "at", index), text, use=False)
            if place is not None:
                table = self._try(("digits", "glyphs"), partial(_glyph_table, digits.glyphs, place)) or {}
                self._narrow(("digits", "glyphs"), place, table)
                yield table

    def _whole_number(self) -> plan.Number | None:
        told = self.description.number
        place = None if told is None else self._place(("number", "at"), told.at)
        if told is None or place is None:
            return None
        width, times = len(place.bits), Decimal(told.times)
        most = {Coding.TEXT: 160, Coding.BCD: 80}.get(place.coding, 64 if times == 1 else _TIMED)
        if width > most:
            self._find(("number", "at"), f"{width} bits; expected at most {most} here")
        if not times:
            self._find(("number", "times"), "0 would make every reading 0")
        if place.coding is Coding.SIGNED and self.description.minus:
            self._find(("minus",), "the number is signed already; expected no `minus`")
        return plan.Number(self._slot(place), place.coding, width, times)

    def _point(self) -> tuple[int, Mapping[int, int]] | None:
        told = self.description.point
        if told is None:
            return None
        if bool(told.lamps) == (told.at is not None) or (told.at is not None) != bool(told.decimals):
            self._find(("point",), "expected either `at` with `decimals`, or `lamps`")
            return None
        if any(row.ranges is not None or row.decimals is not None for row in self.description.functions):
            self._find(("point",), "the rows of `functions` tell the point already; expected one of the two")
        if told.at is not None:
            return self._table(("point",), told.at, "decimals", {key: str(many) for key, many in told.decimals.items()},
                               self._decimals)  # fmt: skip
        return self._one_lamp(("point", "lamps"), told.lamps, self._decimals)

    def _decimals(self, path: Path, text: str) -> int:
        many = self._try(path, lambda: number(text)) or 0
        digits = self.description.digits
        if digits is not None and many > len(digits.at):
            self._find(path, f"{many} digits behind the point, but the number has {len(digits.at)}")
        return many

    # What is measured

    def _prefix(self) -> tuple[int, Mapping[int, int]] | None:
        told = self.description.prefix
        if told is None:
            return None
        if bool(told.lamps) == (told.at is not None) or (told.at is None) != (told.table is None):
            self._find(("prefix",), "expected either `at` with `table`, or `lamps`")
            return None
        if told.at is not None and told.table is not None:
            return self._table(("prefix",), told.at, "table", told.table, self._power)
        return self._one_lamp(("prefix", "lamps"), told.lamps, self._power)

    def _power(self, path: Path, text: str) -> int:
        if text not in PREFIXES:
            self._find(path, f"prefix {text!r} is not known, expected {', '.join(PREFIXES)}")
        return PREFIXES.get(text, 0)

    def _rows(self, lamps: int | None) -> tuple[int | None, Mapping[int, tuple[plan.Row, ...]]]:
        """The place that all rows go by, which is that of the lamps where there are any, and the rows by its value."""
        rows = [self._row(("functions", index), row) for index, row in enumerate(self.description.functions)]
        lits = [self.lit(("functions", index), row) for index, row in enumerate(self.description.functions)]
        found: dict[int, tuple[plan.Row, ...]] = {}
        if lamps is not None:
            for lit, row in zip(lits, rows, strict=True):
                found[lit] = (*found.get(lit, ()), row)
            return lamps, found
        common = set.intersection(*({place for place, _ in row.test} for row in rows))
        if not common:
            return None, {0: tuple(rows)}
        dial = min(common)
        for row in rows:
            rest = replace(row, test=tuple(each for each in row.test if each[0] != dial))
            for value in dict(row.test)[dial]:
                found[value] = (*found.get(value, ()), rest)
        return dial, found

    def lit(self, path: Path, row: Row) -> int:
        """The bits of the lamps that a row wants lit."""
        lamps = list(self.description.lamps)
        if (row.lit is not None) != bool(lamps):
            self._find(path, "`lit` and `lamps` go together: with lamps, each row says which are lit, [] for none")
            return 0
        unknown = [name for name in row.lit or () if name not in lamps]
        if unknown:
            self._find((*path, "lit"), f"lamp {unknown[0]!r} is not known, expected {', '.join(lamps)}")
        return sum(1 << place for place, name in enumerate(reversed(lamps)) if name in (row.lit or ()))

    def _row(self, path: Path, row: Row) -> plan.Row:
        told = self.description
        if row.ranges is not None and (told.range is None or row.decimals is not None or row.prefix != "none"):
            self._find((*path, "ranges"), "expected a `range` place for the whole format, and no other point or prefix")
        if row.ranges is not None and (told.prefix is not None):
            self._find((*path, "ranges"), "the format has a `prefix` place already; expected one of the two")
        if row.prefixes is not None and told.prefix is None:
            self._find((*path, "prefixes"), "the format has no `prefix` place that could show one")
        if told.range is not None and row.ranges is None and told.point is None and row.decimals is None:
            self._find(path, "the row says no `ranges` and no `decimals`; where is its point?")
        scales = None if row.prefixes is None else frozenset(
            self._power((*path, "prefixes", index), each) for index, each in enumerate(row.prefixes)
        )  # fmt: skip
        return plan.Row(
            test=self._test((*path, "when"), row.when),
            function=row.function,
            unit=self._unit(path, row),
            scale=self._power((*path, "prefix"), row.prefix),
            decimals=self._decimals((*path, "decimals"), str(row.decimals or 0)),
            ranges=None if row.ranges is None or told.range is None else self._ranges((*path, "ranges"), row.ranges),
            scales=scales,
        )

    def _unit(self, path: Path, row: Row) -> str:
        fitting = {row.function.unit} | ({FAHRENHEIT} if row.function is Function.TEMPERATURE else set())
        if row.unit is None or not row.function.judged or row.unit in fitting:
            return row.function.unit if row.unit is None else row.unit
        self._find((*path, "unit"), f"{row.function} is measured in {' or '.join(sorted(fitting))}, not in {row.unit}")
        return row.function.unit

    def _ranges(self, path: Path, ranges: Mapping[str, str]) -> Mapping[int, tuple[int, int]]:
        assert self.description.range is not None  # noqa: S101 - asked before
        table: dict[int, tuple[int, int]] = {}
        place = self._place(("range",), self.description.range, use=False)
        for key, text in ranges.items():
            match = _FULL_SCALE.fullmatch(text.strip())
            if match is None:
                self._find(
                    (*path, key), f"{text!r}: expected a full scale as the data sheet prints it, such as 220.00 m"
                )
                continue
            decimals = self._decimals((*path, key), str(len(match[1] or "")))
            self._add(
                (*path, key), table, self._values((*path, key), [key], place), (decimals, PREFIXES[match[2] or "none"])
            )
        return table

    def _flags(self) -> tuple[int, Mapping[int, frozenset[Flag]]] | None:
        lamps = [(flag, text) for flag, texts in self.description.flags.items() for text in texts]
        slot = self._lamps(("flags",), lamps)
        if len(lamps) > _MOST_FLAGS:
            self._find(("flags",), f"{len(lamps)} bits; expected at most {_MOST_FLAGS}")
        if slot is None or len(lamps) > _MOST_FLAGS:
            return None
        return slot, {
            bits: frozenset(flag for place, (flag, _) in enumerate(reversed(lamps)) if bits >> place & 1)
            for bits in range(1 << len(lamps))
        }

    # Tools

    def _find(self, path: Path, message: str) -> None:
        finding = Finding(path, message)
        if finding not in self.found:
            self.found.append(finding)

    def _try(self, path: Path, work: Callable[[], _Result]) -> _Result | None:
        try:
            return work()
        except ValueError as error:
            self._find(path, str(error))
            return None

    def _place(self, path: Path, text: str, *, use: bool = True) -> Place | None:
        """Look up or read a place; None where it is wrong."""
        named = self.description.fields.get(text)
        place = self._try(path, lambda: self._read(text if named is None else named))
        if place is None:
            return None
        if len(self.pattern) <= max(place.bytes):
            self._find(path, f"place {text!r} is behind the frame's end; its bytes are 0 to {len(self.pattern) - 1}")
            return None
        if use:
            self.uses.append(Use(path if named is None else ("fields", text), place))
            if named is not None:
                self.named.add(text)
        return place

    def _read(self, text: str) -> Place:
        if text[:1].isalpha() and " " not in text:
            known = ", ".join(self.description.fields) or "none"
            raise ValueError(f"field {text!r} is not known; known: {known}")
        return parse_place(text)

    def _slot(self, place: Place) -> int:
        return self._places.setdefault(place, len(self._places))

    def _number(self, path: Path, text: str) -> int:
        place = self._place(path, text)
        return 0 if place is None else self._slot(place)

    def _values(self, path: Path, texts: Iterable[str], place: Place | None) -> frozenset[int]:
        if place is None or self._values_left <= 0:
            return frozenset()
        values = self._try(path, lambda: parse_values(texts, place)) or frozenset()
        self._values_left -= len(values)
        if self._values_left <= 0:
            self._find(path, f"more than {_MOST_VALUES} values up to here; expected tables that a person would write")
        return values

    def _test(self, path: Path, condition: Condition) -> Test:
        test = []
        for text, values in condition.items():
            place = self._place((*path, text), text)
            wanted = self._values((*path, text), values, place)
            if place is not None:
                test.append((self._slot(place), wanted))
        return tuple(test)

    def _tests(self, key: str, conditions: Conditions) -> tuple[Test, ...]:
        return tuple(self._test((key, index), condition) for index, condition in enumerate(conditions))

    def _lamps(self, path: Path, lamps: Iterable[tuple[str, str]]) -> int | None:
        """The slot of all the lamps' bits as one place, the first the most significant; None without lamps."""
        bits: list[int] = []
        for name, text in lamps:
            place = self._place((*path, name), text)
            if place is not None and len(place.bits) != 1:
                self._find((*path, name), f"place {text!r} has {len(place.bits)} bits; a lamp is one bit")
            bits += [] if place is None else place.bits
        return self._slot(Place(tuple(bits))) if bits else None

    def _add(self, path: Path, table: dict[int, _Result], values: Iterable[int], meaning: _Result) -> None:
        for value in values:
            if value in table:
                self._find(path, f"value {value} stands in this table twice")
            table[value] = meaning

    def _one_lamp(
        self, path: Path, lamps: Mapping[str, str], meaning: Callable[[Path, str], int]
    ) -> tuple[int, Mapping[int, int]] | None:
        """A table of lamps of which at most one may be lit; none lit means 0."""
        slot = self._lamps(path, lamps.items())
        table = {1 << place: meaning((*path, name), name) for place, name in enumerate(reversed(list(lamps)))}
        return None if slot is None else (slot, {0: 0, **table})

    def _table(
        self, path: Path, at: str, key: str, entries: Mapping[str, str], meaning: Callable[[Path, str], int]
    ) -> tuple[int, Mapping[int, int]] | None:
        place = self._place((*path, "at"), at)
        table: dict[int, int] = {}
        for values, text in entries.items():
            where = (*path, key, values)
            self._add(where, table, self._values(where, [values], place), meaning(where, text))
        return None if place is None else (self._slot(place), table)


def _glyph_table(glyphs: Mapping[str, str] | str, place: Place) -> Mapping[int, str]:
    if isinstance(glyphs, str):
        word, _, order = glyphs.strip().partition(" ")
        if word == "segments" and sorted(order) == list("abcdefg"):
            if len(place.bits) != len(order):
                raise ValueError(f"a digit of seven segments has 7 bits, not {len(place.bits)}")
            return segment_glyphs(order)
        if glyphs.strip() == "ascii":
            glyphs = {"0x30..0x39": "0123456789", "0x20": " ", "0x2D": "-", "0x4C": "L"}
        else:
            raise ValueError(f"{glyphs!r}: expected ascii, 'segments efadcgb' or a table of values and characters")
    table: dict[int, str] = {}
    for span, characters in glyphs.items():
        values = sorted(parse_values([span], place))
        if len(values) != len(characters):
            raise ValueError(f"{span}: {len(values)} values, but {len(characters)} characters {characters!r}")
        if not set(characters) <= _GLYPHS:
            raise ValueError(f"{span}: {characters!r}: expected only digits, L, - and blank")
        table |= zip(values, characters, strict=True)
    return table


def _one_of(values: Iterable[int]) -> bytes:
    """A regular expression for one byte out of these; for a byte that cannot be, one that never matches."""
    listed = b"".join(b"\\x%02x" % value for value in sorted(values))
    return b"[" + listed + b"]" if listed else b"(?!)"
