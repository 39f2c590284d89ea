"""`steadypoint lint`."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from meterlink.cli import cli
from procedure_samples import TWO_POINTS

BARE = TWO_POINTS.replace("<= 2 Ohm", ">= 1 MOhm")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.yaml").write_text(TWO_POINTS)
    (tmp_path / "doubtful.yaml").write_text(BARE)
    (tmp_path / "bad.yaml").write_text(TWO_POINTS.replace("with: bank", "with: bnak").replace("ask:", "aks:"))
    (tmp_path / "broken.yaml").write_text("a: [\n")
    return tmp_path


def test_a_clean_file_prints_nothing(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["lint", "good.yaml", "start-up"])

    assert (result.exit_code, result.output) == (0, "")


def test_warnings_alone_end_well(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["lint", "doubtful.yaml"])

    assert result.exit_code == 0
    assert result.stdout == "doubtful.yaml:29:13: warning: put >= in quotes: other YAML tools refuse it bare\n"


def test_every_file_is_checked_though_one_fails(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["lint", "broken.yaml", "missing.yaml", "bad.yaml", "doubtful.yaml"])

    assert result.exit_code == 2
    assert [line.split(": ")[0:2] for line in result.stdout.splitlines()] == [
        ["broken.yaml:2:1", "error"],
        ["missing.yaml", "error"],
        ["bad.yaml:17:11", "error"],
        ["bad.yaml:20:5", "error"],
        ["bad.yaml:23:5", "error"],
        ["doubtful.yaml:29:13", "warning"],
    ]


def test_json_has_one_object_a_problem(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["lint", "--json", "doubtful.yaml", "missing.yaml"])

    assert result.exit_code == 2
    warning, error = map(json.loads, result.stdout.splitlines())
    assert warning == {
        "file": "doubtful.yaml",
        "line": 29,
        "column": 13,
        "severity": "warning",
        "message": "put >= in quotes: other YAML tools refuse it bare",
    }
    assert (error["file"], error["line"], error["column"], error["severity"]) == ("missing.yaml", None, None, "error")


def test_without_a_file_it_says_how_to_use_it() -> None:
    result = CliRunner().invoke(cli, ["lint"])

    assert result.exit_code == 2
    assert "FILE..." in result.output
