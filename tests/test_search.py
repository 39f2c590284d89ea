"""The fault search: what is named, on what proof, and what is asked next.

What a search is told comes from two sides. Readings are written as a person would, for circuits small enough to say by
hand what they mean. Or a fault is planted and the product's solver says what the meter shows: that one is held to a
circuit simulator elsewhere, so here only the search is on trial. Voltages and habits beside them are common practice,
no source.
"""

import json
from collections.abc import Callable
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from circuit_samples import SHORT_CHAIN, circuit_text, dictionary_of, searched, shipped_dictionary
from commands import steadypoint_apart
from fault_figures import Reader, exact, place, places, search_for, visible
from meterlink.circuit.dictionary import ACROSS_MINUTES, ISOLATE_MINUTES, Dictionary, Measure, Question
from meterlink.circuit.evidence import Seen
from meterlink.circuit.fault import Fault, Kin, Suspect, parse_faults, single_faults
from meterlink.circuit.page import finding_json, finding_lines
from meterlink.circuit.search import SURE, Finding, Search
from meterlink.circuit.solve import Bench
from meterlink.circuit.symptoms import shows, suspected

VOLTAGE, RESISTANCE = Measure.VOLTAGE, Measure.RESISTANCE


def told(dictionary: Dictionary, *readings: str) -> Finding:
    """What a search comes to that was told these readings."""
    return searched(dictionary, *readings).finding()


def probability(finding: Finding, fault: str) -> float:
    """Of one fault by name; 0 where it is left out."""
    return sum(each.probability for each in finding.faults if each.name == fault)


def found(dictionary: Dictionary, faults: str) -> Finding:
    """What is found where these faults are planted and no touch misses."""
    finding, _, _ = search_for(exact(dictionary, parse_faults(dictionary.circuit, faults)), dictionary)
    return finding


def asked(finding: Finding) -> Question:
    """The next question, which there is."""
    assert finding.next is not None
    return finding.next.question


@pytest.fixture(scope="module")
def short() -> Dictionary:
    return dictionary_of(SHORT_CHAIN)


# The contract's example


def test_live_before_a_contact_and_dead_behind_it_points_at_the_contact(short: Dictionary) -> None:
    search = searched(short, "X1:3=24.1 V", "X1:4=0.02 V")
    finding = search.finding()
    assert finding.faults[0].name == "open:B1"
    assert finding.faults[0].probability == pytest.approx(0.97, abs=0.01)
    assert sum(each.probability for each in finding.faults) == pytest.approx(1, abs=1e-3)
    assert [each.probability for each in finding.faults] == sorted(
        (each.probability for each in finding.faults), reverse=True
    )
    assert (finding.sure, finding.answer, finding.proof) == (False, None, ())
    page: Any = finding_json(search, finding)
    assert page["faults"][0]["fault"] == "open:B1"
    assert page["sure"] is False
    assert page["next"]["point"] == "X1:4"
    assert page["next"]["why"].startswith("Once more: it tells open:B1 from ")


def test_dead_once_more_names_it_with_both_sides_as_proof(short: Dictionary) -> None:
    finding = told(short, "X1:3=24.1 V", "X1:4=0.02 V", "X1:4=0.02 V")
    assert (finding.sure, finding.answer, finding.next) == (True, "open:B1", None)
    assert [(str(seen.question), seen.value) for seen in finding.proof] == [("X1:3", 24.1), ("X1:4", 0.02)]


def test_before_anything_is_touched_everything_is_open(short: Dictionary) -> None:
    finding = told(short)
    assert not finding.sure
    assert {each.name for each in finding.faults} > {
        "open:B1",
        "open:F1",
        "source:G1",
        "high:B1",
        "reference:PE",
        "none",
    }
    assert asked(finding) in short.questions
    assert finding.next is not None
    assert finding.next.why.endswith(".")


# Proof


def test_likely_as_it_may_be_nothing_is_sure_without_a_reading_on_both_sides() -> None:
    """A contact that fails a thousand times as often as others, and is dead behind it again and again."""
    dictionary = dictionary_of(SHORT_CHAIN.replace("id: B1,", "id: B1, prior: 1000,"))
    one_sided = told(dictionary, *["X1:4=0.01 V"] * 4)
    assert probability(one_sided, "open:B1") + probability(one_sided, "high:B1") > 0.998
    assert (one_sided.sure, one_sided.answer, one_sided.proof) == (False, None, ())
    assert asked(one_sided) == Question("X1:3")
    assert one_sided.next is not None
    assert one_sided.next.why == "To prove open:B1: a reading on either side of it, or across it."
    proven = told(dictionary, *["X1:4=0.01 V"] * 4, "X1:3=27.2 V")
    assert proven.answer == "open:B1"
    assert [seen.question.point for seen in proven.proof] == ["X1:3", "X1:4"]


