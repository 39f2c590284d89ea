"""`steadypoint verify`, `seal`, `keys`, `backup`: what is proven, in words and as JSON, for a job and for a file."""

import json
import sqlite3
import stat
from contextlib import closing
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import load_pem_public_key

from commands import jobs, lines, started, steadypoint
from meterlink.record.device_key import device_key, known_keys
from meterlink.record.store import FILE_NAME, Store
from record_samples import begin
from sealed_job import sealed_job
from traces import PROCEDURE, Trace, begun
from waiting import PATIENCE_S

STOPS_AT_ONCE = PROCEDURE.replace("pushed in?\n", "pushed in?\n    on_fail: stop\n")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


def verified(home: Path, *arguments: str) -> tuple[int, dict[str, object]]:
    result = steadypoint(home, "verify", *arguments, "--json")
    (found,) = lines(result.stdout)
    return result.returncode, found


def own_fingerprint(home: Path) -> str:
    (line,) = [line for line in steadypoint(home, "keys").stdout.splitlines() if "this-device" in line]
    return line.split()[1]


def test_a_sealed_job_is_intact_and_says_by_whom(home: Path) -> None:
    job = sealed_job(home)
    status, found = verified(home, job)
    reasons = found.pop("reasons")
    key = own_fingerprint(home)
    assert (status, found) == (
        0,
        {"job": job, "intact": True, "sealed": True, "events": 37, "first_bad_event": None, "key": key},
    )
    assert isinstance(reasons, list)
    assert reasons[0] == "Each of the 37 events follows the one before as it was written."
    assert reasons[1].startswith(f"Signature over events 1 to 37 by key {key} (known: this-device), device time 20")
    assert steadypoint(home, "verify", job).stdout.splitlines()[1] == "Record  INTACT, sealed"


def test_a_job_without_a_seal_is_open_and_can_be_sealed_later(home: Path) -> None:
    job = sealed_job(home, "--no-seal")
    status, found = verified(home, job)
    assert (status, found["intact"], found["sealed"]) == (0, True, False)
    assert "Not sealed" in str(found["reasons"])
    assert steadypoint(home, "seal", job).stdout == f"Sealed job {job}, 37 events.\n"
    assert verified(home, job)[1]["sealed"] is True
    again = steadypoint(home, "seal", job)
    assert again.returncode == 2
    assert again.stderr == f"steadypoint: job {job} is sealed already, with all its 37 events\n"


def test_a_job_that_broke_off_is_not_sealed_until_it_has_come_to_its_end(home: Path) -> None:
    job = sealed_job(home, trace=begun())
    assert verified(home, job)[1]["sealed"] is False
    rest = Trace().lift().show("25.58").at(home / "rest.jsonl")
    assert steadypoint(home, "resume", job, "--meter", rest, "--json").returncode == 0
    status, found = verified(home, job)
    assert (status, found["sealed"]) == (0, True)


def test_a_stopped_job_that_is_gone_on_with_keeps_its_first_seal(home: Path) -> None:
    job = sealed_job(home, trace=Trace().lift().answer("refuse"), procedure=STOPS_AT_ONCE)
    sealed = verified(home, job)[1]
    assert (sealed["sealed"], jobs(home)[0]["state"]) == (True, "stopped")
    went_on = Trace().lift().answer("confirm").lift().show("25.61").at(home / "more.jsonl")
    assert steadypoint(home, "resume", job, "--meter", went_on, "--json").returncode == 3
    status, found = verified(home, job)
    assert (status, found["intact"], found["sealed"]) == (0, True, False)
    assert f"Events after {sealed['events']} are not sealed" in str(found["reasons"])
    rest = Trace().lift().show("25.58").at(home / "rest.jsonl")
    assert steadypoint(home, "resume", job, "--meter", rest, "--json").returncode == 0
    status, found = verified(home, job)
    assert (status, found["sealed"]) == (0, True)
    assert str(found["reasons"]).count("Signature over events 1 to") == 2


