"""`moltspan rehouse FOLDER`: who needs another enclosure, when a move is safe, what to make ready."""

from pathlib import Path
from typing import Annotated

import typer

from moltspan.text import rehouse as tables_rehouse
from moltspan.cli.forecast import Watched
from moltspan.cli.shared import answer_day, as_wrong_usage, day_option, read_collection, say_faults, waiting, write_json
from moltspan._frames.files import replace_file


def rehouse(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    on: Annotated[str | None, typer.Option("--on", metavar="DAY", help="Day of the move: YYYY-MM-DD, today, tomorrow, +14d; default: today.")] = None,
    at_most: Annotated[int | None, typer.Option("--at-most", metavar="N", min=1, help="Animals a sitting; default: all in one.")] = None,
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    rules: Annotated[Path | None, typer.Option(metavar="FILE", help="TOML with housing numbers that replace the shipped ones.")] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
    sheet: Annotated[Path | None, typer.Option(metavar="FILE", help="Write one page to print, as HTML.")] = None,
    ics: Annotated[Path | None, typer.Option(metavar="FILE", help="Write days to look, molts, safe moves and feeding days as a calendar.")] = None,
    calendar_of: Annotated[str | None, typer.Option("--calendar-of", metavar="NAME", help="Collection whose entries the calendar replaces; default: the place of FOLDER.")] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Plan the moves: who has outgrown its enclosure, and on which days a move is safe."""
    day, last = day_option("--on", on), day_option("--as-of", as_of)
    collection = read_collection("rehouse", folder)
    faults = say_faults(collection, strict, last)
    plan = _answer(collection, last, watched.value, {"on": answer_day(day, last, collection), "at_most": at_most, "rules": rules})
    _write(plan, json_file, sheet, (ics, calendar_of), remark)
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("rehouse")(rehouse)


def _answer(collection, as_of, watched, asked):
    import moltspan

    # a day that these records cannot bear, or a file of rules that cannot be read
    with as_wrong_usage("rehouse", ValueError, OSError), waiting("working out the plan"):
        return moltspan.fit(collection, as_of=as_of, watched=watched).rehouse(**asked)


def _write(plan, json_file, sheet, calendar, remark):
    document, (ics, collection) = plan.document, calendar
    with as_wrong_usage("rehouse", OSError):
        if sheet:
            replace_file(sheet, plan.sheet(remark))
        if ics:
            replace_file(ics, plan.calendar(remark, collection))
        if json_file:
            write_json({"remark": remark, **document} if remark else document, json_file)
    if json_file != "-":
        tables_rehouse.print_plan(document, remark)