@pytest.mark.parametrize(("across", "volts"), [("X1:3 to X1:4", "27.1"), ("X1:4 to X1:3", "-27.1")])
def test_the_supply_s_voltage_across_a_contact_proves_it_alone(across: str, volts: str, short: Dictionary) -> None:
    finding = told(short, f"{across}={volts} V")
    assert (finding.sure, finding.answer) == (True, "open:B1")
    assert [str(seen.question) for seen in finding.proof] == [across]


def test_next_to_nothing_across_a_contact_proves_nothing(short: Dictionary) -> None:
    finding = told(short, *["X1:3 to X1:4=0.01 V"] * 3)
    assert not finding.sure
    assert probability(finding, "open:B1") < 0.01


LIVE, DEAD, SAGGED = "27.2 V", "0.01 V", "22.6 V"


@pytest.mark.parametrize(
    ("place", "readings", "proven"),
    [
        ("B1", [], False),
        ("B1", [f"X1:4={DEAD}"], False),
        ("B1", [f"X1:3={LIVE}"], False),
        ("B1", [f"X1:3={LIVE}", f"X1:4={DEAD}"], True),
        ("B1", [f"X1:3={LIVE}", f"X1:4={SAGGED}"], True),
        ("B1", [f"X1:3={SAGGED}", f"X1:4={SAGGED}"], False),  # nothing is lost over the contact
        ("B1", [f"X1:3={LIVE}", f"X1:4={LIVE}"], False),
        ("B1", [f"X1:3 to X1:4={DEAD}"], False),
        ("B1", [f"X1:3 to X1:4={LIVE}"], True),
        ("B1", ["X1:3 to X1:4=0.2 Ohm"], False),
        ("B1", ["X1:3 to X1:4=OL"], False),  # so it is where a tip misses
        ("B1", ["X1:3 to X1:4=OL", "X1:3 to X1:4=OL"], True),
        ("K1", [f"X1:4={LIVE}"], False),
        ("K1", ["X1:4 to PE=OL", "X1:4 to PE=OL"], True),
        ("G1", [f"G1:+={DEAD}"], False),  # once may be the tip
        ("G1", [f"G1:+={DEAD}", f"G1:+={DEAD}"], True),
        ("G1", [f"F1:2={DEAD}", f"F1:2={DEAD}"], False),
        ("G1", [f"G1:+ to PE={DEAD}", f"G1:+ to PE={DEAD}"], True),
        ("X1:4", [f"X1:4={DEAD}"], False),  # so it is where the black lead hangs in the air
        ("X1:4", [f"X1:4={DEAD}", "F1:2=26.4 V"], True),
        ("X1:4", ["F1:2=26.4 V"], False),
        ("PE", [f"G1:+={DEAD}", f"F1:2={DEAD}"], False),
        ("PE", [f"G1:+ to PE={LIVE}"], False),
        ("PE", [f"G1:+ to PE={LIVE}", f"G1:+={DEAD}"], True),
    ],
)
def test_what_proves_a_fault_even_where_nothing_else_can_be_wrong(
    place: str, readings: list[str], proven: bool, short: Dictionary
) -> None:
    """Every fault but those of one place is ruled out beforehand, and no reading contradicts: the proof decides."""
    only = [float({fault.at for fault in each.faults} == {place}) for each in short.suspects]
    search = Search(short, only)
    for seen in searched(short, *readings).touches:
        search.take(seen)
    finding = search.finding()
    assert (finding.sure, bool(finding.proof)) == (proven, proven)
    assert finding.doubtful == ()


def test_that_nothing_is_wrong_is_never_sure(short: Dictionary) -> None:
    """No reading proves it, so it is not named even where every fault is ruled out beforehand."""
    search = Search(short, [float(not each.faults) for each in short.suspects])
    for seen in searched(short, *(f"{point}={LIVE}" for point in ("G1:+", "F1:2", "X1:3", "X1:4"))).touches:
        search.take(seen)
    finding = search.finding()
    assert [each.name for each in finding.faults] == ["none"]
    assert (finding.sure, finding.answer, finding.next) == (False, None, None)


TOUCHES = st.lists(
    st.tuples(
        st.sampled_from(["G1:+", "F1:2", "X1:3", "X1:4", "X1:3 to X1:4", "G1:+ to F1:2", "G1:+ to PE"]),
        st.sampled_from(["0.01 V", "27.2 V", "22.6 V", "1.4 V", "-13.0 V", "0.4 Ohm", "480.2 Ohm", "OL"]),
    ),
    max_size=7,
)


