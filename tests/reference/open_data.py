"""Where the open data sets lie: beside the checkout, never in it, each in a folder of its own with its SOURCE.md (citation, license)."""

import os
from pathlib import Path

FOLDER = Path(os.environ.get("MOLTSPAN_REFERENCE_DATA") or Path(__file__).resolve().parents[3] / "shared" / "reference" / "data")


def open_data(*names):
    """The file or folder of these names; FileNotFoundError says where it was looked for."""
    path = FOLDER.joinpath(*names)
    if not path.exists():
        raise FileNotFoundError(f"reference data not found at {path}: put the open data sets there, or set MOLTSPAN_REFERENCE_DATA to their folder")
    return path
