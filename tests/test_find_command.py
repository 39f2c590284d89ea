"""`steadypoint find`: its JSON is a contract; guided, a fault is named, mended, and the circuit proved again."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from circuit_samples import SHORT_CHAIN, circuit_text
from commands import Lines, Result, jobs, lines, only, shown, steadypoint
from meterlink.circuit.fault import parse_faults
from meterlink.circuit.load import load_circuit

Contract = Mapping[str, type | tuple[type, ...]]

FINDING: Contract = {
    "circuit": str,
    "revision": str,
    "situation": str,
    "faults": list,
    "sure": bool,
    "answer": (str, type(None)),
    "next": (dict, type(None)),
    "elsewhere": (dict, type(None)),
    "proof": list,
    "doubtful": list,
}
NEXT: Contract = {
    "point": str,
    "reference": str,
    "black_lead": str,
    "measure": str,
    "minutes": (int, float),
    "why": str,
}
TOUCH: Contract = {"point": str, "reference": (str, type(None)), "value": str, "unit": str}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def chain(tmp_path: Path) -> str:
    path = tmp_path / "short-chain.yaml"
    path.write_text(SHORT_CHAIN, encoding="utf-8")
    return str(path)


def find(home: Path, circuit: str, *arguments: str, seen: tuple[str, ...] = ()) -> dict[str, Any]:
    told = [argument for each in seen for argument in ("--seen", each)]
    result = steadypoint(home, "find", circuit, *told, *arguments, "--json")
    assert (result.returncode, result.stderr) == (0, "")
    read: dict[str, Any] = json.loads(result.stdout)
    return read


def keeps(contract: Contract, body: Mapping[str, object]) -> None:
    """Fail where a body has other keys than the contract, or values of other types."""
    assert list(body) == list(contract)
    assert [key for key, kinds in contract.items() if not isinstance(body[key], kinds)] == []


# The contract


@pytest.mark.parametrize(
    "seen",
    [
        (),
        ("X1:4=24.1 V",),
        ("X1:3=24.1 V", "X1:4=0.02 V"),
        ("X1:3=24.1 V", "X1:4=0.02 V", "X1:4=0.01 V"),
        ("X1:3 to X1:4=27.2 V",),
        ("X1:3 to X1:4=OL", "F1:2 to X1:3=0.9 Ohm"),
        ("G1:+=27.3 V", "F1:2=13 V", "X1:3=0 V", "X1:4=24 V"),
    ],
)
def test_json_has_just_the_keys_and_types_of_the_contract(home: Path, chain: str, seen: tuple[str, ...]) -> None:
    finding = find(home, chain, seen=seen)
    keeps(FINDING, finding)
    if finding["next"] is not None:
        keeps(NEXT, finding["next"])
        assert finding["next"]["measure"] in ("voltage", "resistance")
    for touch in (*finding["proof"], *finding["doubtful"]):
        keeps(TOUCH, touch)
    circuit = load_circuit(chain).circuit
    for each in finding["faults"]:
        keeps({"fault": str, "probability": float}, each)
        assert parse_faults(circuit, each["fault"]) or each["fault"] == "none"
    shares = [each["probability"] for each in finding["faults"]]
    assert shares == sorted(shares, reverse=True)
    assert 0.99 < sum(shares) <= 1
    assert min(shares) > 0
    assert (finding["answer"] is not None, bool(finding["proof"])) == (finding["sure"], finding["sure"])
    assert not (finding["sure"] and finding["next"])


def test_probabilities_add_up_to_no_more_than_1_on_a_large_circuit(home: Path) -> None:
    """Many small ones, each rounded to the nearest, would add up to more."""
    for seen in ((), ("K1:A1=0 V",), ("K1:A1=25 V", "K2:A1=0 V"), ("X5:4=13 V",)):
        finding = find(home, "start-up", seen=seen)
        assert sum(each["probability"] for each in finding["faults"]) <= 1


# What readings come to


def test_live_on_one_side_and_dead_on_the_other_twice_is_proof(home: Path, chain: str) -> None:
    once = find(home, chain, seen=("X1:3=27.2 V", "X1:4=0.02 V"))
    assert (once["faults"][0]["fault"], once["sure"], once["answer"], once["proof"]) == ("open:B1", False, None, [])
    assert once["next"]["point"] == "X1:4"  # a dead reading may be a probe that missed: once more
    twice = find(home, chain, seen=("X1:3=27.2 V", "X1:4=0.02 V", "X1:4=0.01 V"))
    assert (twice["sure"], twice["answer"], twice["next"]) == (True, "open:B1", None)
    assert [(each["point"], each["unit"]) for each in twice["proof"]] == [("X1:3", "V"), ("X1:4", "V")]


@pytest.mark.parametrize(
    ("seen", "answer"),
    [
        (("X1:3 to X1:4=27.2 V",), "open:B1"),  # the supply stands across what is open
        (("X1:3=27.2 V", "X1:3 to X1:4=27.2 V"), "open:B1"),
        (
            ("F1:2 to X1:3=27.2 V", "X1:3=0 V", "F1:2 to X1:3=OL"),
            "open:W1.3",
        ),  # ohms tell it from a short to earth behind it
        # 47 Ohm beside 480: 27.3 * 47 / 528 = 2.43 V are lost there.
        (("X1:3=27.2 V", "X1:4=24.8 V", "X1:3 to X1:4=2.43 V"), "high:B1"),
    ],
)
def test_a_reading_across_a_part_proves_it(home: Path, chain: str, seen: tuple[str, ...], answer: str) -> None:
    finding = find(home, chain, seen=seen)
    assert (finding["sure"], finding["answer"]) == (True, answer)


def test_a_meter_of_better_accuracy_says_more(home: Path, chain: str) -> None:
    seen = ("X1:3=27.25 V", "X1:4=26.45 V")  # 0.8 V less: 15 Ohm in the contact, or the meter's own error twice
    coarse, fine = (find(home, chain, *sheet, seen=seen) for sheet in ((), ("--sheet", "six-thousand-counts")))
    share = [
        next(each["probability"] for each in finding["faults"] if each["fault"] == "high:B1")
        for finding in (coarse, fine)
    ]
    assert share[0] < share[1]


def test_a_reading_that_fits_nothing_keeps_the_answer_back_and_is_asked_for_again(home: Path, chain: str) -> None:
    proof = ("X1:3=27.2 V", "X1:4=0.02 V", "X1:4=0.01 V")
    assert find(home, chain, seen=proof)["answer"] == "open:B1"
    finding = find(home, chain, seen=(*proof, "G1:+=0 V"))  # dead at the battery, live behind it
    assert (finding["sure"], finding["answer"], finding["faults"][0]["fault"]) == (False, None, "open:B1")
    assert [(each["point"], each["value"]) for each in finding["doubtful"]] == [("G1:+", "0")]
    assert finding["next"]["point"] == "G1:+"


def test_a_point_that_has_come_back_is_no_longer_dead(home: Path, chain: str) -> None:
    finding = find(home, chain, seen=("X1:3=27.2 V", "X1:4=0.02 V", "X1:4=0.01 V", "X1:4=27.1 V"))
    assert not finding["sure"]
    assert finding["faults"][0]["fault"] != "open:B1"


# Symptoms and situations


def test_a_symptom_names_what_would_bring_it_about(home: Path) -> None:
    """Up runs without the edge, down does not: all that the drawing has on the edge's branch, and nothing else."""
    finding = find(home, "start-up", "--symptom", "runs-up-not-down")
    branch = {"X7.1", "W7.1", "B5", "B6", "B7", "B8", "W7.2", "X7.2", "K2"}
    opened = {each for each in finding["suspects"] if each.startswith("open:") and "+" not in each}
    assert opened == {f"open:{part}" for part in branch}
    assert finding["situation"] == "rest"
    first = [each["fault"] for each in finding["faults"][:5]]
    assert {each.partition(":")[2] for each in first} <= branch


