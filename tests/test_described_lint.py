"""What the linter says of a described format: errors with file, line, column and what was expected; and warnings."""

import json
import random
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from frames import NOW
from meterlink.cli import cli
from meterlink.described.files import shipped_descriptions
from meterlink.described.parse import examine, is_description
from meterlink.procedure.problem import Severity
from meterlink.reading import Flag, Function

GOOD = """\
format: sample
summary: invented
source: this test
frame: AA 0? ?? ?? ?? 55
fields:
  dial: 1.3-0
number: {at: 2-3}
minus: 4.7
overload: 4.6
range: 4.1-0
functions:
  - {when: {dial: 1}, function: dc-voltage, ranges: [400.0 m, 4.000]}
  - {when: {dial: 2}, function: resistance, ranges: [400.0]}
flags: {hold: 4.5}
"""
SHIPPED = {name: path.read_text(encoding="utf-8") for name, path in shipped_descriptions().items()}


def problems(text: str, severity: Severity) -> list[str]:
    return [f"{each.line}:{each.column}: {each.message}" for each in examine(text, "x").problems
            if each.severity is severity]  # fmt: skip


def _any_of(words: Iterable[str]) -> str:
    *most, last = (f"'{word}'" for word in words)
    return f"{', '.join(most)} or {last}"


def test_a_sound_description_has_no_problem() -> None:
    assert examine(GOOD, "x").problems == ()