def test_lift_and_operator_are_in_the_chain_and_in_the_list(home: Path) -> None:
    job = sealed_job(home, "--lift", "L-17", "--operator", "A. B.")
    assert (jobs(home)[0]["lift"], jobs(home)[0]["operator"]) == ("L-17", "A. B.")
    page = steadypoint(home, "show", job).stdout
    assert "Lift         L-17" in page
    assert "Operator     A. B." in page


@pytest.mark.parametrize("tag", ["", " L-17", "L\n17", "L" * 81])
def test_a_lift_s_tag_is_printable_and_short(home: Path, tag: str) -> None:
    home.mkdir()
    (home / "two.yaml").write_text("", encoding="utf-8")
    result = steadypoint(home, "check", "start-up", "--meter", "sim:healthy", "--accept-cautions", "--lift", tag)
    assert result.returncode == 2
    assert result.stderr.startswith("steadypoint: --lift ")


def test_an_altered_job_names_the_event_and_ends_with_1(home: Path) -> None:
    job = sealed_job(home)
    alter(home, "UPDATE event SET body = replace(body, '25.58', '26.58') WHERE seq = 34")
    status, found = verified(home, job)
    assert (status, found["intact"], found["first_bad_event"]) == (1, False, 34)
    assert "  Event 34 was altered since it was written." in steadypoint(home, "verify", job).stdout.splitlines()


def test_a_truncated_job_says_so(home: Path) -> None:
    job = sealed_job(home)
    alter(home, "DELETE FROM event WHERE seq > 30")
    status, found = verified(home, job)
    assert (status, found["sealed"], found["events"], found["first_bad_event"]) == (1, False, 30, 31)
    assert "The log is truncated: it was sealed with 37 events; 31 is missing." in str(found["reasons"])


def test_a_job_whose_own_line_is_gone_is_reported(home: Path) -> None:
    job = sealed_job(home)
    alter(home, "PRAGMA foreign_keys = OFF", "DELETE FROM job")
    status, found = verified(home, job)
    assert (status, found["first_bad_event"], found["events"]) == (1, 0, 37)


def test_an_unknown_job_is_bad_usage(home: Path) -> None:
    job = sealed_job(home)
    result = steadypoint(home, "verify", job[:-1])
    assert (result.returncode, result.stderr) == (2, f"steadypoint: no job {job[:-1]!r}; nearest: {job}\n")


def test_another_procedure_on_file_today_is_said(home: Path) -> None:
    text = "Procedure {} is {}."
    with Store.open(home_made(home)) as store:
        job = begin(store)
    assert "none of that name is shipped" in str(verified(home, job)[1]["reasons"])
    result = steadypoint(
        home, "check", "start-up", "--meter", "sim:healthy?speed=max&seed=3", "--accept-cautions", "--json"
    )
    started_up = str(lines(result.stdout)[0]["job"])
    assert text.format("start-up revision 3", "the one on file") in str(verified(home, started_up)[1]["reasons"])


def home_made(home: Path) -> Path:
    home.mkdir(exist_ok=True)
    return home


def test_a_demanded_key_must_be_the_one(home: Path) -> None:
    job = sealed_job(home)
    assert verified(home, job, "--key", own_fingerprint(home))[0] == 0
    status, found = verified(home, job, "--key", "0000-1111-2222-3333")
    assert (status, found["intact"]) == (1, False)