def test_the_search_begins_in_the_situation_of_the_symptom_unless_told(home: Path) -> None:
    assert find(home, "two-stop-lift", "--symptom", "stops-short")["situation"] == "near-upper-landing"
    told = find(home, "two-stop-lift", "--symptom", "stops-short", "--situation", "call-up")
    assert told["situation"] == "call-up"


def test_a_situation_changes_what_a_reading_means(home: Path) -> None:
    """A stop that is pressed has nothing behind it; what is live there is a bridge."""
    bridged = find(home, "start-up", "--situation", "stop-pressed", seen=("S1:12=26.3 V",) * 2)
    assert bridged["faults"][0]["fault"] == "bridged:S1"
    sound = find(home, "start-up", seen=("S1:12=26.3 V",) * 2)
    assert next(each for each in sound["faults"] if each["fault"] == "bridged:S1")["probability"] < 0.05


# For people


def test_the_page_ranks_asks_and_draws(home: Path, chain: str) -> None:
    result = steadypoint(home, "find", chain, "--seen", "X1:3=27.2 V", "--seen", "X1:4=0.02 V")
    assert result.returncode == 0
    assert result.stdout.startswith("Short chain (circuit short-chain, revision 1), situation rest\n")
    assert "open:B1" in result.stdout.splitlines()[2]
    assert "\nNext: red on X1:4, black on PE, DC volts.\n" in result.stdout
    assert any(line.startswith("▶") and "X1:4" in line for line in result.stdout.splitlines())