@pytest.mark.parametrize("name", SHIPPED)
def test_what_is_shipped_has_no_problem(name: str) -> None:
    assert examine(SHIPPED[name], name).problems == ()


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("AA 0?", "AA 0x", "4:8: '0x': expected each byte as two hex digits, ? for any, such as 02 3? ?? 0D"),
        ("frame: AA 0? ?? ?? ?? 55\n", "", "1:1: key 'frame' is missing, a description needs it"),
        ("range:", "rnage:", "10:1: key 'rnage' is not known in a description; did you mean 'range'?"),
        ("ranges: [400.0]", "ragnes: [400.0]",
         "13:45: key 'ragnes' is not known in a row of functions; did you mean 'ranges'?"),
        ("function: resistance", "function: resistence",
         "13:33: function 'resistence' is not known, expected " + _any_of(Function) + "; did you mean 'resistance'?"),
        ("1.3-0", "6.3-0", "6:9: place '6.3-0' is behind the frame's end; its bytes are 0 to 5"),
        ("1.3-0", "1.9", "6:9: place '1.9': expected bytes and bits, such as 3, 4-5, 7.5 or '5.6-0 4'"),
        ("{dial: 1}", "{dail: 1}", "12:19: field 'dail' is not known; known: dial"),
        ("{dial: 1}", "{dial: 16}", "12:19: '16': 4 bits hold at most 15"),
        ("{dial: 1}", "{dial: one}",
         "12:19: 'one': expected a number such as 10 or 0x0A, or a span such as 0x30..0x39"),
        ("400.0 m", "400.0 V", "12:53: '400.0 V': expected a full scale as the data sheet prints it, such as 220.00 m"),
        ("range: 4.1-0\n", "",
         "11:53: expected a `range` place for the whole format, and no other point or prefix"),
        ("number: {at: 2-3}\n", "",
         "1:1: expected one of the keys 'digits' and 'number', which say where the number stands"),
        ("minus: 4.7", "minus: {4.7: 2}", "8:14: '2': 1 bits hold at most 1"),
        ("hold: 4.5", "hold: 4.5-4", "14:15: place '4.5-4' has 2 bits; a lamp is one bit"),
        ("hold: 4.5", "held: 4.5",
         "14:9: flags 'held' is not known, expected " + _any_of(Flag) + "; did you mean 'hold'?"),
        ("minus: 4.7", "minus: 4.7\nxor: AA", "9:6: 1 bytes, but the frame has 6; expected as many"),
        ("minus: 4.7", "minus: 4.7\nchecksum: {kind: sum8, over: 0-3, at: 2}",
         "9:30: the checksum would be worked out from itself"),
        ("minus: 4.7", "minus: 4.7\nchecksum: {kind: crc16-modbus, over: 0-3, at: 4}",
         "9:47: crc16-modbus has 16 bits, not 8"),
        ("minus: 4.7", "minus: 4.7\nchecksum: {kind: crc8, over: 0-3, at: 4}",
         "9:18: kind 'crc8' is not known, expected 'sum8', 'sum16', 'negated-sum8', 'xor8', 'crc16-modbus', "
         "'crc16-xmodem' or 'crc32'; did you mean 'crc32'?"),
        ("function: resistance,", "function: resistance, unit: V,", "13:51: resistance is measured in Ohm, not in V"),
        ("function: resistance,", "function: resistance, lit: [V],",
         "13:5: `lit` and `lamps` go together: with lamps, each row says which are lit, [] for none"),
        ("minus: 4.7", "minus: 4.7\nrequire: {1: 0x20}",
         "9:14: byte 1 can have no value: `frame` and this shut each other out"),
    ],
)  # fmt: skip
def test_an_error_has_its_place_and_says_what_was_expected(old: str, new: str, expected: str) -> None:
    assert old in GOOD
    assert expected in problems(GOOD.replace(old, new), Severity.ERROR)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("dial: 1.3-0", "dial: 1.3-0\n  spare: 4.2", "7:10: nothing uses the field 'spare'"),
        ("minus: 4.7", "minus: 4.7\nrequire: {1: 0..15}",
         "9:14: place '1' can hold nothing else; this refuses no frame"),
        ("minus: 4.7", "minus: 4.7\nrequire: {4.3-2: 0..3}",
         "9:18: place '4.3-2' can hold nothing else; this refuses no frame"),
        ("hold: 4.5", "hold: 4.0", "14:15: bit 4.0 is used for something else too; see line 10"),
        ("hold: 4.5", "hold: 1.5", "14:15: these bits never change: `frame` says what they are"),
        ("hold: 4.5", "hold: 4.5, relative: 4.5", "14:30: bit 4.5 is used for something else too; see line 14"),
        ("number: {at: 2-3}", "number: {at: 2-4}", "7:14: bit 4.7 is used for something else too; see line 8"),
        ("AA 0? ?? ?? ?? 55", "?? ?? ?? ?? ?? ??",
         "4:8: no byte is constant and there is no checksum: a damaged frame cannot be told from a good one"),
        ("{dial: 2}", "{dial: 1}", "13:5: an earlier row takes every frame that this one could; see line 12"),
        ("AA 0?", "AA 00", "12:19: place 'dial' can never hold 1"),
    ],
)  # fmt: skip
def test_a_warning_tells_of_what_is_hardly_meant(old: str, new: str, expected: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new)
    assert expected in problems(text, Severity.WARNING)
    assert problems(text, Severity.ERROR) == []


LIT = """\
format: sample
summary: invented
source: this test
frame: AA 0? ?? ?? ?? 55
number: {at: 2-3}
lamps: {V: 1.0, mV: 1.1, Ohm: 1.2, DC: 1.3}
functions:
  - {lit: [V, DC], function: dc-voltage}
  - {lit: [mV, DC], function: dc-voltage, prefix: m}
  - {lit: [Ohm], function: resistance}
"""


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("[V, DC]", "[Ohm, DC]", "8:11: lamp 'Ohm' is a unit, but dc-voltage is measured in V"),
        ("prefix: m", "prefix: k", "9:11: lamp 'mV' is lit, but the row's prefix is k"),
        ("[Ohm]", "[V, DC]", ""),
    ],
)
def test_units_that_do_not_fit_their_function_are_told(old: str, new: str, expected: str) -> None:
    assert examine(LIT, "x").problems == ()
    told = problems(LIT.replace(old, new), Severity.WARNING)
    if expected:
        assert expected in told
    else:
        assert told == [
            "10:5: an earlier row takes every frame that this one could; see line 8",
            "10:11: lamp 'V' is a unit, but resistance is measured in Ohm",
        ]


