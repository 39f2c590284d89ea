import stat
from pathlib import Path

import platformdirs
import pytest

from meterlink.errors import RecordError
from meterlink.home import VARIABLE, home_folder
from record_rights import public_folder, read_only


def test_the_chosen_folder_is_made_for_its_owner_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "van" / "steadypoint"))
    assert home_folder() == tmp_path / "van" / "steadypoint"
    assert stat.S_IMODE(home_folder().stat().st_mode) == 0o700
    assert list(home_folder().iterdir()) == []


@pytest.mark.parametrize("chosen", [None, ""])
def test_without_a_choice_it_is_the_users_data_folder(
    chosen: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    if chosen is not None:
        monkeypatch.setenv(VARIABLE, chosen)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert home_folder() == platformdirs.user_data_path("steadypoint", appauthor=False)
    assert home_folder().is_dir()


def test_a_relative_choice_becomes_absolute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(VARIABLE, "here")
    assert home_folder() == tmp_path / "here"


def test_an_existing_folder_keeps_its_mode(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tmp_path.chmod(0o750)
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    assert stat.S_IMODE(home_folder().stat().st_mode) == 0o750


def test_a_file_in_its_place_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "taken"
    place.write_text("kept")
    monkeypatch.setenv(VARIABLE, str(place))
    with pytest.raises(RecordError, match=f"{place}: cannot keep the record here .*set STEADYPOINT_HOME"):
        home_folder()
    assert place.read_text() == "kept"


def test_a_read_only_folder_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    with public_folder() as folder, read_only(folder):
        monkeypatch.setenv(VARIABLE, str(folder))
        with pytest.raises(RecordError, match=r"cannot keep the record here \(Permission denied\)"):
            home_folder()