def test_the_page_names_the_fault_with_its_proof(home: Path, chain: str) -> None:
    result = steadypoint(home, "find", chain, "--seen", "X1:3 to X1:4=27.2 V")
    assert "\nFound: open:B1. Proof: 27.2 V at X1:3 to X1:4.\n" in result.stdout
    assert "\nIsolate the supply before the repair. Afterwards what it touched is proved again.\n" in result.stdout
    assert "found faulty" in result.stdout


def test_a_picture_is_written(home: Path, chain: str, tmp_path: Path) -> None:
    path = tmp_path / "found.svg"
    find(home, chain, "--picture", str(path), seen=("X1:3 to X1:4=27.2 V",))
    root = ElementTree.fromstring(path.read_text(encoding="utf-8"))  # noqa: S314 - our own
    assert "found faulty" in " ".join(root.itertext())


# Errors


def refused(home: Path, *arguments: str) -> str:
    result = steadypoint(home, "find", *arguments)
    assert (result.returncode, result.stdout) == (2, "")
    assert "Traceback" not in result.stderr
    return result.stderr


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("no-such",), "no circuit of that id"),
        (("start-up", "--situation", "raining"), "situation 'raining': expected one of rest,"),
        (("start-up", "--symptom", "hums"), "symptom 'hums': the circuit start-up knows will-not-run,"),
        (("start-up", "--seen", "B1:12"), "expected a reading such as X1:4=24.1 V"),
        (("start-up", "--seen", "=24 V"), "expected a reading such as X1:4=24.1 V"),
        (("start-up", "--seen", "X99=24 V"), "no point 'X99'"),
        (("start-up", "--seen", "B1:11 to X99=24 V"), "no point 'X99'"),
        (("start-up", "--seen", "PE=0 V"), "both leads are on PE"),
        (("start-up", "--seen", "B1:11 to B1:11=0 V"), "both leads are on B1:11"),
        (("start-up", "--seen", "B1:12=24"), "--seen"),
        (("start-up", "--seen", "B1:12=24 A"), "expected volts or ohms, or OL"),
        (("start-up", "--sheet", "no-such", "--seen", "B1:12=24 V"), "no-such"),
        (("start-up", "--seen", "B1:12=24 V", "--meter", "sim:healthy"), "--seen is for readings without a meter"),
        (("start-up", "--meter", "sim:healthy?circuit=start-up"), "the cautions are not acknowledged"),
        (("start-up", "--meter", "sim:open:B99?circuit=start-up", "--accept-cautions"), "no element 'B99'"),
        (("two-stop-lift", "--situation", "isolated", "--meter", "sim:healthy", "--accept-cautions"), "nothing is fed"),
    ],
)
def test_what_cannot_be_searched_is_said_clearly(home: Path, arguments: tuple[str, ...], says: str) -> None:
    assert says in refused(home, *arguments)


def test_relays_that_never_rest_are_refused_where_a_search_would_begin(home: Path, tmp_path: Path) -> None:
    path = tmp_path / "buzzer.yaml"
    path.write_text(
        circuit_text(
            'id: G1, kind: battery, from: PE, to: "G1:+", cells: 12',
            'id: K1.1, kind: contact, from: "G1:+", to: "K1:A1", coil: K1',
            'id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm',
        ),
        encoding="utf-8",
    )
    meter = f"sim:healthy?circuit={path}&speed=max"
    assert "do not come to rest" in refused(home, str(path), "--meter", meter, "--accept-cautions")


