"""demo/run, tests/run and .ci/run: what both commands on a fresh machine rest on, as far as it can be tested without a machine."""

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
STATED = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
REQUIREMENT = re.compile(r"([A-Za-z0-9_-]+)>=([0-9.]+)")


def requirements():
    """Name -> lowest version, of the build, of running and of the tests."""
    texts = [*STATED["build-system"]["requires"], *STATED["project"]["dependencies"], *sum(STATED["project"]["optional-dependencies"].values(), [])]
    return {name.lower().replace("_", "-"): version for name, version in (REQUIREMENT.fullmatch(text).groups() for text in texts)}


def constraints(name):
    lines = (TOP / "demo" / name).read_text(encoding="utf-8").splitlines()
    pinned = dict(line.split("==") for line in lines if not line.startswith("#"))
    return {name.lower().replace("_", "-"): version for name, version in pinned.items()}


def as_numbers(version):
    """1.24.0 as (1, 24): zeros at the end say nothing."""
    return tuple(map(int, re.sub(r"(\.0)+$", "", version).split(".")))


def test_every_requirement_has_a_tested_version():
    tested = constraints("constraints.txt")
    assert all(as_numbers(tested[name]) >= as_numbers(lowest) for name, lowest in requirements().items())


def test_the_lowest_versions_tried_are_those_stated():
    tried = constraints("constraints_lowest.txt")
    assert {name: as_numbers(version) for name, version in tried.items()} == {name: as_numbers(version) for name, version in requirements().items()}


@pytest.mark.parametrize("runner", ["demo/run", "tests/run"])
def test_both_runners_build_in_one_place_with_the_same_settings(runner):
    call, = re.findall(r"install_moltspan (.*?) \|\| exit", (TOP / runner).read_text(encoding="utf-8"))
    assert [word for word in call.split() if "=" in word] == [f"MOLTSPAN_BUILD_TESTS={'ON' if runner == 'tests/run' else 'OFF'}"]


FAKE_PYTHON = """#!/bin/sh
if [ "$1" = - ]; then exec python3 "$@"; fi
echo "$@" >>"$TOLD"
case "$*" in *constraints*) echo "$ANSWER"; [ -z "$ANSWER" ] ;; esac
"""


def installs(tmp_path, answer="", extra="test"):
    """The pip calls of `install_moltspan`, in a tree with a blank in its path, where pip answers so to the tested versions."""
    top = tmp_path / "a tree"
    for name in ("demo/set_up", "pyproject.toml"):
        (top / name).parent.mkdir(parents=True, exist_ok=True)
        (top / name).write_bytes((TOP / name).read_bytes())
    python = top / "build/venv/bin/python"
    python.parent.mkdir(parents=True)
    python.write_text(FAKE_PYTHON)
    python.chmod(0o755)
    (top / "build/logs").mkdir()
    told = tmp_path / "told"
    result = subprocess.run(["bash", "-uc", f'. "{top}/demo/set_up"; install_moltspan {extra or chr(34) * 2} X=1'], capture_output=True, text=True,
                            env=os.environ | {"TOLD": str(told), "ANSWER": answer, "MOLTSPAN_CONSTRAINTS": ""})
    return result, told.read_text().splitlines(), (top / "build/requirements.txt").read_text().splitlines()


def test_requirements_come_first_as_wheels_then_the_package_alone(tmp_path):
    result, (first, second), wanted = installs(tmp_path)
    assert result.returncode == 0, result.stderr
    assert "--only-binary :all:" in first and f"-c {tmp_path}/a tree/demo/constraints.txt" in first
    assert "--no-deps --no-build-isolation" in second and "cmake.define.X=1" in second and f"build-dir={tmp_path}/a tree/build/wheel" in second
    assert {REQUIREMENT.fullmatch(line)[1].lower() for line in wanted} == set(requirements())


def test_the_demo_asks_for_no_test_requirement(tmp_path):
    assert "pytest" not in " ".join(installs(tmp_path, extra="")[2])


def test_a_python_without_wheels_of_the_tested_versions_gets_the_newest(tmp_path):
    result, calls, _ = installs(tmp_path, "ERROR: No matching distribution found for numpy==2.4.6")
    assert result.returncode == 0 and len(calls) == 3 and "constraints" not in calls[1] and "the newest were taken" in result.stdout


def test_any_other_trouble_ends_it_with_what_pip_said(tmp_path):
    result, calls, _ = installs(tmp_path, "ERROR: no space left")
    assert result.returncode == 1 and len(calls) == 1 and "no space left" in result.stderr


def test_ci_starts_from_nothing(tmp_path):
    """Of a caller's settings and leftovers nothing reaches tests/run, which prints what it was given here."""
    for name, text in ((".ci/run", (TOP / ".ci/run").read_text()), ("tests/run", "#!/bin/sh\nenv\nls\nexit 3\n"), ("build/venv/left", "")):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
        (tmp_path / name).chmod(0o755)
    leftovers = {"PYTHONPATH": "/old", "VIRTUAL_ENV": "/old", "CXXFLAGS": "-w", "CCACHE_DIR": "/old", "PIP_CACHE_DIR": "/old", "PIP_CERT": "/a b.crt"}
    result = subprocess.run(["bash", ".ci/run"], cwd=tmp_path, capture_output=True, text=True, env=os.environ | leftovers)
    given = dict(line.split("=", 1) for line in result.stdout.splitlines() if "=" in line)
    assert result.returncode == 3 and not (tmp_path / "build").exists()
    assert not set(leftovers) - {"PIP_CERT"} & set(given) and given["PIP_CERT"] == "/a b.crt"
    assert given["HOME"] != os.environ["HOME"] and not Path(given["HOME"]).exists()
    assert (given["PIP_NO_CACHE_DIR"], given["CCACHE_DISABLE"]) == ("1", "1")