@settings(max_examples=150)
@given(TOUCHES)
def test_whatever_was_read_what_is_sure_is_proven_and_what_is_not_is_not_named(
    touches: list[tuple[str, str]],
) -> None:
    short = dictionary_of(SHORT_CHAIN)
    search = searched(short, *(f"{where}={shown}" for where, shown in touches))
    finding = search.finding()
    assert (finding.answer is None) is (not finding.sure)
    assert bool(finding.proof) is finding.sure
    if finding.sure and finding.answer is not None:
        assert finding.next is None
        assert finding.doubtful == ()
        assert set(finding.proof) <= set(search.touches)
        named = places(finding.answer)
        assert sum(each.probability for each in finding.faults if named <= places(each.name)) >= 0.989
    else:
        assert finding.next is None or finding.next.question in {
            *short.questions,
            *(s.question for s in search.touches),
        }


# Touches that miss


def with_misses(read: Reader, *missed: int) -> Reader:
    """Let touches by their number read what leads in the air do."""
    count = iter(range(1000))

    def one(question: Question) -> Seen:
        if next(count) in missed:
            return Seen(question, 0.01 if question.measure is VOLTAGE else None)
        return read(question)

    return one


@pytest.mark.parametrize("missed", range(6))
@pytest.mark.parametrize(
    "fault",
    [
        "none",
        "open:F1",
        "open:W1.3",
        "open:B1",
        "open:K1",
        "high:F1@20 Ohm",
        "high:B1",
        "bridged:B1",
        "source:G1",
        "earth:F1:2",
        "earth:X1:4",
    ],
)
def test_no_single_touch_that_misses_names_a_wrong_part(fault: str, missed: int, short: Dictionary) -> None:
    read = exact(short, parse_faults(short.circuit, fault))
    finding, search, _ = search_for(with_misses(read, missed), short)
    assert finding.answer is None or place(finding.answer) == fault.partition("@")[0].partition(":")[2]
    assert len(search.touches) < 20
    if fault.startswith(("open", "source")):
        assert finding.answer is not None


def test_a_dead_reading_is_touched_again_before_a_part_is_named_for_it(short: Dictionary) -> None:
    """Live at the fuse, dead at the end of the wire: the wire, or the probe beside the screw."""
    readings = ["G1:+=27.2 V", "F1:2=27.2 V", "X1:3=0.01 V"]
    once = told(short, *readings)
    assert once.faults[0].name == "open:W1.3"
    assert not once.sure
    assert asked(once) == Question("X1:3")
    twice = told(short, *readings, "X1:3=0.01 V")
    assert twice.faults[0].name == "open:W1.3"
    assert probability(twice, "open:W1.3") > probability(once, "open:W1.3")
    live = told(short, *readings, "X1:3=27.2 V")
    assert probability(live, "open:W1.3") < 1e-3
    assert live.faults[0].name == "open:B1"


def test_what_is_live_at_last_was_never_dead(short: Dictionary) -> None:
    """However often the probe slipped before."""
    finding = told(short, "X1:3=27.2 V", "X1:4=0.01 V", "X1:4=0.02 V", "X1:4=27.2 V")
    assert not finding.sure
    assert probability(finding, "open:B1") < 0.02
    assert finding.doubtful == ()


# Readings that contradict each other


@pytest.mark.parametrize(
    ("readings", "doubtful"),
    [
        (["F1:2=0.01 V", "X1:3=27.0 V", "X1:4=0.01 V", "X1:4=0.01 V"], "F1:2"),
        (["X1:3=0.01 V", "X1:3 to X1:4=27.1 V"], "X1:3"),
        (["G1:+=0.01 V", "X1:3 to X1:4=27.1 V", "X1:4=0.01 V"], "G1:+"),
    ],
)
def test_a_reading_that_does_not_fit_is_touched_again_before_anything_is_named(
    readings: list[str], doubtful: str, short: Dictionary
) -> None:
    """Dead in front of what is live (common practice: a contradiction is a probe first of all, no source)."""
    search = searched(short, *readings)
    finding = search.finding()
    assert not finding.sure
    assert [str(seen.question) for seen in finding.doubtful] == [doubtful]
    assert asked(finding) == Question(doubtful)
    assert finding.next is not None
    assert finding.next.why == f"What {doubtful} read does not fit the rest: touch it again before anything is named."
    assert f"  0.01 V at {doubtful} does not fit the likeliest fault." in finding_lines(search, finding)
    settled = told(short, *readings, f"{doubtful}=27.1 V")
    assert (settled.answer, settled.doubtful) == ("open:B1", ())


def test_with_nothing_dead_but_one_touch_nothing_is_named(short: Dictionary) -> None:
    finding = told(short, "X1:3=0.01 V", "X1:4=27.0 V")
    assert not finding.sure
    assert [str(seen.question) for seen in finding.doubtful] == ["X1:3"]


# No source, or no reference


