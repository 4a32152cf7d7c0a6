"""`moltspan label FOLDER`: labels for the boxes. `moltspan record FOLDER ANIMAL`: the page that goes with an animal."""

from pathlib import Path
from typing import Annotated

import typer

from moltspan.cli.shared import as_wrong_usage, read_collection, say_faults, waiting


def label(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    animal: Annotated[list[str] | None, typer.Option(metavar="NAME", help="Only this animal; repeat for several. Default: all that are here.")] = None,
    out: Annotated[Path, typer.Option(metavar="FILE", help="The page to write, as HTML.")] = Path("labels.html"),
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Small print on each label.")] = None,
):
    """Write labels to print, an animal each: name, kind, sex, hatched, last molt, size, and the name as a QR code."""
    import moltspan

    collection = read_collection("label", folder)
    faults = say_faults(collection, strict=False, dated=False)
    with as_wrong_usage("label", ValueError, OSError):
        moltspan.labels(collection, animal or None, out, remark)
    _say(out, remark, faults)


def record(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    animal: Annotated[str, typer.Argument(metavar="ANIMAL", help="Its name, as in animals.csv.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="The page to write, as HTML.")] = Path("record.html"),
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title.")] = None,
):
    """Write the growth record of an animal for who takes it over: one page, with what to beware of."""
    import moltspan

    collection = read_collection("record", folder)
    faults = say_faults(collection, strict=False, dated=False)
    with as_wrong_usage("record", ValueError, OSError), waiting("writing the record"):
        moltspan.growth_record(collection, animal, out, remark)
    _say(out, remark, faults)


def add_to(app):
    """Registers both commands."""
    app.command("label")(label)
    app.command("record")(record)


def _say(out, remark, faults):
    print(f"written: {out}" + (f" ({remark})" if remark else ""))
    raise typer.Exit(1 if faults else 0)