def test_a_database_file_is_verified_job_by_job(home: Path, tmp_path: Path) -> None:
    first, second = sealed_job(home), sealed_job(home, "--no-seal")
    copy = tmp_path / "copy.sqlite3"
    assert steadypoint(home, "backup", str(copy)).returncode == 0
    result = steadypoint(tmp_path / "elsewhere", "verify", str(copy), "--json")
    found = {line["job"]: line for line in lines(result.stdout)}
    assert result.returncode == 0
    assert {job: line["sealed"] for job, line in found.items()} == {first: True, second: False}
    assert "(unknown: compare it with its owner's before you rely on it)" in str(found[first]["reasons"])


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 and then nothing", b"Notes from the site"])
def test_a_file_that_is_no_record_is_refused(home: Path, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "notes.zip"
    path.write_bytes(content)
    result = steadypoint(home, "verify", str(path))
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(f"steadypoint: {path}: no archive of a job")


# The device's key


def test_the_key_is_made_at_first_use_and_only_its_owner_reads_it(home: Path) -> None:
    sealed_job(home)
    path = home / "device-key.pem"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    before = path.read_bytes()
    sealed_job(home)
    assert path.read_bytes() == before
    shared = steadypoint(home, "keys", "--own").stdout
    public = load_pem_public_key(shared.encode()).public_bytes_raw()  # type: ignore[union-attr]
    assert known_keys(home) == {public.hex(): "this-device"}


def test_a_passphrase_encrypts_the_key_and_is_wanted_again(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYPOINT_KEY_PASSPHRASE", "a walk in the rain")
    job = sealed_job(home)
    assert b"ENCRYPTED" in (home / "device-key.pem").read_bytes()
    for given in ("another", ""):
        monkeypatch.setenv("STEADYPOINT_KEY_PASSPHRASE", given)
        result = steadypoint(home, "seal", job)
        assert result.returncode == 2
        assert "the passphrase is wrong or missing" in result.stderr
    assert verified(home, job)[0] == 0  # wants no key


def test_two_first_uses_at_once_make_one_key(home: Path) -> None:
    home.mkdir()
    racers = [started(home, "keys", "--own") for _ in range(3)]
    shared = {racer.communicate(timeout=PATIENCE_S)[0] for racer in racers}
    assert len(shared) == 1


def test_another_device_s_job_is_neither_sealed_nor_gone_on_with(home: Path, tmp_path: Path) -> None:
    job = sealed_job(home, trace=begun())
    (home / "device-key.pem").unlink()
    (home / "keys" / "this-device.pem").rename(home / "keys" / "old-device.pem")
    for arguments in (("seal", job), ("resume", job, "--meter", begun().at(tmp_path / "more.jsonl"))):
        result = steadypoint(home, *arguments)
        assert result.returncode == 2
        assert "recorded by another device" in result.stderr
    assert device_key(home).public_key.hex() in known_keys(home)


# A copy of a record in use


def test_a_backup_is_made_while_a_check_writes_and_holds_up_nobody(home: Path, tmp_path: Path) -> None:
    home.mkdir()
    arguments = ("check", "start-up", "--meter", "sim:healthy?speed=20&seed=4", "--accept-cautions", "--json")
    copies: list[Path] = []
    with started(home, *arguments) as check:
        assert check.stdout is not None
        job = json.loads(check.stdout.readline())["job"]
        while check.poll() is None and len(copies) < 40:
            copies.append(tmp_path / f"copy-{len(copies)}.sqlite3")
            assert steadypoint(home, "backup", str(copies[-1])).returncode == 0
        check.communicate(timeout=PATIENCE_S)
    assert check.returncode == 0
    counts = []
    for copy in copies:
        with closing(sqlite3.connect(copy)) as file:
            assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            counts.append(file.execute("SELECT count(*) FROM event").fetchone()[0])
        assert not copy.with_name(f"{copy.name}-wal").exists()
    assert counts == sorted(counts)
    assert len(copies) > 1
    status, found = verified(tmp_path / "elsewhere", str(copies[0]))
    assert (status, found["intact"], found["job"]) == (0, True, job)


def test_a_backup_overwrites_nothing(home: Path, tmp_path: Path) -> None:
    sealed_job(home)
    path = tmp_path / "mine"
    path.write_text("mine", encoding="utf-8")
    result = steadypoint(home, "backup", str(path))
    assert (result.returncode, path.read_text(encoding="utf-8")) == (2, "mine")
    assert "nothing is overwritten" in result.stderr


def test_without_a_record_there_is_nothing_to_back_up(home: Path, tmp_path: Path) -> None:
    result = steadypoint(home, "backup", str(tmp_path / "copy"))
    assert (result.returncode, (tmp_path / "copy").exists()) == (2, False)


def alter(home: Path, *changes: str) -> None:
    with closing(sqlite3.connect(home / FILE_NAME)) as file, file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        for change in changes:
            file.execute(change)