def test_a_dead_supply_is_told_from_a_lost_reference_by_moving_the_black_lead(short: Dictionary) -> None:
    """To the source's own negative pole: what is live there is not dead, wherever else the black lead has been."""
    dead = ["G1:+=0.01 V", "G1:+=0.02 V", "F1:2=0.01 V"]
    before = told(short, *dead)
    assert not before.sure
    assert {each.name for each in before.faults[:2]} == {"source:G1", "reference:PE"}
    assert asked(before) == Question("G1:+", "PE")
    no_source = told(short, *dead, "G1:+ to PE=0.01 V", "G1:+ to PE=0.01 V")
    assert no_source.answer == "source:G1"
    assert [str(seen.question) for seen in no_source.proof] == ["G1:+ to PE"]
    live = [*dead, "G1:+ to PE=27.2 V"]
    assert probability(told(short, *live), "source:G1") < 1 - SURE
    assert asked(told(short, *live)) == Question("G1:+")
    search = searched(short, *live)
    read = exact(short, parse_faults(short.circuit, "reference:PE"))
    while (following := search.finding().next) is not None and len(search.touches) < 20:
        search.take(read(following.question))
    no_reference = search.finding()
    assert no_reference.answer == "reference:PE"
    assert [(str(seen.question), seen.value) for seen in no_reference.proof] == [("G1:+ to PE", 27.3), ("G1:+", 0.0)]


@pytest.mark.parametrize("name", ["branched-chain", "start-up"])
@pytest.mark.parametrize("fault", ["source:G1", "reference:PE"])
def test_so_it_is_in_the_shipped_circuits(name: str, fault: str) -> None:
    situation = "charger-off" if name == "start-up" else "rest"
    assert found(shipped_dictionary(name, situation), fault).answer == fault


# What misleads


def test_a_blown_fuse_that_its_lamp_feeds_is_not_cleared_by_a_good_reading_behind_it() -> None:
    """10 kOhm of lamp before 10 MOhm of meter take a thousandth off while the chain behind the fuse is open."""
    dictionary = shipped_dictionary("branched-chain", "stop-pressed")
    fuse = parse_faults(dictionary.circuit, "open:F1")
    assert exact(dictionary, fuse)(Question("F1:2")).value == pytest.approx(26.37, abs=0.01)
    before = probability(told(dictionary), "open:F1")
    finding = told(dictionary, "Q1:2=26.40 V", "F1:2=26.37 V")
    assert not finding.sure
    assert probability(finding, "open:F1") > before / 2
    assert found(dictionary, "open:F1").answer == "open:F1"


def test_across_it_a_blown_fuse_shows_though_its_lamp_feeds_what_is_behind() -> None:
    dictionary = shipped_dictionary("branched-chain")
    finding = found(dictionary, "open:F1")
    assert finding.answer == "open:F1"
    assert [str(seen.question) for seen in finding.proof] == ["Q1:2 to F1:2"]
    assert finding.proof[0].value is not None
    assert finding.proof[0].value > 20


def test_a_blown_fuse_that_the_charger_feeds_is_found() -> None:
    """Both its ends are live, and near each other."""
    dictionary = shipped_dictionary("two-stop-lift", "call-up")
    read = exact(dictionary, parse_faults(dictionary.circuit, "open:F1"))
    ends = [read(Question(node)).value for node in ("G1:+", "X1:1")]
    assert all(volts is not None and volts > 22 for volts in ends)
    assert found(dictionary, "open:F1").answer == "open:F1"


def test_a_dead_bank_that_the_charger_hides_is_found_with_the_charger_off() -> None:
    hidden, shown = (shipped_dictionary("start-up", situation) for situation in ("rest", "charger-off"))
    read = exact(hidden, parse_faults(hidden.circuit, "source:G1"))
    volts = [read(Question(node)).value or 0.0 for node in hidden.circuit.nodes[1:]]
    assert min(volts) > 27 - 0.1
    assert found(shown, "source:G1").answer == "source:G1"


@pytest.mark.parametrize("size", ["20", "30", "100", "2000"])
@pytest.mark.parametrize("part", ["F1", "W1.3", "B1"])
def test_a_high_resistance_before_a_load_is_found(part: str, size: str, short: Dictionary) -> None:
    """From 20 Ohm on, which take 1.1 V from 480 Ohm of load: that much lies beyond tolerances and the meter."""
    finding = found(short, f"high:{part}@{size} Ohm")
    assert finding.answer == f"high:{part}"


def test_before_a_search_gives_up_on_a_part_it_reads_across_it(short: Dictionary) -> None:
    """1.1 V less behind the contact may be tolerances; across it they are the contact's own."""
    readings = ["X1:3=27.26 V", "X1:4=26.17 V", "X1:3=27.26 V"]
    search = Search(short)
    for seen in searched(short, *readings).touches:
        search.take(Seen(seen.question, seen.value))
    finding = search.finding()
    assert finding.faults[0].name == "high:B1"
    assert not finding.sure
    assert asked(finding) == Question("X1:3", "X1:4")
    search.take(Seen(Question("X1:3", "X1:4"), 1.09))
    assert search.finding().answer == "high:B1"


