"""What is built and installed: the same four packages from the tree and from the sdist, complete, and whole when alone.

Sources: the wheel layout is packaging.python.org, "Binary distribution format" (PEP 427); `py.typed` is PEP 561.
"""

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
from collections.abc import Iterable, Iterator
from importlib.metadata import packages_distributions
from pathlib import Path, PurePosixPath
from typing import Any
from zipfile import ZipFile

import pytest

from waiting import PATIENCE_S

ROOT = Path(__file__).parent.parent
PACKAGES = {
    "meterlink": ROOT / "meterlink",
    "meterlink_drivers": ROOT / "drivers" / "meterlink_drivers",
    "meterlink_procedures": ROOT / "procedures" / "meterlink_procedures",
    "meterlink_sim": ROOT / "sim_devices" / "meterlink_sim",
}
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
NOT_OURS = shutil.ignore_patterns(".git", ".venv", ".*_cache", ".hypothesis", "__pycache__", "build", "dist")


def run(*arguments: str | Path, cwd: Path, path: Path | None = None) -> str:
    """Run Python with these arguments and return what it prints; packages in `path` go before all others."""
    result = subprocess.run(
        [sys.executable, *map(str, arguments)],
        cwd=cwd,
        env=os.environ | ({"PYTHONPATH": str(path)} if path else {}) | {"STEADYPOINT_HOME": str(cwd)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout


def build(tree: Path, *kind: str) -> list[Path]:
    """Build in a tree; without a kind it builds the sdist, and the wheel from that."""
    run("-m", "build", *kind, "--no-isolation", "--outdir", tree / "dist", tree, cwd=tree.parent)
    return sorted((tree / "dist").iterdir())


def copy_of_the_tree(folder: Path) -> Path:
    return Path(shutil.copytree(ROOT, folder / "tree", ignore=NOT_OURS))


def contents(wheel: Path) -> dict[str, bytes]:
    with ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    (built,) = build(copy_of_the_tree(tmp_path_factory.mktemp("wheel")), "--wheel")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the wheel into a folder of its own, without a network."""
    target = tmp_path_factory.mktemp("target")
    run("-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", target, wheel, cwd=target)
    return target


def test_the_wheel_holds_four_packages_and_no_other_name(wheel: Path) -> None:
    names = {PurePosixPath(name).parts[0] for name in contents(wheel)}
    assert names == {*PACKAGES, f"steadypoint-{PROJECT['project']['version']}.dist-info"}


@pytest.mark.parametrize("package", PACKAGES)
def test_the_wheel_holds_every_file_of_a_package_as_it_is(wheel: Path, package: str) -> None:
    folder = PACKAGES[package]
    expected = {
        f"{package}/{path.relative_to(folder).as_posix()}": path.read_bytes()
        for path in folder.rglob("*")
        if "__pycache__" not in path.parts and path.is_file()
    }
    assert f"{package}/py.typed" in expected
    assert {name: data for name, data in contents(wheel).items() if name.startswith(f"{package}/")} == expected


def test_a_wheel_by_way_of_the_sdist_is_the_same(wheel: Path, tmp_path: Path) -> None:
    rebuilt, sdist = build(copy_of_the_tree(tmp_path))
    with tarfile.open(sdist) as archive:
        names = {PurePosixPath(name).parts[1] for name in archive.getnames()}
    assert names == {
        *("docs", "drivers", "meterlink", "procedures", "sim_devices", "tests"),
        *("DEVELOPERS.md", "Makefile", "README.md", "pyproject.toml", "PKG-INFO", ".gitignore"),
    }
    assert contents(rebuilt) == contents(wheel)


def test_every_entry_point_loads_from_the_installed_wheel(installed: Path, tmp_path: Path) -> None:
    script = """
import importlib.metadata, json, sys
(found,) = importlib.metadata.distributions(name="steadypoint", path=[sys.argv[1]])
print(json.dumps([
    [entry.group, entry.name, type(entry.load()).__name__, sys.modules[entry.module].__file__]
    for entry in found.entry_points
]))
"""
    found = json.loads(run("-c", script, installed, cwd=tmp_path, path=installed))
    declared = PROJECT["project"]["entry-points"] | {"console_scripts": PROJECT["project"]["scripts"]}
    assert {(group, name) for group, name, _, _ in found} == {
        (group, name) for group, entries in declared.items() for name in entries
    }
    kinds = {"meterlink.formats": "Format", "meterlink.transports": "Transport", "console_scripts": "function"}
    assert all(kind == kinds[group] for group, _, kind, _ in found)
    assert all(Path(file).is_relative_to(installed) for _, _, _, file in found)


def test_the_installed_wheel_finds_its_procedures(installed: Path, tmp_path: Path) -> None:
    script = "from meterlink.procedure.load import shipped; print(*shipped().items())"
    shown = run("-c", script, cwd=tmp_path, path=installed)
    assert str(installed / "meterlink_procedures" / "start-up.yaml") in shown
    assert run("-m", "meterlink", "lint", "start-up", cwd=tmp_path, path=installed) == ""


def test_the_installed_command_is_there_by_both_names(installed: Path, tmp_path: Path) -> None:
    by_module = run("-m", "meterlink", "--help", cwd=tmp_path, path=installed)
    by_script = run(installed / "bin" / "steadypoint", "--help", cwd=tmp_path, path=installed)
    assert "demo" in by_module
    assert by_script == by_module.replace("python -m meterlink", "steadypoint")
    version = run("-m", "meterlink", "--version", cwd=tmp_path, path=installed)
    assert version == f"steadypoint, version {PROJECT['project']['version']}\n"


def test_what_is_imported_is_declared_and_what_is_declared_is_imported() -> None:
    imported = set(distributions_of(path for folder in PACKAGES.values() for path in folder.rglob("*.py")))
    extras = {distribution_name(each) for some in PROJECT["project"]["optional-dependencies"].values() for each in some}
    assert imported - extras == set(map(distribution_name, PROJECT["project"]["dependencies"]))


def test_what_the_tests_import_is_declared() -> None:
    declared = PROJECT["project"]["dependencies"] + PROJECT["dependency-groups"]["dev"]
    assert set(distributions_of((ROOT / "tests").glob("*.py"))) <= set(map(distribution_name, declared))


def distribution_name(requirement: str) -> str:
    """Return the name in front of a requirement's version, as PEP 503 normalises it."""
    return re.sub(r"[-_.]+", "-", re.split(r"[<>=~!\[; ]", requirement, maxsplit=1)[0]).lower()


def distributions_of(files: Iterable[Path]) -> Iterator[str]:
    """Yield the distribution of each import that is neither ours nor of the standard library."""
    known = packages_distributions()
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in (name.partition(".")[0] for name in names):
                ours = name in PACKAGES or (ROOT / "tests" / f"{name}.py").exists()
                if not ours and name not in sys.stdlib_module_names:
                    yield distribution_name(known[name][0])