def test_a_simulated_fault_that_makes_the_lift_chatter_is_refused(home: Path) -> None:
    """Both direction buttons closed: each contactor breaks the other's path, which no meter could follow."""
    meter = "sim:bridged:S2?circuit=two-stop-lift&situation=call-down&speed=max"
    arguments = ("two-stop-lift", "--situation", "call-down", "--meter", meter, "--accept-cautions")
    done = steadypoint(home, "find", *arguments)
    assert done.returncode == 2
    assert "the simulated lift chatters" in done.stderr
    assert "Traceback" not in done.stderr


# Guided


def guided(
    home: Path, circuit: str, fault: str, *, situation: str = "rest", repairs: str = "yes", **options: str
) -> Result:
    more = "".join(f"&{name}={value}" for name, value in options.items())
    meter = f"sim:{fault}?circuit={circuit}&situation={situation}&speed=max&repairs={repairs}{more}"
    told = ("--meter", meter, "--accept-cautions", "--sheet", "six-thousand-counts", "--json")
    return steadypoint(home, "find", circuit, "--situation", situation, *told)


def found(events: Lines) -> list[object]:
    return [each["answer"] for each in only(events, "finding") if each["sure"]]


@pytest.mark.parametrize(
    ("circuit", "situation", "fault"),
    [
        ("start-up", "rest", "open:B1"),
        ("start-up", "rest", "open:F1"),
        ("start-up", "rest", "open:W5.4"),
        ("start-up", "rest", "open:B6"),
        ("start-up", "rest", "high:B1@2 kOhm"),
        ("start-up", "stop-pressed", "bridged:S1"),
        ("branched-chain", "rest", "open:F1"),  # fed back by a lamp: 3 V behind the blown fuse
        ("branched-chain", "rest", "open:B3"),
        ("branched-chain", "rest", "open:K1.1"),
        ("branched-chain", "rest", "bridged:V1"),
        ("two-stop-lift", "rest", "open:B3"),
        ("two-stop-lift", "call-up", "open:B7"),
        ("two-stop-lift", "call-up", "open:K1"),
    ],
)
def test_a_fault_is_found_mended_and_the_circuit_proved_again(
    home: Path, circuit: str, situation: str, fault: str
) -> None:
    result = guided(home, circuit, fault, situation=situation)
    told = lines(result.stdout)
    assert (result.returncode, result.stderr) == (0, "")
    (answer,) = found(told)
    # The part is what is replaced, whether it has no contact at all or a very poor one.
    assert str(answer).partition(":")[2] == fault.partition(":")[2].partition("@")[0]
    assert answer == fault.partition("@")[0]
    (proved,) = [index for index, event in enumerate(told) if event.get("code") == "prove-again"]
    verdicts = only(told, "verdict")
    assert {each["outcome"] for each in verdicts} == {"pass"}
    assert all(told.index(each) > proved for each in verdicts)
    end = told[-1]
    assert (end["event"], end["complete"], end["failed"], end["not_judged"]) == ("end", True, 0, [])


@pytest.mark.parametrize("seed", ["1", "2", "3"])
def test_slips_of_the_hand_change_nothing(home: Path, seed: str) -> None:
    result = guided(home, "start-up", "open:S1", seed=seed, slips="3")
    assert (result.returncode, found(lines(result.stdout))) == (0, ["open:S1"])


def test_findings_are_told_touch_by_touch_and_kept(home: Path) -> None:
    told = lines(guided(home, "start-up", "open:B1").stdout)
    findings = only(told, "finding")
    contract: Contract = {"event": str, "step": str, "touches": int, **FINDING, "t": (int, float)}
    for finding in findings:
        keeps(contract, finding)
        faults = finding["faults"]
        assert isinstance(faults, list)
        assert sum(each["probability"] for each in faults) <= 1
    assert [each["touches"] for each in findings] == list(range(len(findings)))
    assert [each["sure"] for each in findings] == [False] * (len(findings) - 1) + [True]
    asked = [each["next"]["point"] for each in findings if isinstance(each["next"], dict)]
    read = [str(each["text"]).partition(": ")[0] for each in only(told, "cue") if each["code"] == "read"]
    assert asked == read  # what is asked for is what is then read
    assert only(shown(home, str(told[0]["job"])), "finding") == findings