def test_a_few_ohms_show_only_while_the_motor_runs() -> None:
    """1 Ohm takes 6 V at 6 A, and next to nothing at rest."""
    rest, running = (shipped_dictionary("two-stop-lift", situation) for situation in ("rest", "call-up"))
    pole = parse_faults(rest.circuit, "high:K2.2@1 Ohm")
    assert not visible(rest, pole)
    assert visible(running, pole)
    finding = found(running, "high:K2.2@1 Ohm")
    assert finding.answer == "high:K2.2"


@pytest.mark.parametrize("point", ["F1:2", "X1:3", "X1:4"])
def test_a_short_to_earth_is_found(point: str, short: Dictionary) -> None:
    finding = found(short, f"earth:{point}")
    assert finding.answer == f"earth:{point}"
    assert finding.proof[0].question == Question(point)


def test_a_short_to_earth_on_one_of_two_chains_is_found() -> None:
    assert found(shipped_dictionary("branched-chain"), "earth:B3:13").answer == "earth:B3:13"


# Two opens: one after the other


@pytest.mark.parametrize(
    ("name", "situation", "pair"),
    [
        ("short", "rest", "open:F1 + open:B1"),
        ("short", "rest", "open:W1.3 + open:B1"),
        ("branched-chain", "rest", "open:F1 + open:S1"),
        ("branched-chain", "rest", "open:B3 + open:B4"),
        ("branched-chain", "rest", "open:B1 + open:F2"),
        ("start-up", "rest", "open:B2 + open:S1"),
    ],
)
def test_two_opens_are_found_one_after_the_other(name: str, situation: str, pair: str) -> None:
    dictionary = dictionary_of(SHORT_CHAIN) if name == "short" else shipped_dictionary(name, situation)
    left = set(parse_faults(dictionary.circuit, pair))
    for _ in range(2):
        finding = found(dictionary, " + ".join(fault.name for fault in sorted(left)))
        assert finding.answer is not None
        mended = {fault for fault in left if fault.at in places(finding.answer)}
        assert len(mended) == len(finding.answer.split(" + "))
        left -= mended
        if not left:
            break
    assert not left


# Ohms


def test_ol_across_a_coil_that_has_its_voltage_names_the_coil(short: Dictionary) -> None:
    readings = ["X1:4=27.2 V", "X1:4 to PE=OL"]
    once = told(short, *readings)
    assert once.faults[0].name == "open:K1"
    assert asked(once) == Question("X1:4", "PE", RESISTANCE)
    finding = told(short, *readings, "X1:4 to PE=OL", "X1:4 to PE=OL")
    assert finding.answer == "open:K1"
    assert finding.proof[0].question == Question("X1:4", "PE", RESISTANCE)
    assert finding.proof[0].value is None


def test_its_resistance_clears_a_coil(short: Dictionary) -> None:
    finding = told(short, "X1:4=27.2 V", "X1:4 to PE=OL", "X1:4 to PE=480.5 Ohm")
    assert probability(finding, "open:K1") < 0.01
    assert finding.answer is None


@pytest.mark.parametrize(("ohms", "answer"), [("47.2 Ohm", "high:B1"), ("0.2 Ohm", None)])
def test_a_contact_s_resistance_says_whether_it_is_the_contact(
    ohms: str, answer: str | None, short: Dictionary
) -> None:
    finding = told(short, f"X1:3 to X1:4={ohms}")
    assert finding.answer == answer
    assert (probability(finding, "open:B1") + probability(finding, "high:B1") > 0.99) is (answer is not None)


def test_an_open_coil_is_found(short: Dictionary) -> None:
    assert found(short, "open:K1").answer == "open:K1"
    assert found(shipped_dictionary("branched-chain"), "open:K1").answer == "open:K1"


# Priors and minutes are the circuit file's


def ranked(more: str = "", element: tuple[str, str] = ("", "")) -> list[str]:
    """The faults of the short chain before anything is touched, the likeliest first."""
    finding = told(dictionary_of(SHORT_CHAIN.replace(*element) + more))
    return [each.name for each in finding.faults]


def test_priors_in_the_file_say_what_is_suspected_first() -> None:
    assert ranked()[0] == "open:B1"
    assert ranked("priors: {contact: 0.1}\n")[0] == "open:F1"
    assert ranked("priors: {high: 20}\n")[0] == "high:B1"
    assert ranked("priors: {none: 40}\n")[0] == "none"
    assert ranked(element=("id: W1.3,", "id: W1.3, prior: 50,"))[0] == "open:W1.3"
    assert not [each for each in ranked(element=("id: B1,", "id: B1, prior: 0,")) if each.endswith(":B1")]


