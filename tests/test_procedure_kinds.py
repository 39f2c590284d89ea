"""Kinds of step, groups, repeats, conditions and jumps: what a file comes to, and every mistake at its place."""

import pytest

from meterlink.procedure.model import DeadStep, OperateStep, Procedure
from meterlink.procedure.parse import examine, parse_procedure
from meterlink.procedure.unfold import MOST_STEPS
from procedure_samples import unmark, with_steps

ASK = '- {id: door, kind: ask, point: B3, ask: "Is there a lower door?"}\n'
LOOK = '- {id: seen, kind: look, point: Q1, ask: "Is it in?"}\n'
WORK = "- {id: edge, kind: operate, point: S1, reference: S2, measure: continuity, closed: <= 2 Ohm}\n"
WATCH = "- {id: hold, kind: watch, point: K1, reference: PE, measure: dc-voltage, limits: 20..29 V, least: 10 s}\n"
TIME = (
    "- {id: lock, kind: interval, point: B2, reference: PE, measure: dc-voltage, from: -1..1 V, to: 20..29 V, "
    "limits: 0.5..5 s}\n"
)
DEAD = (
    "- {id: off, kind: dead, point: X1, reference: PE, measure: dc-voltage, limits: -0.5..0.5 V, "
    "known: {point: G1, limits: 22..29 V}}\n"
)
FIT = "- {id: fit, kind: bridge, jumper: temporary, point: X3, why: Levelling run}\n"
OUT = "- {id: out, kind: bridge, jumper: removed, point: X3}\n"
READ = "- {id: bank, kind: reading, point: G1, reference: PE, measure: dc-voltage, limits: 22..29 V}\n"
CORNERS = """\
- group: Edge, {corner}
  for: {corner: [front, rear], tag: [S11, S12]}
  steps:
    - {id: "edge-{corner}", kind: operate, point: "{tag}:12", reference: "{tag}:11", measure: continuity,
       closed: <= 2 Ohm}
    - {id: "seen-{corner}", kind: look, point: "{tag}", ask: "Is {tag} clean?"}
"""


def group(steps: str, keys: str = "") -> str:
    inner = "".join(f"    {line}\n" for line in steps.splitlines())
    return f"- group: Several\n{keys}  steps:\n{inner}"


def read(steps: str) -> Procedure:
    return parse_procedure(with_steps(steps), "p")


def test_a_repeated_group_comes_to_its_steps_one_after_the_other() -> None:
    procedure = read(CORNERS + LOOK)
    assert [step.id for step in procedure.steps] == ["edge-front", "seen-front", "edge-rear", "seen-rear", "seen"]
    edge = procedure.steps[2]
    assert isinstance(edge, OperateStep)
    assert (edge.point, edge.reference, edge.times, edge.begins) == ("S12:12", "S12:11", 3, "closed")
    assert [(each.title, each.steps) for each in procedure.groups] == [
        ("Edge, front", ("edge-front", "seen-front")),
        ("Edge, rear", ("edge-rear", "seen-rear")),
    ]
    assert procedure.group_of(edge) == procedure.groups[1]
    assert procedure.group_of(procedure.steps[-1]) is None


def test_a_group_inside_a_group_has_the_values_and_conditions_of_both() -> None:
    inner = group(LOOK.replace("seen", '"seen-{landing}-{side}"'), "  for: {side: [left, right]}\n  if: not glazed\n")
    outer = group(inner, "  for: {landing: [lower, upper]}\n  if: door\n")
    procedure = read(ASK + ASK.replace("door", "glazed", 1) + outer)
    assert [step.id for step in procedure.steps[2:]] == [
        "seen-lower-left",
        "seen-lower-right",
        "seen-upper-left",
        "seen-upper-right",
    ]
    assert [str(each) for each in procedure.steps[3].if_] == ["door", "not glazed"]
    assert [len(each.steps) for each in procedure.groups] == [2, 1, 1, 2, 1, 1]


def test_a_step_s_own_condition_comes_behind_its_group_s() -> None:
    step = LOOK.replace("kind", "if: not glazed, kind")
    procedure = read(ASK + ASK.replace("door", "glazed", 1) + group(step, "  if: [door]\n"))
    assert [str(each) for each in procedure.steps[2].if_] == ["door", "not glazed"]


def test_braces_outside_a_repeat_are_plain_text() -> None:
    assert read(LOOK.replace("Is it in?", "Is {it} in?")).steps[0].question == "Is {it} in?"  # type: ignore[union-attr]


