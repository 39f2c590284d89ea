"""Plain YAML with places, and hostile YAML that costs nothing."""

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from meterlink.procedure import source
from meterlink.procedure.problem import ProcedureError
from meterlink.procedure.source import MAX_DEPTH, MAX_NODES, read_source
from procedure_samples import TWO_POINTS

LAUGHS = "a: &a [lol, lol]\n" + "".join(
    f"{b}: &{b} [{', '.join([f'*{a}'] * 9)}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)


def test_every_scalar_is_text() -> None:
    text = "a: 12\nb: on\nc: 1.50\nd: null\ne: 2024-01-01\nf:\ng: ~\nh: 0x1F\n"

    assert read_source(text, "p").root == {
        "a": "12", "b": "on", "c": "1.50", "d": "null", "e": "2024-01-01", "f": "", "g": "~", "h": "0x1F",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("limits: >= 1 MOhm\n", ">= 1 MOhm"),
        ("limits: >=1 MOhm # enough\n", ">=1 MOhm"),
        ("{limits: >= 1 MOhm}", ">= 1 MOhm"),
        ("limits: >\n  >= 1\n  MOhm\n", ">= 1 MOhm\n"),
        ("limits: <= 2 Ohm\n", "<= 2 Ohm"),
    ],
)
def test_a_bare_comparison_is_text(text: str, value: str) -> None:
    assert read_source(text, "p").root == {"limits": value}


def test_a_bare_comparison_is_noted_with_its_place_and_a_quoted_one_is_not() -> None:
    assert read_source("a: >= 1 V\nb: '>= 1 V'\nc: [x, >= 2 V]\nd: >\n  >= 3\n", "p").bare_comparisons == [
        (1, 4),
        (3, 8),
    ]


@pytest.mark.parametrize(
    ("text", "line", "column", "said"),
    [
        ("", 1, 1, "the file is empty"),
        ("# nothing\n", 1, 1, "the file is empty"),
        ("a: 1\nb: &x 1\n", 2, 4, "anchor &x"),
        ("a: 1\nb: *x\n", 2, 4, "alias *x"),
        ("a: 1\n<<: *x\n", 2, 5, "alias *x"),
        ("*x : 1\n", 1, 1, "alias *x"),
        ("a: !!python/object/apply:os.system [x]\n", 1, 4, "tags are not allowed"),
        ("a: !!str 1\n", 1, 4, "tags are not allowed"),
        ("a: ! 1\n", 1, 4, "tags are not allowed"),
        ("a:\n  !!map\n  b: c\n", 2, 3, "tags are not allowed"),
        ("a: 1\n---\nb: 1\n", 2, 1, "a second document"),
        ("a: 1\nb: 2\na: 3\n", 3, 1, "key 'a' is given twice; the first is in line 1"),
        ("? [a]\n: 1\n", 1, 3, "stands as a key"),
        ("a: b: c\n", 1, 5, "not valid YAML"),
        ("a: [1\n", 2, 1, "not valid YAML"),
        ("a: \t- b\n", 1, 4, "not valid YAML"),
        ("a:\n  - b\n c: d\n", 3, 2, "not valid YAML"),
        ('a: "\\UFFFFFFFF"\n', 1, 7, "too large"),
        ("%YAML 1." + "9" * 5000 + "\n--- a\n", 1, 9, "too large"),
        ("a: 1\nb: x\x00y\n", 2, 5, "U+0000"),
        ("a: \x1b[2J\n", 1, 4, "U+001B"),
        ("a: x\n\ufeffb: y\n", 2, 1, "U+FEFF"),
        ("a: 5\u202e.0\n", 1, 5, "U+202E"),
        ("a: x\ud800\n", 1, 5, "U+D800"),
        ('a: 1\nb: "x\\0"\n', 2, 4, "U+0000"),
        ('a: "\\ud800"\n', 1, 4, "U+D800"),
        ("a: " + "[" * 100_000, 1, 3 + MAX_DEPTH, "nested deeper than 20 levels"),
        ("- " * 100_000 + "a", 1, 1 + 2 * MAX_DEPTH, "nested deeper than 20 levels"),
        ("{a: " * 100_000, 1, 1 + 4 * MAX_DEPTH, "nested deeper than 20 levels"),
    ],
)  # fmt: skip
def test_refuses_at_the_place(text: str, line: int, column: int, said: str) -> None:
    with pytest.raises(ProcedureError) as caught:
        read_source(text, "sample.yaml")

    (problem,) = caught.value.problems
    assert said in problem.message
    assert (problem.line, problem.column) == (line, column)
    assert str(caught.value) == f"sample.yaml:{line}:{column}: {problem.message}"


@pytest.mark.parametrize(
    ("text", "most_events"),
    [
        (LAUGHS, 5),
        ("[" + "a," * 250_000 + "]", MAX_NODES + 5),
        ("\n---\n".join(["a: 1"] * 50_000), 10),
        ("[" * 500_000, MAX_DEPTH + 5),
        ("\n".join(f"k{number}: v" for number in range(40_000)), MAX_NODES + 5),
    ],
    ids=["billion laughs", "huge flow list", "many documents", "deep nesting", "many keys"],
)
def test_hostile_yaml_is_dropped_after_a_bounded_part_of_it(
    text: str, most_events: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = 0
    take = source._Events.take

    def counting(events: source._Events) -> yaml.Event:
        nonlocal taken
        taken += 1
        return take(events)

    monkeypatch.setattr(source._Events, "take", counting)

    with pytest.raises(ProcedureError):
        read_source(text, "p")
    assert 0 < taken <= most_events


def test_places_are_those_of_keys_and_values() -> None:
    read = read_source("a:\n  - x: 1\n    y: [p, 'q']\n", "p")

    assert read.keys["a",] == (1, 1)
    assert read.values["a", 0] == (2, 5)
    assert read.keys["a", 0, "y"] == (3, 5)
    assert read.values["a", 0, "y", 1] == (3, 12)
    assert read.value_place(("a", 0, "z")) == (2, 5)


def test_columns_count_characters() -> None:
    assert read_source("a: {Türöffner: x, b: y}", "p").keys["a", "b"] == (1, 19)


def test_reads_as_another_reader_of_yaml_does() -> None:
    # PyYAML's BaseLoader keeps every scalar as text too, and shares no composing code with ours.
    assert read_source(TWO_POINTS, "p").root == yaml.load(TWO_POINTS, yaml.BaseLoader)  # noqa: S506 - builds only text


plain_data = st.recursive(
    st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_categories=["Cc"]), max_size=12),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=6), inner, max_size=4)
    ),
    max_leaves=15,
)


@given(data=plain_data, flow=st.booleans())
def test_what_another_writer_of_yaml_writes_comes_back(data: source.Node, flow: bool) -> None:
    text = yaml.safe_dump(data, default_flow_style=flow, allow_unicode=True)

    try:
        assert read_source(text, "p").root == data
    except ProcedureError as error:
        # The writer saves repeated lists as anchor and alias, which are refused on purpose.
        assert "anchor" in str(error)  # noqa: PT017
        assert "&id001" in text


@given(st.text(st.sampled_from("ab:-?[]{}#&*!|>%@`'\"\\ \n\t,=01<.~u"), max_size=40))
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    try:
        read = read_source(text, "p")
    except ProcedureError as error:
        assert 1 <= error.problems[0].line <= text.count("\n") + 1  # noqa: PT017 - both ways are right
    else:
        assert () in read.values
