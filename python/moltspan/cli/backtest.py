"""`moltspan backtest FOLDER`: how good the forecasts would have been so far, against the plain rules that people use."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from moltspan.cli.forecast import Family, Watched
from moltspan.cli.shared import as_wrong_usage, day_option, read_collection, say_faults, waiting, write_json


def backtest(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    origins: Annotated[int, typer.Option(metavar="N", min=1, help="How many past days to forecast from.")] = 8,
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    family: Annotated[Family, typer.Option(help="Shape of the spread of stadium lengths.")] = Family.lognormal,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Score past forecasts by what came, beside the plain rules that people use now."""
    day = day_option("--as-of", as_of)
    collection = read_collection("backtest", folder)
    faults = say_faults(collection, strict, day)
    result = _answer(collection, origins, day, watched.value, family.value)
    document = ({"remark": remark} if remark else {}) | result.document()
    with as_wrong_usage("backtest", OSError):
        if json_file:
            write_json(document, json_file)
    if json_file != "-":
        _print(result, remark)
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("backtest")(backtest)


def _answer(collection, origins, day, watched, family):
    import moltspan

    # records too few or too short to look back on
    with as_wrong_usage("backtest", ValueError), waiting("forecasting from past days"):
        return moltspan.backtest(collection, origins=origins, as_of=day, watched=watched, family=family)


def _print(result, remark):
    if not sys.stdout.isatty():
        print((f"{remark}\n" if remark else "") + result.summary())
        return
    from moltspan.text.terminal import console_of, print_pairs, print_table

    console = console_of(sys.stdout)
    print_pairs(console, result._facts())
    console.print()
    title = f"Beside plain rules ({remark})" if remark else "Beside plain rules"
    print_table(console, *result._table(), ("cases", "gained (s.e.)", "rule off by, days"), title=title,
                cap={"rule off by, days": 8, "forecast off by, days": 9, "gained, days (s.e.)": 12})
