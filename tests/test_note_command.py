"""`steadypoint note`: what the office or an auditor adds to a job that has ended or stopped."""

import hashlib
from pathlib import Path

from commands import lines, only, shown, steadypoint
from traces import PROCEDURE, Trace

PICTURE = b"\x89PNG\r\n\x1a\n and so on"


def stopped(tmp_path: Path) -> str:
    """A job that waits at its first step; return its id."""
    (tmp_path / "two-volts.yaml").write_text(PROCEDURE, encoding="utf-8")
    trace = Trace().lift().at(tmp_path / "trace.jsonl")
    steadypoint(tmp_path, "check", str(tmp_path / "two-volts.yaml"), "--meter", trace, "--accept-cautions", "--json")
    (job,) = lines(steadypoint(tmp_path, "jobs", "--json").stdout)
    return str(job["job"])


def test_a_remark_with_a_picture_is_an_event_of_the_record_and_the_job_goes_on(tmp_path: Path) -> None:
    job = stopped(tmp_path)
    (tmp_path / "as-found.png").write_bytes(PICTURE)
    picture = str(tmp_path / "as-found.png")
    done = steadypoint(tmp_path, "note", job, "Cable tie missing", "--by", "auditor", "--photo", picture)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"Kept with job {job}.\n", "")
    (note,) = only(shown(tmp_path, job), "note")
    digest = hashlib.sha256(PICTURE).hexdigest()
    photo = {"name": "as-found.png", "media_type": "image/png", "size": len(PICTURE), "sha256": digest}
    assert (note["text"], note["by"], note["photo"]) == ("Cable tie missing", "auditor", photo)
    assert (tmp_path / "photos" / digest).read_bytes() == PICTURE
    assert "Cable tie missing" in steadypoint(tmp_path, "show", job).stdout
    went_on = Trace().answer("confirm").lift().show("25.58").lift().show("25.41").at(tmp_path / "more.jsonl")
    assert steadypoint(tmp_path, "resume", job, "--meter", went_on, "--json").returncode == 0


def test_a_picture_that_cannot_be_kept_leaves_no_remark(tmp_path: Path) -> None:
    job = stopped(tmp_path)
    for name, why in (("none.png", "No such file"), ("empty.png", "0 bytes; expected 1 to")):
        if name == "empty.png":
            (tmp_path / name).write_bytes(b"")
        done = steadypoint(tmp_path, "note", job, "As found", "--photo", str(tmp_path / name))
        assert done.returncode == 2
        assert why in done.stderr
    assert only(shown(tmp_path, job), "note") == []


def test_an_unknown_job_is_told(tmp_path: Path) -> None:
    job = stopped(tmp_path)
    done = steadypoint(tmp_path, "note", f"{job}x", "Hello")
    assert done.returncode == 2
    assert job in done.stderr