def test_a_prior_weighs_in_as_a_multiple() -> None:
    usual, tenfold = (
        told(dictionary_of(text)) for text in (SHORT_CHAIN, SHORT_CHAIN.replace("id: B1,", "id: B1, prior: 10,"))
    )
    ratios = [probability(each, "open:B1") / probability(each, "open:F1") for each in (usual, tenfold)]
    assert ratios[1] == pytest.approx(10 * ratios[0], rel=1e-3)


def test_priors_bow_to_readings() -> None:
    dictionary = dictionary_of(SHORT_CHAIN + "priors: {contact: 0.001}\n")
    assert told(dictionary, "X1:3=27.2 V", "X1:3 to X1:4=27.1 V", "X1:4=0.02 V").answer == "open:B1"


def test_what_takes_long_to_reach_is_asked_later() -> None:
    first = asked(told(dictionary_of(SHORT_CHAIN))).point
    alike = SHORT_CHAIN.partition("points:")[0]
    far = dictionary_of(f'{alike}points: [{{at: "{first}", minutes: 30}}]\n')
    assert first not in (asked(told(far)).point, asked(told(far)).reference)
    unreachable = dictionary_of(f'{alike}points: [{{at: "{first}", probe: no}}]\n')
    assert first not in {node for each in unreachable.questions for node in (each.point, each.reference)}
    assert asked(told(unreachable)) in unreachable.questions


LADDER = circuit_text(
    'id: G1, kind: battery, from: PE, to: "G1:+", cells: 12',
    *(
        f'id: B{number}, kind: contact, from: "{one}", to: "{other}"'
        for number, (one, other) in enumerate(pairwise(["G1:+", "A", "B", "C", "D", "E", "F", "K1:A1"]), 1)
    ),
    'id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm',
    more="""
    points:
      - {at: A, minutes: 5, reach: climb to the cab}
      - {at: B, minutes: 5, reach: go down to the pit}
      - {at: C, minutes: 5, reach: climb to the cab}
      - {at: D, minutes: 5, reach: go down to the pit}
      - {at: E, minutes: 5, reach: climb to the cab}
      - {at: F, minutes: 5, reach: go down to the pit}
    """,
)
"""Seven like contacts whose joints lie in the cab and in the pit by turns."""


def test_who_is_there_already_pays_nothing_for_the_next_point_there() -> None:
    search = searched(dictionary_of(LADDER))
    assert [search.minutes(Question(point)) for point in "AB"] == [5, 5]
    search = searched(dictionary_of(LADDER), "A=26.4 V")
    assert [search.minutes(Question(point)) for point in "ACEBDF"] == [0, 0, 0, 5, 5, 5]
    assert search.minutes(Question("K1:A1")) == 0.5
    search = searched(dictionary_of(LADDER), "A=26.4 V", "B=26.4 V")
    assert [search.minutes(Question(point)) for point in "ACEBDF"] == [5, 5, 5, 0, 0, 0]


@pytest.mark.parametrize(("last", "there"), [("A", {"C", "E"}), ("D", {"F"})])
def test_and_so_asks_there_first(last: str, there: set[str]) -> None:
    """Behind A, D would halve what is left, but lies in the pit; behind D, E and F halve it alike."""
    finding = told(dictionary_of(LADDER), "K1:A1=0.01 V", "K1:A1=0.01 V", f"{last}=26.4 V")
    assert asked(finding).point in there


def test_across_a_part_takes_what_its_farther_end_takes_and_moving_the_black_lead() -> None:
    dictionary = dictionary_of(LADDER)
    near_and_far = [Question("G1:+", "A"), Question("F", "K1:A1"), Question("G1:+", "PE")]
    assert [dictionary.minutes(each) for each in near_and_far] == [
        5 + ACROSS_MINUTES,
        5 + ACROSS_MINUTES,
        0.5 + ACROSS_MINUTES,
    ]


def test_the_supply_is_isolated_once_for_all_that_is_measured_in_ohms(short: Dictionary) -> None:
    coil, contact = Question("X1:4", "PE", RESISTANCE), Question("X1:3", "X1:4", RESISTANCE)
    search = searched(short, "X1:4=27.2 V")
    own = [short.minutes(each) for each in (coil, contact)]
    assert [search.minutes(each) for each in (coil, contact)] == [each + ISOLATE_MINUTES for each in own]
    search = searched(short, "X1:4=27.2 V", "X1:4 to PE=480 Ohm")
    assert [search.minutes(each) for each in (coil, contact)] == own
    assert search.minutes(Question("X1:3")) == short.minutes(Question("X1:3")) + ISOLATE_MINUTES


