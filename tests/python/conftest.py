"""Tests marked `open_data` read data sets that lie beside the checkout. Where those are absent, a user's clone leaves these tests out and
says so at the end; on CI (which always has them), or where MOLTSPAN_REFERENCE_DATA names their folder, the tests run and fail.
"""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "reference"))
from open_data import FOLDER  # noqa: E402 - lies beside the scripts that read it

LEFT_OUT = pytest.StashKey[int]()


def pytest_collection_modifyitems(config, items):
    if FOLDER.is_dir() or os.environ.get("CI") or os.environ.get("MOLTSPAN_REFERENCE_DATA"):
        return
    without = [item for item in items if item.get_closest_marker("open_data")]
    config.stash[LEFT_OUT] = len(without)
    config.hook.pytest_deselected(items=without)
    items[:] = [item for item in items if item not in without]


def pytest_terminal_summary(terminalreporter, config):
    if n := config.stash.get(LEFT_OUT, 0):
        terminalreporter.write_line(f"warning: {n} tests were left out: they read open data sets, and reference data was not found at {FOLDER}")
