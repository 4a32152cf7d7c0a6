"""`moltspan start FOLDER`: empty tables to write records into, with examples beside them."""

from pathlib import Path
from typing import Annotated

import typer

from moltspan.cli.shared import wrong_usage
from moltspan.text.start import start_lines


def start(folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where to make it; a folder that is there already keeps what it holds.")]):
    """Make a folder of empty tables, with invented examples beside them; nothing is overwritten."""
    import moltspan

    try:
        written = moltspan.start(folder)
    except OSError as trouble:
        wrong_usage("start", trouble)
    print("\n".join(start_lines(folder, [path.relative_to(folder) for path in written])))


def add_to(app):
    """Registers the command."""
    app.command("start")(start)