def test_volts_are_asked_before_ohms(short: Dictionary) -> None:
    """Isolating takes minutes, and one hand stays free with the black lead clipped (common practice, no source)."""
    for fault in ("open:F1", "open:B1", "source:G1", "earth:X1:4"):
        _, search, _ = search_for(exact(short, parse_faults(short.circuit, fault)), short)
        assert {seen.question.measure for seen in search.touches} == {VOLTAGE}


# The end


def test_where_no_reading_tells_more_apart_nothing_is_asked(short: Dictionary) -> None:
    """In a sound chain: a bridge across a closed contact reads as none."""
    finding, search, _ = search_for(exact(short, ()), short)
    assert (finding.sure, finding.answer, finding.next) == (False, None, None)
    assert {each.name for each in finding.faults} >= {"bridged:B1", "none"}
    assert finding_lines(search, finding)[-2:] == [
        "These readings tell no more apart.",
        "Read under load, or work the contacts by hand.",
    ]
    assert finding_json(search, finding)["next"] is None
    assert finding_json(search, finding)["elsewhere"] is None


def test_where_another_situation_tells_more_it_is_named() -> None:
    """The battery is gone and the charger feeds the lift: with the charger unplugged it shows (Kirchhoff)."""
    dictionary = shipped_dictionary("start-up")
    finding, search, _ = search_for(exact(dictionary, parse_faults(dictionary.circuit, "source:G1")), dictionary)
    assert (finding.answer, finding.next) == (None, None)
    told = {each.name for each in finding.faults}
    assert {"source:G1", "none"} <= told
    page: Any = finding_json(search, finding)
    assert page["elsewhere"]["situation"] == "charger-off"
    assert "source:G1" in page["elsewhere"]["tells"]
    assert "when the charger is unplugged (situation charger-off)" in finding_lines(search, finding)[-1]


def test_where_nothing_can_be_probed_nothing_is_asked() -> None:
    hidden = "\n".join(f'  - {{at: "{node}", probe: no}}' for node in ("G1:+", "F1:2", "X1:3"))
    text = SHORT_CHAIN.replace("minutes: 0.5", "probe: no") + hidden + "\n"
    finding = told(dictionary_of(text))
    assert finding.next is None
    assert not finding.sure


# The same touches, the same finding


TOLD = ("K1:A1=3.04 V", "F1:2=3.02 V", "Q1:2=26.41 V")


def test_the_same_touches_give_the_same_finding_in_any_process(tmp_path: Path) -> None:
    """Whatever seed the process has its hashes from: no order may come from a set."""
    seen = [word for reading in TOLD for word in ("--seen", reading)]
    pages = []
    for seed in ("0", "4242"):
        done = steadypoint_apart(
            tmp_path, "find", "branched-chain", *seen, "--json", more={"PYTHONHASHSEED": seed, "COLUMNS": "120"}
        )
        assert done.returncode == 0, done.stderr
        pages.append(done.stdout)
    assert pages[0] == pages[1]
    search = searched(shipped_dictionary("branched-chain"), *TOLD)
    assert json.loads(pages[0]) == json.loads(json.dumps(finding_json(search, search.finding())))


def test_a_search_that_was_asked_in_between_finds_what_one_finds_that_was_not(short: Dictionary) -> None:
    readings = ["F1:2=0.01 V", "X1:3=27.0 V", "X1:4=0.01 V", "X1:4=0.01 V", "F1:2=27.0 V"]
    asked_between = Search(short)
    for seen in searched(short, *readings).touches:
        asked_between.take(seen)
        asked_between.finding()
    assert asked_between.finding().answer == told(short, *readings).answer == "open:B1"
    assert asked_between.touches == searched(short, *readings).touches


# Symptoms


def parsed(file: dict[str, Any]) -> Bench:
    """The circuit of a file that was altered."""
    return dictionary_of(yaml.safe_dump(file, sort_keys=False)).bench


def shunted(file: dict[str, Any], part: str) -> None:
    """A wire beside a part: its being open matters no longer."""
    (found,) = [each for each in file["elements"] if each["id"] == part]
    file["elements"].append({"id": "Z9", "kind": "jumper", "from": found["from"], "to": found["to"]})


def doubled(file: dict[str, Any], part: str) -> None:
    """A second contact in line with one, worked together with it: bridging one matters no longer."""
    (found,) = [each for each in file["elements"] if each["id"] == part]
    file["elements"].append({**found, "id": "Z9", "from": "Z9:2"})
    found["to"] = "Z9:2"
    for situation in file["situations"]:
        operated = situation.get("operated", [])
        operated = [operated] if isinstance(operated, str) else list(operated)
        situation["operated"] = [*operated, "Z9"] if part in operated else operated


def shipped_file(name: str) -> dict[str, Any]:
    """A shipped circuit as data."""
    text = (Path(str(files("meterlink_procedures"))) / "circuits" / f"{name}.yaml").read_text(encoding="utf-8")
    file: dict[str, Any] = yaml.load(text, yaml.BaseLoader)  # noqa: S506 - a loader that makes nothing but text
    return file


