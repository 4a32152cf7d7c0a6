"""What is said where the open data sets are absent."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REFERENCE = Path(__file__).parent.parent / "reference"


def test_without_the_data_a_script_says_where_they_belong(tmp_path):
    result = subprocess.run([sys.executable, REFERENCE / "convert_lobsters.py", tmp_path], capture_output=True, text=True,
                            env=os.environ | {"MOLTSPAN_REFERENCE_DATA": str(tmp_path / "none")})
    assert result.returncode != 0 and f"reference data not found at {tmp_path / 'none'}" in result.stderr.splitlines()[-1]


@pytest.mark.parametrize(("settings", "closing"), [({}, "left out"), ({"CI": "true"}, "failed"), ({"MOLTSPAN_REFERENCE_DATA": "none"}, "failed")])
def test_a_clone_without_the_data_leaves_these_tests_out_and_ci_fails(tmp_path, settings, closing):
    """A checkout of these files alone, with nothing beside it."""
    for name in ("tests/reference/open_data.py", "tests/python/conftest.py", "pyproject.toml"):
        (tmp_path / "clone" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(REFERENCE.parents[1] / name, tmp_path / "clone" / name)
    (tmp_path / "clone/tests/python/test_x.py").write_text(
        "import pytest\nfrom open_data import open_data\n@pytest.mark.open_data\ndef test_reads():\n    open_data('crickets')\ndef test_other():\n    pass\n")
    environment = {name: value for name, value in os.environ.items() if name not in ("CI", "MOLTSPAN_REFERENCE_DATA")}
    told = subprocess.run([sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"], cwd=tmp_path / "clone", capture_output=True, text=True,
                          env=environment | settings)
    assert closing in told.stdout and "reference data" in told.stdout and "skipped" not in told.stdout
    assert told.returncode == (0 if closing == "left out" else 1)
