"""`moltspan today`: what to do today in five lines, by name, with the reason."""

from pathlib import Path
from typing import Annotated

import typer

from moltspan.cli.forecast import Watched
from moltspan.cli.shared import answer_day, as_wrong_usage, day_option, read_collection, say_faults, waiting, write_json


def today(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="Folder with animals.csv and journal.csv. Default: the one you are in.")] = Path("."),
    on: Annotated[str | None, typer.Option("--on", metavar="DAY", help="Day of the answer: YYYY-MM-DD, tomorrow, +14d; default: today.")] = None,
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Say what to do today, in five lines: leave alone, look at, feed, move, fix."""
    from moltspan.text.today import print_today

    day, asked = day_option("--as-of", as_of), day_option("--on", on)
    collection = read_collection("today", folder)
    faults = say_faults(collection, strict, day)
    forecast, lines = _answer(collection, day, answer_day(asked, day, collection), watched.value)
    with as_wrong_usage("today", OSError):
        if json_file:
            write_json(today_document(forecast, lines, remark), json_file)
    if json_file != "-":
        print_today(forecast, lines, remark, folder)
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("today")(today)


def today_document(forecast, lines, remark=None):
    """The five lines as a dict ready for JSON: a list of animal and reason a line."""
    told = {name: [{"animal": animal, "reason": reason} for animal, reason in entries] for name, entries in lines.items()}
    return ({"remark": remark} if remark else {}) | {"as_of": forecast["as_of"], "on": forecast["on"], **told}


def _answer(collection, as_of, on, watched):
    import moltspan
    from moltspan.records.meals import meals_on_record
    from moltspan.text.today import today_lines

    # a day that these records cannot bear
    with as_wrong_usage("today", ValueError), waiting("looking through the records"):
        fit = moltspan.fit(collection, as_of=as_of, watched=watched)
        forecast = moltspan.forecast_document(fit, on=on)
        return forecast, today_lines(forecast, fit.rehouse(on=on).document, meals_on_record(collection, fit.as_of))