def twinned(file: dict[str, Any], part: str) -> None:
    """A second source beside one, taken off together with it: the loss of one matters no longer."""
    (found,) = [each for each in file["elements"] if each["id"] == part]
    file["elements"].append({**found, "id": "Z9"})


def passed_over(file: dict[str, Any], part: str) -> None:
    """A part that never fails: nobody replaces a coil by a wire, so this is what there is to change of a load."""
    (found,) = [each for each in file["elements"] if each["id"] == part]
    found["prior"] = "0"


ALTERED: dict[Kin, Callable[[dict[str, Any], str], None]] = {
    Kin.OPEN: shunted,
    Kin.BRIDGED: doubled,
    Kin.SOURCE: twinned,
}
"""What makes a fault harmless, by its kind."""

SHIPPED = ("branched-chain", "start-up", "two-stop-lift")
SYMPTOMS = [(name, symptom) for name in SHIPPED for symptom in shipped_dictionary(name).circuit.symptoms]


def explained(bench: Bench, symptom: str) -> list[Fault]:
    """The single faults that a symptom's suspicion names, the likeliest first."""
    circuit = bench.circuit
    known = suspected(bench, circuit.symptoms[symptom], single_faults(circuit)).explained_by
    return [fault for each in known for fault in each.faults]


@pytest.mark.parametrize(("name", "symptom"), SYMPTOMS)
def test_a_suspect_that_a_change_of_the_circuit_makes_harmless_is_none_any_more(name: str, symptom: str) -> None:
    bench = shipped_dictionary(name).bench
    before = explained(bench, symptom)
    changeable = [fault for fault in before if fault.kin in ALTERED][:2]
    assert changeable
    for fault in changeable:
        file = shipped_file(name)
        alter = passed_over if bench.circuit.by_id[fault.at].kind.is_load else ALTERED[fault.kin]
        alter(file, fault.at)
        altered = parsed(file)
        assert not shows(altered, altered.circuit.symptoms[symptom], Suspect((), 1.0))
        after = explained(altered, symptom)
        assert fault.name not in {each.name for each in after}


def test_a_symptom_s_suspicion_weighs_what_explains_it_above_all_else() -> None:
    dictionary = shipped_dictionary("branched-chain")
    circuit = dictionary.circuit
    suspicion = suspected(dictionary.bench, circuit.symptoms["fuse-lamp-lit"], dictionary.suspects)
    assert {each.name for each in suspicion.explained_by if len(each.faults) == 1} == {"open:F1", "high:F1"}
    assert all("F1" in {fault.at for fault in each.faults} for each in suspicion.explained_by)
    assert suspicion.explained_by[0].name == "open:F1"
    weights = [each.weight for each in suspicion.suspects]
    assert sum(weights) == pytest.approx(1)
    assert all(weight > 0 for weight in weights)  # people err, so nothing is ruled out by what they say
    assert sum(each.weight for each in suspicion.suspects if "F1" in {fault.at for fault in each.faults}) > 0.95
    assert suspicion.situation == "rest"
    finding = Search(dictionary, weights).finding()
    assert finding.faults[0].name == "open:F1"
    assert asked(finding).point in circuit.by_id["F1"].nodes


def test_the_place_to_look_is_where_what_should_work_does_not() -> None:
    dictionary = shipped_dictionary("start-up")
    symptoms = dictionary.circuit.symptoms
    suspicions = {
        name: suspected(dictionary.bench, symptoms[name], single_faults(dictionary.circuit)) for name in symptoms
    }
    assert suspicions["will-not-run"].situation == "rest"
    assert suspicions["mains-only"].situation == "charger-off"
    assert suspicions["runs-with-stop-pressed"].situation == "stop-pressed"


def test_a_relay_that_chatters_counts_as_not_working() -> None:
    """Its own contact interrupts it: a buzzer (common practice, no source)."""
    text = circuit_text(
        'id: G1, kind: battery, from: PE, to: "G1:+", cells: 12',
        'id: B1, kind: contact, from: "G1:+", to: A, normally: open',
        "id: K1.1, kind: contact, from: A, to: B, coil: K1",
        "id: K1, kind: coil, from: B, to: PE, resistance: 650 Ohm",
        more="""
        symptoms:
          - {name: dead, shows: [{in: rest, coil: K1, works: no}]}
          - {name: alive, shows: [{in: rest, coil: K1, works: yes}]}
        """,
    )
    bench = dictionary_of(text).bench
    bridged = Suspect((Fault(Kin.BRIDGED, "B1"),), 1.0)
    assert shows(bench, bench.circuit.symptoms["dead"], bridged)
    assert not shows(bench, bench.circuit.symptoms["alive"], bridged)