def test_two_opens_are_found_one_after_the_other(home: Path) -> None:
    result = guided(home, "start-up", "open:B2 + open:W5.5")
    told = lines(result.stdout)
    assert (result.returncode, result.stderr) == (0, "")
    assert sorted(map(str, found(told))) == ["open:B2", "open:W5.5"]
    outcomes = [each["outcome"] for each in only(told, "verdict") if each["step"] == "fed-1"]
    assert outcomes == ["fail", "pass"]  # proved again after the first repair, and still dead
    assert told[-1]["complete"]


def test_without_a_repair_the_search_is_given_up(home: Path) -> None:
    result = guided(home, "start-up", "open:B1", repairs="no")
    told = lines(result.stdout)
    assert (result.returncode, result.stderr) == (1, "")
    assert found(told) == ["open:B1"]
    assert [each["code"] for each in only(told, "cue")][-1] == "given-up"
    assert (told[-1]["complete"], told[-1]["passed"]) == (False, 0)
    page = steadypoint(home, "show", str(told[0]["job"])).stdout
    assert "NOT MENDED" in page
    assert jobs(home)[0]["state"] == "stopped"


def test_a_search_that_was_given_up_can_be_taken_up_again(home: Path) -> None:
    job = str(lines(guided(home, "start-up", "open:B1", repairs="no").stdout)[0]["job"])
    meter = "sim:open:B1?circuit=start-up&speed=max&repairs=yes"
    result = steadypoint(home, "resume", job, "--meter", meter, "--json")
    assert result.returncode == 0
    assert found(lines(result.stdout)) == ["open:B1"]
    assert jobs(home)[0]["state"] == "complete"


def test_a_sound_circuit_has_nothing_found_and_nothing_mended(home: Path) -> None:
    told = lines(guided(home, "start-up", "healthy").stdout)
    assert found(told) == []
    last = only(told, "finding")[-1]["faults"]
    assert isinstance(last, list)
    assert last[0]["fault"] == "none"


def test_the_record_lists_the_faults_found_with_their_proof(home: Path) -> None:
    job = str(lines(guided(home, "start-up", "open:B2 + open:W5.5").stdout)[0]["job"])
    page = steadypoint(home, "show", job).stdout.splitlines()
    at = page.index("Faults found:")
    rows = [row for row in page[at + 1 : at + 4] if row]
    assert len(rows) == 2
    assert {row.split()[1] for row in rows} == {"open:B2", "open:W5.5"}
    assert all("mended, as the technician says" in row and " V at " in row for row in rows)
    b2 = next(row for row in rows if "open:B2" in row)
    assert "X2:3" in b2  # its terminals: X2:3 and B2:12
    assert "B2:12" in b2
    assert page[-1] == "A record of readings, not a permit to use the lift."


def test_a_check_searches_by_itself_and_goes_on_after_the_repair(home: Path) -> None:
    meter = "sim:open:B1?procedure=start-up&speed=max&repairs=yes"
    arguments = ("--meter", meter, "--sheet", "six-thousand-counts", "--accept-cautions", "--json")
    result = steadypoint(home, "check", "start-up", *arguments)
    told = lines(result.stdout)
    assert (result.returncode, found(told)) == (0, ["open:B1"])
    outcomes: dict[str, list[object]] = {}
    for verdict in only(told, "verdict"):
        outcomes.setdefault(str(verdict["step"]), []).append(verdict["outcome"])
    # B1 lies between B1:11 and B1:12: both are proved again, and the fail stays in the record.
    assert outcomes["final-limit-in"] == ["pass", "pass"]
    assert outcomes["final-limit-out"] == ["fail", "pass"]
    assert {step: each for step, each in outcomes.items() if each != ["pass"]}.keys() == {
        "final-limit-in",
        "final-limit-out",
    }
    assert (told[-1]["complete"], told[-1]["failed"]) == (True, 0)
