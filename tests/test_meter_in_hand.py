"""Which meter a check is judged by: stated, registered, or not known; and what the record says of its calibration."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from commands import Result, jobs, lines, only, shown, steadypoint
from meterlink.instruments.shelf import local_day
from traces import PROCEDURE, Trace, begun, sound

TODAY = local_day()
VALID = ("--calibrated", str(TODAY - timedelta(days=100)), "--due", str(TODAY + timedelta(days=1)))
OVERDUE = ("--calibrated", str(TODAY - timedelta(days=500)), "--due", str(TODAY - timedelta(days=1)))


class Office:
    """A home folder with a procedure and a trace, and commands on them."""

    def __init__(self, folder: Path) -> None:
        self.home = folder / "home"
        self.procedure = folder / "two-volts.yaml"
        self.procedure.write_text(PROCEDURE, encoding="utf-8")
        self.meter = sound().at(folder / "sound.jsonl")

    def register(self, name: str, *more: str) -> None:
        result = steadypoint(self.home, "register", name, "--sheet", "six-thousand-counts", *more)
        assert result.returncode == 0, result.stderr

    def check(self, *more: str, meter: str | None = None) -> Result:
        arguments = ("check", str(self.procedure), "--meter", meter or self.meter, "--accept-cautions", "--json")
        return steadypoint(self.home, *arguments, *more)

    def change(self, old: str, new: str) -> None:
        text = self.procedure.read_text(encoding="utf-8")
        assert old in text
        self.procedure.write_text(text.replace(old, new), encoding="utf-8")

    def page(self) -> str:
        return steadypoint(self.home, "show", str(jobs(self.home)[0]["job"])).stdout

    def stated(self) -> list[dict[str, object]]:
        """What the record holds of the meter."""
        return only(shown(self.home, str(jobs(self.home)[0]["job"])), "instrument")


@pytest.fixture
def office(tmp_path: Path) -> Office:
    return Office(tmp_path)


def meter_cues(result: Result) -> list[object]:
    return [event["text"] for event in only(lines(result.stdout), "cue") if event["code"] == "meter"]


def test_a_calibration_that_is_valid_is_told_and_kept(office: Office) -> None:
    office.register("DMM-07", "--certificate", "C-118", *VALID)
    result = office.check("--instrument", "DMM-07")
    assert result.returncode == 0, result.stderr
    assert meter_cues(result) == [
        f"Meter DMM-07, accuracy sheet six-thousand-counts. Calibrated {VALID[1]}, valid to {VALID[3]}."
    ]
    assert f"Calibration  certificate C-118, {VALID[1]}, valid to {VALID[3]}" in office.page()
    (stated,) = office.stated()
    assert (stated["instrument"], stated["certificate"], stated["calibration"]) == ("DMM-07", "C-118", "valid")
    assert str(stated["sheet_text"]).startswith("sheet: six-thousand-counts")


def test_an_overdue_calibration_is_announced_and_stamped_on_the_record(office: Office) -> None:
    office.register("DMM-07", "--certificate", "C-118", *OVERDUE)
    result = office.check("--instrument", "DMM-07")
    assert result.returncode == 0, result.stderr
    assert meter_cues(result) == [
        f"Meter DMM-07, accuracy sheet six-thousand-counts. Its calibration is overdue: it was due by {OVERDUE[3]}."
    ]
    assert f"Calibration  OVERDUE, WAS DUE BY {OVERDUE[3]}; certificate C-118, {OVERDUE[1]}" in office.page()


def test_a_missing_calibration_and_an_unknown_meter_are_told_apart(office: Office) -> None:
    office.register("DMM-07")
    office.check("--instrument", "DMM-07")
    assert "Instrument   DMM-07, accuracy sheet six-thousand-counts" in office.page()
    assert "Calibration  NONE ON FILE THAT HOLDS" in office.page()
    office.check()
    assert "Instrument   not known, accuracy sheet cautious-default" in office.page()
    assert "Calibration  NOT KNOWN" in office.page()
    office.check("--sheet", "six-thousand-counts")
    assert "Instrument   not registered, accuracy sheet six-thousand-counts" in office.page()


@pytest.mark.parametrize(("more", "allowed"), [(VALID, True), (OVERDUE, False), ((), False)])
def test_a_procedure_may_demand_a_valid_calibration(office: Office, more: tuple[str, ...], allowed: bool) -> None:
    office.change("revision: 3\n", "revision: 3\ncalibration: required\n")
    office.register("DMM-07", *(("--certificate", "C-118", *more) if more else ()))
    result = office.check("--instrument", "DMM-07")
    assert result.returncode == (0 if allowed else 2)
    assert bool(jobs(office.home)) is allowed
    if not allowed:
        assert "demands a registered meter with a valid calibration. Meter DMM-07" in result.stderr


def test_a_registered_meter_is_known_by_its_device(office: Office) -> None:
    office.register("DMM-07", "--certificate", "C-118", *VALID, "--meter", "sim:healthy")
    result = steadypoint(
        office.home, "check", "start-up", "--meter", "sim:healthy?speed=max", "--accept-cautions", "--json"
    )
    assert result.returncode == 0, result.stderr
    (stated,) = office.stated()
    assert (stated["instrument"], stated["identity"]) == ("DMM-07", "sim:healthy")
    assert jobs(office.home)[0]["meter_identity"] == "sim:healthy"


def test_what_is_stated_and_does_not_fit_is_refused_and_nothing_begins(office: Office) -> None:
    office.register("DMM-07")
    for more, said in (
        (("--instrument", "DMM-08"), "unknown instrument 'DMM-08'; known: DMM-07"),
        (("--sheet", "none-such"), "unknown sheet 'none-such'"),
        (("--instrument", "DMM-07", "--sheet", "six-thousand-counts"), "--instrument and --sheet are both given"),
        (("--temperature", "5 V"), "expected degrees Celsius"),
    ):
        result = office.check(*more)
        assert (result.returncode, result.stdout) == (2, "")
        assert said in result.stderr
    assert jobs(office.home) == []


def test_a_job_goes_on_with_another_meter_and_replays_by_both(office: Office, tmp_path: Path) -> None:
    office.change("cautions:", "judging: {rule: guarded}\ncautions:")
    office.register("DMM-07")
    office.check("--instrument", "DMM-07", meter=begun().at(tmp_path / "begun.jsonl"))
    job = str(jobs(office.home)[0]["job"])
    for updates, status in ((2, 3), (8, 0)):  # too few to judge by, and enough
        meter = Trace().lift().show("25.58", updates).at(tmp_path / f"{updates}.jsonl")
        result = steadypoint(office.home, "resume", job, "--meter", meter, "--json")
        assert (result.returncode, meter_cues(result)) == (
            status,
            ["The meter is not known: its readings are judged by a cautious default. No calibration is known."],
        )
    assert [stated["instrument"] for stated in office.stated()] == ["DMM-07", None, None]
    sheets = [verdict.get("sheet") for verdict in only(shown(office.home, job), "verdict")]
    assert sheets == [None, "six-thousand-counts", "cautious-default"]


def test_the_sheet_that_judges_again_is_the_stored_one(office: Office, tmp_path: Path) -> None:
    sheet = tmp_path / "mine.yaml"
    sheet.write_text(
        "sheet: mine\nfunctions:\n  dc-voltage:\n    - {range: 60 V, resolution: 0.01 V, reading: 0.5 %, counts: 2}\n",
        encoding="utf-8",
    )
    office.check("--sheet", str(sheet), meter=begun().at(tmp_path / "begun.jsonl"))
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("0.5 %", "5 %"), encoding="utf-8")
    job = str(jobs(office.home)[0]["job"])
    rest = Trace().lift().show("25.58").at(tmp_path / "rest.jsonl")
    result = steadypoint(office.home, "resume", job, "--meter", rest, "--sheet", str(sheet), "--json")
    assert result.returncode == 0, result.stderr
    uncertain = [verdict.get("expanded_uncertainty") for verdict in only(shown(office.home, job), "verdict")]
    assert isinstance(uncertain[1], float)
    assert isinstance(uncertain[2], float)
    assert uncertain[1] < 0.2
    assert uncertain[2] > 1


def test_the_source_of_a_limit_stands_in_the_verdict_and_on_the_page(office: Office) -> None:
    office.change("    limits: 24.0..29.0 V\n", "    limits: 24.0..29.0 V\n    source: Practice, no source\n")
    verdicts = only(lines(office.check().stdout), "verdict")
    assert [verdict["limits_source"] for verdict in verdicts] == [None, "Practice, no source", None]
    assert "Where the limits come from:\n  G1:+: Practice, no source\n" in office.page()


def test_the_page_shows_uncertainty_rule_and_probability(office: Office) -> None:
    office.check("--sheet", "six-thousand-counts")
    head, _, battery, fuse = office.page().split("STEP", 1)[1].splitlines()[:4]
    assert head.split() == ["POINT", "VALUE", "U", "LIMITS", "RULE", "VERDICT", "INSIDE", "ATTEMPTS", "TIME", "WHY"]
    assert battery.split()[2:12] == ["25.61", "V", "0.18", "V", "24.0..29.0", "V", "simple", "PASS", "over", "99.9"]
    assert "0.18 V" in fuse


def test_a_cold_meter_is_less_sure(office: Office) -> None:
    def expanded(*more: str) -> float:
        verdicts = only(lines(office.check("--sheet", "six-thousand-counts", *more).stdout), "verdict")
        return float(json.dumps(verdicts[1]["expanded_uncertainty"]))

    assert expanded("--temperature", "-2 °C") > 1.5 * expanded("--temperature", "20 °C") == 1.5 * expanded()
