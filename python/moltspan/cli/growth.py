"""`moltspan growth FOLDER`: how each kind grows, per instar and sex, with stadium medians."""

from pathlib import Path
from typing import Annotated

import typer

from moltspan.text import growth as tables_growth
from moltspan.cli.forecast import Watched
from moltspan.cli.shared import as_wrong_usage, day_option, read_collection, say_faults, waiting, write_json


def growth(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    level: Annotated[float, typer.Option(metavar="P", help="Level of the intervals, 0 to 1.")] = 0.95,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Tell how each kind grows: growth ratio, sizes per instar and sex, stadium medians."""
    day = day_option("--as-of", as_of)
    collection = read_collection("growth", folder)
    faults = say_faults(collection, strict, dated=False)
    document = _answer(collection, day, watched.value, level)
    _write({"remark": remark, **document} if remark else document, json_file, remark)
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("growth")(growth)


def _answer(collection, day, watched, level):
    from moltspan.group.growth import growth_document

    # an argument that these records cannot bear
    with as_wrong_usage("growth", ValueError), waiting("working out the growth"):
        return growth_document(collection, day, watched, level)


def _write(document, json_file, remark):
    with as_wrong_usage("growth", OSError):
        if json_file:
            write_json(document, json_file)
    if json_file != "-":
        tables_growth.print_growth(document, remark)
