"""The environment is made once, used again, and failures are told in words."""

from __future__ import annotations

import importlib
import os
import subprocess
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def environment() -> ModuleType:
    return importlib.import_module("environment")


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A checkout with lock files and a virtual environment in which only the Python is missing."""
    (tmp_path / "scripts").mkdir()
    (tmp_path / "pyproject.toml").write_text("[project]\n", encoding="utf-8")
    for name in ("requirements.lock", "requirements-check.lock"):
        (tmp_path / "scripts" / name).write_text(f"# {name}\n", encoding="utf-8")
    return tmp_path


def python_of(checkout: Path) -> Path:
    folder = checkout / ".venv" / ("Scripts" if os.name == "nt" else "bin")
    folder.mkdir(parents=True)
    python = folder / ("python.exe" if os.name == "nt" else "python")
    python.touch()
    return python


class Pip:
    """Stands in for the process of pip."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, code: int = 0, says: str = "") -> None:
        self.calls: list[list[str]] = []
        self._code, self._says = code, says
        monkeypatch.setattr(subprocess, "run", self)

    def __call__(self, command: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        self.calls.append(command)
        return subprocess.CompletedProcess(command, self._code, "", self._says)


def test_installs_once_and_is_used_again(
    environment: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    python = python_of(checkout)
    pip = Pip(monkeypatch)
    assert environment.prepare("run", root=checkout) == python.parent
    assert len(pip.calls) == 2
    assert environment.prepare("run", root=checkout) == python.parent
    assert len(pip.calls) == 2, "a second start must not need the network"


@pytest.mark.parametrize("changed", ["scripts/requirements.lock", "pyproject.toml"])
def test_installs_again_when_a_version_changes(
    changed: str, environment: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    python_of(checkout)
    pip = Pip(monkeypatch)
    environment.prepare("run", root=checkout)
    with (checkout / changed).open("a", encoding="utf-8") as stream:
        stream.write("# another\n")
    environment.prepare("run", root=checkout)
    assert len(pip.calls) == 4


def test_checking_needs_more_than_running(
    environment: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    python_of(checkout)
    pip = Pip(monkeypatch)
    environment.prepare("run", root=checkout)
    assert not any("requirements-check.lock" in word for call in pip.calls for word in call)
    environment.prepare("check", root=checkout)
    assert any("requirements-check.lock" in word for call in pip.calls for word in call)


def test_without_a_network_it_says_what_to_do_and_keeps_no_stamp(
    environment: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    python_of(checkout)
    Pip(monkeypatch, code=1, says="ERROR: No matching distribution found for numpy")
    with pytest.raises(SystemExit) as caught:
        environment.prepare("run", root=checkout)
    assert "needs the internet" in str(caught.value)
    assert "numpy" in str(caught.value)
    assert not list((checkout / ".venv").glob("*.stamp"))


@pytest.mark.parametrize(("version", "is_enough"), [((3, 10), False), ((3, 11), True), ((3, 14), True)])
def test_old_python_is_refused_by_name(
    version: tuple[int, int], is_enough: bool, environment: ModuleType
) -> None:
    if is_enough:
        environment.require_python(version)
    else:
        with pytest.raises(SystemExit, match=r"needs Python 3\.11 or later, and this is Python 3\.10"):
            environment.require_python(version)


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-check.lock"])
def test_lock_files_pin_every_version_and_name_no_place(name: str) -> None:
    lines = (ROOT / "scripts" / name).read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if not line.startswith("#")]
    assert pins
    for line in pins:
        assert "==" in line.split(";")[0], line
        assert "://" not in line
        assert "@" not in line


def test_lock_holds_every_dependency_of_the_project() -> None:
    tomllib = importlib.import_module("tomllib")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    locks = {
        name: (ROOT / "scripts" / name).read_text(encoding="utf-8")
        for name in ("requirements.lock", "requirements-check.lock")
    }
    for need in project["dependencies"]:
        assert f"\n{need.split('>')[0]}==" in locks["requirements.lock"], need
    for need in [*project["optional-dependencies"]["dev"], "gdal-utils>=3"]:
        assert f"\n{need.split('>')[0]}==" in "".join(locks.values()), need


def test_lock_follows_what_packages_need_themselves() -> None:
    lock = importlib.import_module("lock")
    lines = lock.closure(["geopandas>=1.0"])
    assert {"geopandas", "pandas", "numpy", "shapely", "pyproj", "pyogrio"} <= set(lines)
    assert lines["numpy"].startswith("numpy==")
    assert set(lock.closure(["gdal-utils"])) == {"gdal-utils"}, "what stands alone brings nothing along"