def test_a_dead_step_s_known_source_is_read_with_it() -> None:
    (step,) = read(DEAD).steps
    assert isinstance(step, DeadStep)
    assert (step.known.point, step.known.reference, step.known.limits.text) == ("G1", None, "22..29 V")


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        # groups and repeats
        (group(LOOK).replace("group", "¶groop"), "key 'kind' is missing, expected reading, agree, operate"),
        (group(LOOK, "  ¶colour: red\n"), "key 'colour' is not known in a group; known are group, for, if, any_order"),
        (group(LOOK, "  any_order: ¶maybe\n"), "any_order: 'maybe': expected yes or no"),
        (group(LOOK, "  for: ¶[a]\n"), "for: found a list, expected keys with values"),
        (group(LOOK, "  for: {a: ¶b}\n"), "a: found text, expected a list"),
        (group(LOOK, "  for: {a: ¶[]}\n"), "a is an empty list, expected at least one entry"),
        (group(LOOK, "  for: ¶{a: [b, c], d: [e]}\n"), "the lists of the names have different lengths; they go along "
            "together"),
        ("- ¶group: Several\n", "a group needs steps: a list of at least one"),
        ("- group: Several\n  steps: ¶[]\n", "a group needs steps: a list of at least one"),
        (group(LOOK.replace("seen", "¶seen"), "  for: {a: [b, c]}\n"), "id 'seen' is used twice; it is the same in "
            "each round of its group"),
        (group(LOOK.replace("Is it in?", "Is {b} in?").replace('"Is', '¶"Is'), "  for: {a: [b]}\n"), "{b} is not given "
            "by the group's for; known are {a}"),
        (group(LOOK.replace("seen", '¶"{a} x"'), "  for: {a: [b]}\n"), "id 'b x': expected letters, digits"),
        # conditions
        (LOOK.replace("kind", "if: ¶door, kind"), "no step has the id 'door'; this step can never be reached"),
        (READ + LOOK.replace("kind", "if: ¶bank, kind"), "'bank' is a reading step; expected the id of an ask step"),
        (LOOK.replace("kind", "if: ¶door, kind") + ASK, "'door' is asked later; put it before this step"),
        (ASK + LOOK.replace("kind", "if: ¶not  door, kind"), "if: expected the id of an ask step, or not and its id"),
        (ASK + group(LOOK.replace("kind", "if: ¶not door, kind"), "  if: door\n"), "both 'door' and its opposite must "
            "hold; this step can never be reached"),
        (ASK + READ.replace("kind", "if: door, kind") + READ.replace("bank", "b").replace("22..29 V", "¶within 1 V of "
            "bank"), "'bank' may be passed over (if door); give this step the same if"),
        # jumps
        (LOOK.replace("kind", "on_fail: ¶go-to x, kind"), "no step has the id 'x' to go to"),
        (LOOK.replace("kind", "on_fail: ¶go-to seen, kind"), "a step cannot go to itself; the technician "
            "can repeat it"),
        (ASK.replace("kind", "on_fail: ¶go-to seen, kind") + LOOK, "an ask step has no fail to go on from; use if"),
        # operate
        (WORK.replace("continuity", "¶frequency"), "a contact is worked in continuity, resistance or dc-voltage, not "
            "in frequency"),
        (WORK.replace("- {", "- ¶{").replace("continuity", "dc-voltage").replace("<= 2 Ohm", "20..29 V"), "key 'open' "
            "is missing: in volts, what is read while the contact is open"),
        (WORK.replace("closed:", "open: ¶>= 1 Ohm, closed:"), ">= 1 Ohm overlaps <= 2 Ohm: open cannot be told from "
            "closed"),
        (WORK.replace("<= 2 Ohm", "¶<= 2 V"), "limits in V, but continuity is measured in Ohm"),
        (WORK.replace("<= 2 Ohm", "¶within 2 Ohm of x"), "limits of an operate step cannot refer to another reading"),
        (WORK.replace("closed:", "times: ¶0, closed:"), "times: '0': expected a whole number from 1 to 50"),
        (WORK.replace("closed:", "open_at_most: ¶8 V, closed:"), "open_at_most: '8 V': expected a time above 0"),
        # watch and interval
        (WATCH.replace(", least: 10 s", "").replace("{", "¶{"), "key 'least' is missing, a watch step needs it"),
        (WATCH.replace("20..29 V", "¶20..29 Ohm"), "limits in Ohm, but dc-voltage is measured in V"),
        (TIME.replace("20..29 V", "¶0..29 V"), "0..29 V overlaps -1..1 V: the two changes cannot be told apart"),
        (TIME.replace("0.5..5 s", "¶0.5..5 V"), "0.5..5 V: expected a time, such as 0.5..5 s"),
        (TIME.replace("0.5..5 s", "¶<= 0 s"), "<= 0 s: no interval is so short"),
        # dead
        (DEAD.replace("dc-voltage", "¶resistance"), "a point is proved dead in dc-voltage or ac-voltage, not in "
            "resistance"),
        (DEAD.replace("-0.5..0.5 V", "¶1..2 V"), "1..2 V does not accept 0 V, which is dead"),
        (DEAD.replace("22..29 V", "¶0..29 V"), "0..29 V: the known source would read this while dead; it proves "
            "nothing"),
        (DEAD.replace("point: G1", "point: ¶X1"), "the known source is the point itself; it proves nothing"),
        (DEAD.replace("point: G1", "¶pint: G1"), "key 'pint' is not known in a known source; did you mean 'point'?"),
        (DEAD.replace("known: {point: G1, ", "known: ¶{"), "key 'point' is missing, a known source needs it"),
        # bridge
        (OUT.replace("X3", "¶X3"), "no step before fits a temporary jumper at 'X3'"),
        (FIT.replace(", why: Levelling run", "").replace("{", "¶{"), "key 'why' is missing: a temporary jumper is "
            "entered with what it is for"),
        (OUT.replace("removed", "factory").replace("X3", "X3, why: ¶So"), "only a temporary jumper has a why, and this "
            "one is factory"),
        # any order
        (group(READ + LOOK.replace("look", "¶look"), "  any_order: yes\n"), "any order takes reading steps with limits "
            "of their own, and this is a look step"),
        (group(READ + READ.replace("bank", "b").replace("22..29 V", "¶12..22 V"), "  any_order: yes\n"), "12..22 V "
            "overlaps 22..29 V of 'bank': a touch may be either's"),
        (group(READ.replace("22..29 V", "¶-1..29 V"), "  any_order: yes\n"), "-1..29 V accepts what leads in the air "
            "show; no any order here"),
        (group(READ + READ.replace("bank", "b").replace("22..29 V", "1..2 V").replace("dc-v", "¶ac-v"), "  any_order: "
            "yes\n"), "any order takes one measure and reference; 'bank' has others"),
    ],
)  # fmt: skip
def test_each_mistake_is_an_error_at_its_place(marked: str, message: str) -> None:
    text, line, column = unmark(with_steps(marked))
    examined = examine(text, "p")
    assert examined.procedure is None
    at_the_place = [each.message for each in examined.problems if (each.line, each.column) == (line, column)]
    assert any(each.startswith(message) for each in at_the_place), examined.problems


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (FIT.replace("- {", "- ¶{"), "no later step removes the jumper at 'X3'; it will be asked for at the end of the "
            "job"),
        (READ + WORK.replace("kind", "on_fail: ¶go-to bank, kind"), "between 'bank' and this step nothing is done by "
            "hand: going back measures the same again"),
        (LOOK.replace("kind", "on_fail: ¶go-to bank, kind") + ASK + READ.replace("kind", "if: door, kind"), "passes "
            "over door, which later steps depend on: they will not apply"),
    ],
)  # fmt: skip
def test_what_may_be_meant_is_a_warning_at_its_place(marked: str, message: str) -> None:
    text, line, column = unmark(with_steps(marked))
    examined = examine(text, "p")
    assert examined.procedure is not None
    assert (line, column, message) in [(each.line, each.column, each.message) for each in examined.problems]


@pytest.mark.parametrize("steps", [WORK, WATCH, TIME, DEAD, FIT + OUT, ASK, CORNERS, LOOK + READ.replace(
    "kind", "on_fail: go-to seen, kind")])  # fmt: skip
def test_sound_steps_have_no_problems(steps: str) -> None:
    assert examine(with_steps(steps), "p").problems == ()


def test_a_repeat_that_comes_to_too_many_steps_is_refused_and_not_unfolded_to_the_end() -> None:
    numbers = ", ".join(map(str, range(40)))
    inner = group(LOOK.replace("seen", '"a{x}-{y}"'), f"  for: {{y: [{numbers}]}}\n")
    examined = examine(with_steps(group(inner, f"  for: {{x: [{numbers}]}}\n")), "p")
    assert [each.message for each in examined.problems] == [
        f"more than {MOST_STEPS} steps once the groups are unfolded"
    ]
