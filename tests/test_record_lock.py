import os
import subprocess
import sys
from pathlib import Path

import pytest

from meterlink.errors import RecordError
from meterlink.record.lock import recording
from record_rights import public_folder, read_only

JOB = "20261125-k7m4"
HOLDER = Path(__file__).with_name("record_holder.py")


def test_a_second_recorder_of_a_job_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    with (
        recording(tmp_path, JOB),
        pytest.raises(RecordError, match=rf"job {JOB} is being recorded .*\(process {os.getpid()}\)"),
        recording(tmp_path, JOB),
    ):
        pytest.fail("two recorders of one job")


def test_two_jobs_are_recorded_side_by_side(tmp_path: Path) -> None:
    with recording(tmp_path, JOB), recording(tmp_path, "20261125-k7m3"):
        assert len(list((tmp_path / "locks").glob("*.pid"))) == 2


def test_the_lock_is_free_again_after_the_block_even_on_an_error(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), recording(tmp_path, JOB):
        raise ZeroDivisionError
    with recording(tmp_path, JOB):
        assert (tmp_path / "locks" / f"{JOB}.pid").read_text() == str(os.getpid())


def test_a_kill_leaves_no_stale_lock(tmp_path: Path) -> None:
    holder = [sys.executable, str(HOLDER), str(tmp_path), JOB]
    with subprocess.Popen(holder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        with pytest.raises(RecordError, match=rf"\(process {process.pid}\)"), recording(tmp_path, JOB):
            pytest.fail("two recorders of one job")
        process.kill()
    with recording(tmp_path, JOB):
        assert (tmp_path / "locks" / f"{JOB}.pid").read_text() == str(os.getpid())


def test_where_no_lock_can_be_made_it_says_so() -> None:
    with (
        public_folder() as folder,
        read_only(folder),
        pytest.raises(RecordError, match=rf"cannot lock {JOB} \(Permission denied\)"),
        recording(folder, JOB),
    ):
        pytest.fail("recorded without a lock")