def test_a_hostile_description_is_refused_before_it_costs_anything() -> None:
    assert problems("format: &a sample\n", Severity.ERROR) == [
        "1:9: anchor &a: anchors are not allowed; write each value out"
    ]
    assert problems("", Severity.ERROR) == ["1:1: the file is empty; expected a description of a wire format"]
    greedy = GOOD + "refuse:\n" + "".join(f"  - {{2-3: 0..{65_000 + count}}}\n" for count in range(50))
    (problem,) = problems(greedy, Severity.ERROR)
    assert problem.endswith("more than 200000 values up to here; expected tables that a person would write")


@pytest.mark.parametrize("seed", range(4))
def test_whatever_is_written_is_told_and_never_breaks_the_linter_or_the_decoder(seed: int) -> None:
    generator = random.Random(seed)
    words = sorted({word for text in SHIPPED.values() for word in re.findall(r"[\w.?\"'{}\[\]-]+", text)})
    words += [
        "signed",
        "bcd",
        "text",
        "''",
        "-1",
        "0x",
        "99",
        "63.7",
        "0.0-7",
        "63-0",
        "null",
        "0..65536",
        "[]",
        "{}",
        "٣",
    ]
    for _ in range(150):
        text = generator.choice(list(SHIPPED.values()))
        for _ in range(generator.choice((1, 1, 2, 4))):
            found = generator.choice(list(re.finditer(r"[\w.?\"'%-]+|[{}\[\]:,]|\n[^\n]*", text)))
            word = generator.choice(
                ("", generator.choice(words), f"{found[0]} {generator.choice(words)}", found[0] * 2)
            )
            text = text[: found.start()] + word + text[found.end() :]
        examined = examine(text, "x")
        if examined.format is None:
            assert any(each.severity is Severity.ERROR for each in examined.problems)
        else:
            decoder = examined.format.decoder({})
            decoded = sum(len(item.raw) for item in decoder.feed(generator.randbytes(300), NOW))
            assert 0 <= 300 - decoded - decoder.skipped < 64


def test_the_first_key_tells_a_description_from_a_procedure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("format.yaml").write_text("# mine\n" + GOOD.replace("4.5", "4.0"), encoding="utf-8")
    Path("procedure.yaml").write_text("procedure: x\nformat: y\n", encoding="utf-8")
    result = CliRunner().invoke(cli, ["lint", "format.yaml", "procedure.yaml"])
    first, *rest = result.stdout.splitlines()
    assert first == "format.yaml:15:15: warning: bit 4.0 is used for something else too; see line 11"
    assert any(line.startswith("procedure.yaml:2:1: error: key 'format' is not known in a procedure") for line in rest)
    assert is_description("---\n# a\n\n'format': x")
    assert not is_description("formats: x")


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    result = CliRunner().invoke(cli, ["schema", "format"])
    assert result.exit_code == 0
    read: dict[str, Any] = json.loads(result.stdout)
    return read


def test_the_schema_is_one_of_the_2020_12_dialect_and_explains_every_key(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)  # the metaschema, json-schema.org/draft/2020-12
    assert schema["title"] == "Steadypoint wire format"
    parts = [schema, *(part for part in schema["$defs"].values() if "properties" in part)]
    assert len(parts) == 9
    assert [key for part in parts for key, value in part["properties"].items() if "description" not in value] == []


@pytest.mark.parametrize("text", [GOOD, LIT, *SHIPPED.values()], ids=["good", "lit", *SHIPPED])
def test_good_descriptions_are_valid_by_the_schema(schema: dict[str, Any], text: str) -> None:
    # as an editor sees it, with YAML's own guesses; keys of JSON are always text
    seen = json.loads(json.dumps(yaml.safe_load(text)))
    assert [error.message for error in Draft202012Validator(schema).iter_errors(seen)] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("frame: ", "frames: "),
        ("at: 2-3", "on: 2-3"),
        ("function: resistance", "function: guess"),
        ("hold", "held"),
        ("minus: 4.7", "minus: []"),
    ],
)
def test_spoilt_descriptions_are_not(schema: dict[str, Any], old: str, new: str) -> None:
    seen = json.loads(json.dumps(yaml.safe_load(GOOD.replace(old, new))))
    assert not Draft202012Validator(schema).is_valid(seen)
