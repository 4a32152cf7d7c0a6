"""`moltspan forecast FOLDER`: who molts next, with bands, on the screen and into files."""

import io
from datetime import date
from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from moltspan.text import tables
from moltspan.cli.shared import answer_day, as_wrong_usage, day_option, read_collection, say_faults, waiting, write_json, wrong_usage
from moltspan._frames.files import replace_file
from moltspan._frames.visible import write_csv

LEVELS = (0.5, 0.8, 0.95)
UNDATED = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}


class Watched(str, Enum):
    all = "all"
    rows = "rows"


class Family(str, Enum):
    lognormal = "lognormal"
    weibull = "weibull"
    loglogistic = "loglogistic"


def forecast(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    on: Annotated[str | None, typer.Option("--on", metavar="DAY", help="Day of the answer: YYYY-MM-DD, today, +14d; default: today.")] = None,
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    level: Annotated[list[float] | None, typer.Option(metavar="P", help="Bands to give, 0 to 1; repeat for several.")] = None,
    family: Annotated[Family, typer.Option(help="Shape of the spread of stadium lengths.")] = Family.lognormal,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
    csv_file: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write a row an animal.")] = None,
    plot: Annotated[list[Path] | None, typer.Option(metavar="FILE", help="Draw the calendar: .png, .svg or .pdf; may be repeated.")] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Add what is said to forecasts_kept.csv in the folder; moltspan kept tells what came.")] = False,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Forecast the next molt of every animal, soonest first."""
    levels = _levels(level)
    day, asked = day_option("--as-of", as_of), day_option("--on", on)
    plots_can_be_written(plot or [])
    collection = read_collection("forecast", folder)
    faults = say_faults(collection, strict, day)
    keeping, on_day = _keeping(folder, keep), answer_day(asked, day, collection)
    fit, document = _answer(collection, day, on_day, watched.value, family.value, levels)
    kept = _keep(fit, folder, on_day, by_option=keep) if keeping else ""
    if remark:
        document = {"remark": remark, **document}
    _write(document, json_file, csv_file, plot or [], remark)
    if kept and json_file != "-":
        tables.say_lines([kept])
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("forecast")(forecast)


def _levels(level):
    for value in level or ():
        if not 0 < value < 1:
            raise typer.BadParameter(f"--level {value:g}: a level lies between 0 and 1, for example 0.8")
    return tuple(sorted(set(level))) if level else LEVELS


def plots_can_be_written(files):
    """Refuses names of pictures in a format that we do not write."""
    for file in files:
        if file.suffix not in (".png", ".svg", ".pdf"):
            raise typer.BadParameter(f"--plot {file}: the name ends in .png, .svg or .pdf")


def _answer(collection, day, on, watched, family, levels):
    import moltspan

    # an argument that these records cannot bear, such as a day before the first of them
    with as_wrong_usage("forecast", ValueError), waiting("working out the forecast"):
        fit = moltspan.fit(collection, as_of=day, watched=watched, family=family)
        return fit, moltspan.forecast_document(fit, levels, on)


def _keeping(folder, asked):
    """Whether what is said is kept: by the option, or by folder.toml; a workbook has no place for it."""
    from moltspan.collection.kept import keeps_forecasts

    if asked and not folder.is_dir():
        wrong_usage("forecast", f"--keep: {folder} is no folder; forecasts are kept in the folder of the records")
    with as_wrong_usage("forecast", ValueError, OSError):
        return asked or (folder.is_dir() and keeps_forecasts(folder))


def _keep(fit, folder, on, by_option):
    """Keeps what is said, and says so; with hindsight, or for a day to come, nothing is kept, which is wrong usage only where it was asked for."""
    from moltspan.collection.kept import FILE, keep_forecast

    last = fit.collection.as_of
    if on > max(date.today(), last) or fit.as_of < last:
        if by_option:
            wrong_usage("forecast", f"--keep: kept is what is said today with all records; leave --on and --as-of out (the records go on to {last})")
        return ""
    with as_wrong_usage("forecast", OSError, RuntimeError):
        n = keep_forecast(fit, folder, on)
    return f"kept in {folder / FILE}: {n} forecasts of {on}" if n else f"{folder / FILE} holds all that was said on {on} already"


def _write(document, json_file, csv_file, plots, remark):
    with as_wrong_usage("forecast", OSError):
        if csv_file:
            _write_csv(document, csv_file, remark)
        if plots:
            _write_plots(document, plots, remark)
        if json_file:
            write_json(document, json_file)
    if json_file != "-":
        tables.print_forecast(document, remark)


def _write_csv(document, file, remark):
    flat = tables.flat_forecast(document)
    if remark:
        flat = [row | {"remark": remark} for row in flat]
    columns = list(dict.fromkeys(name for row in flat for name in row))
    out = io.StringIO()
    write_csv(out, columns, ([row.get(name) for name in columns] for row in flat))
    replace_file(file, out.getvalue())


def _write_plots(document, files, remark):
    import matplotlib

    matplotlib.use("Agg")
    from moltspan.plot.calendar import plot_calendar

    title = f"Next molts, as of {document['as_of']}" + (f" - {remark}" if remark else "")
    figure = plot_calendar(document, title=title).figure
    with matplotlib.rc_context({"svg.hashsalt": "moltspan"}):  # the same records give the same file
        for file in files:
            out = io.BytesIO()
            figure.savefig(out, format=file.suffix[1:], dpi=150, metadata=UNDATED.get(file.suffix))
            replace_file(file, out.getvalue())
