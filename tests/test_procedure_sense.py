"""What the shape of a procedure file cannot tell: whether its steps make sense."""

import pytest

from meterlink.procedure.parse import examine
from procedure_samples import unmark, with_steps

A = "- {id: a, kind: reading, point: X1, reference: bar, measure: dc-voltage, limits: 24..29 V}\n"
LOOK = "- {id: a, kind: look, point: Q1, ask: Is it in}\n"


def reading(measure: str, limits: str) -> str:
    return A.replace("dc-voltage", measure).replace("24..29 V", limits)


def agree(with_: str, measure: str = "dc-voltage", within: str = "1 V", reference: str = "bar") -> str:
    words = f"with: {with_}, within: {within}, measure: {measure}, reference: {reference}"
    return f"- {{id: b, kind: agree, point: X2, {words}}}\n"


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (A + LOOK.replace("a,", "¶a,"), "id 'a' is used twice; the first is in line 6"),
        (reading("dc-voltage", "¶<= 2 Ohm"), "limits in Ohm, but dc-voltage is measured in V"),
        (reading("frequency", "¶OL"), "OL: frequency has no OL for open leads; expected resistance, continuity or "
            "diode"),
        (reading("dc-voltage", "¶not OL"), "not OL: dc-voltage has no OL for open leads; expected resistance, "
            "continuity or diode"),
        (reading("¶[frequency, duty]", "1..2 %"), "functions of different units, % and Hz; expected one unit"),
        (reading("resistance", "¶-1..2 Ohm"), "a limit below 0, but resistance is never negative"),
        (reading("resistance", "¶<= -1 Ohm"), "a limit below 0, but resistance is never negative"),
        (reading("ac-voltage", "¶0 V ± 0.5 V"), "a limit below 0, but ac-voltage is never negative"),
        (A + agree("¶b"), "a step cannot agree with itself; expected the id of an earlier step"),
        (A + agree("¶c"), "no step has the id 'c'; this step can never be judged"),
        (agree("¶a") + A, "step 'a' comes later; this step can never be judged, so put it behind 'a'"),
        (LOOK + agree("¶a"), "'a' is a look step and measures nothing; this step can never be judged"),
        (reading("resistance", "OL") + agree("¶a", "resistance", "1 Ohm"), "'a' accepts only OL, which is no value; "
            "this step can never be judged"),
        (A + agree("¶a", "resistance", "1 Ohm"), "'a' is measured in V, this step in Ohm; they can never be compared"),
        (A + agree("a", within="¶1 Ohm"), "a difference in Ohm, but dc-voltage is measured in V"),
    ],
)  # fmt: skip
def test_nonsense_is_an_error_at_its_place(marked: str, message: str) -> None:
    text, line, column = unmark(with_steps(marked))
    examined = examine(text, "p")

    assert examined.procedure is None
    assert (line, column, message, "error") in [
        (each.line, each.column, each.message, each.severity) for each in examined.problems
    ]


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (A + agree("a", reference="¶post"), "measured to 'post', but 'a' to 'bar'; is that meant?"),
        (A + agree("a", measure="¶ac-voltage"), "ac-voltage is compared with dc-voltage of 'a'; is that meant?"),
        (reading("dc-voltage", "¶<= 0.5 V"), "accepts every negative value, so swapped leads pass; write a lower limit "
            "too, such as -0.5..0.5 V"),
    ],
)  # fmt: skip
def test_doubt_is_a_warning_and_the_procedure_loads(marked: str, message: str) -> None:
    text, line, column = unmark(with_steps(marked))
    examined = examine(text, "p")

    assert examined.procedure is not None
    (problem,) = examined.problems
    assert (problem.line, problem.column, problem.message, problem.severity) == (line, column, message, "warning")


@pytest.mark.parametrize(
    "steps",
    [
        A + agree("a"),
        A + agree("a") + agree("b").replace("id: b", "id: c"),
        reading("[resistance, continuity]", "OL"),
        reading("diode", "not OL"),
        reading("temperature", "-10..40 Cel"),
        reading("temperature", "<= 40 Cel"),
        reading("dc-voltage", "-29..-24 V"),
        reading("resistance", "0..2 Ohm"),
        reading("duty", "45..55 %"),
    ],
)
def test_sense_has_no_problems(steps: str) -> None:
    assert examine(with_steps(steps), "p").problems == ()


def test_references_are_used_and_explained_once() -> None:
    text = with_steps(A) + "references:\n" + "".join(
        f"  - {{name: {name}, where: there}}\n" for name in ("bar", "post", "bar")
    )  # fmt: skip

    found = [(each.line, each.column, each.severity, each.message) for each in examine(text, "p").problems]
    assert found == [
        (9, 12, "warning", "no step uses the reference 'post'"),
        (10, 12, "error", "reference 'bar' is explained twice; the first is in line 8"),
    ]
