"""The wheel carries everything that callint needs."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

from callint import __version__
from tests.running import REPOSITORY, environment

#: What the project file builds a wheel from.
SOURCES = ("callint", "schemas", "fixtures", "pyproject.toml", "README.md", "LICENSE")


def start(*arguments: str, cwd: Path, **env: str) -> str:
    """The output of a Python module that has to succeed."""
    done = subprocess.run(
        [sys.executable, "-m", *arguments],
        cwd=cwd,
        env=environment(**env),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel, built from a copy of the tree with the tools that are installed here."""
    source = tmp_path_factory.mktemp("source")
    for name in SOURCES:
        here = REPOSITORY / name
        if here.is_dir():
            shutil.copytree(here, source / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(here, source / name)
    target = tmp_path_factory.mktemp("wheel")
    start("build", "--wheel", "--no-isolation", "--outdir", str(target), cwd=source, PYTHONPATH="")
    (built,) = target.iterdir()
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, installed into a folder without its dependencies."""
    target = tmp_path_factory.mktemp("installed")
    pip = ("pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps", "--no-index")
    start(*pip, "--no-compile", "--target", str(target), str(wheel), cwd=target, PYTHONPATH="")
    return target


def test_the_wheel_holds_the_package_the_schemas_the_demo_and_the_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    for folder, inside in (
        ("callint", "callint"),
        ("schemas", "callint/schemas"),
        ("fixtures/demo", "callint/fixtures/demo"),
    ):
        files = [path for path in (REPOSITORY / folder).rglob("*") if path.is_file()]
        expected = {
            f"{inside}/{path.relative_to(REPOSITORY / folder).as_posix()}"
            for path in files
            if "__pycache__" not in path.parts
        }
        assert expected
        assert expected <= names
    assert "callint/py.typed" in names
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in names)


def test_the_wheel_holds_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.split("/")[0] for name in archive.namelist()}
    assert tops == {"callint", f"callint-{__version__}.dist-info"}


def test_the_wheel_states_its_version_licence_python_and_command(wheel: Path) -> None:
    info = f"callint-{__version__}.dist-info"
    with zipfile.ZipFile(wheel) as archive:
        metadata = Parser().parsestr(archive.read(f"{info}/METADATA").decode())
        commands = archive.read(f"{info}/entry_points.txt").decode()
    assert (metadata["Name"], metadata["Version"]) == ("callint", __version__)
    assert metadata["License-Expression"] == "MIT"
    assert metadata["Requires-Python"] == ">=3.11"
    assert "callint = callint.__main__:program" in commands


def test_the_demo_runs_from_the_wheel_alone(installed: Path, tmp_path: Path) -> None:
    where = start("callint", "demo", "yard", cwd=tmp_path, PYTHONPATH=str(installed))
    assert "12 commits" in " ".join(where.split())
    assert (tmp_path / "yard" / "callint.toml").is_file()
    program = "import callint; from callint.reading.resources import resource\n"
    program += "print(callint.__file__); print(resource('schemas')); print(resource('fixtures/demo'))"
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env=environment(PYTHONPATH=str(installed)),
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    for path in done.stdout.splitlines():
        assert Path(path).resolve().is_relative_to(installed.resolve())
