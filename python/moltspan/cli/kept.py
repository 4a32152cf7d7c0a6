"""`moltspan kept FOLDER`: what was said on which day, and what came."""

import io
import sys
from pathlib import Path
from typing import Annotated

import typer

from moltspan.text import tables
from moltspan.cli.forecast import UNDATED, Watched, plots_can_be_written
from moltspan.cli.shared import as_wrong_usage, read_collection, say_faults, wrong_usage, write_json
from moltspan._frames.files import replace_file


def kept(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv, journal.csv and forecasts_kept.csv.")],
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
    csv_file: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write a row a kept forecast.")] = None,
    plot: Annotated[list[Path] | None, typer.Option(metavar="FILE", help="Draw ranges and molts: .png, .svg or .pdf; may be repeated.")] = None,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Tell what became of the forecasts that were kept (forecast --keep): what was said, what came, how many ranges held."""
    plots_can_be_written(plot or [])
    collection = read_collection("kept", folder)
    faults = say_faults(collection, strict, dated=False)
    result = _answer(folder, collection, watched.value)
    faults += tables.print_faults(result.faults)
    if strict and result.faults:
        print(f"--strict: nothing is answered while {len(result.faults)} fault(s) stand", file=sys.stderr)
        raise typer.Exit(1)
    _write(result, json_file, csv_file, plot or [], remark)
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("kept")(kept)


def _answer(folder, collection, watched):
    import moltspan

    if not folder.is_dir():
        wrong_usage("kept", f"{folder}: is no folder; forecasts are kept in the folder of the records")
    with as_wrong_usage("kept", OSError, RuntimeError):
        return moltspan.kept_forecasts(folder, collection, watched)


def _write(result, json_file, csv_file, plots, remark):
    from moltspan.text.kept import print_kept

    document = ({"remark": remark} if remark else {}) | result.document()
    with as_wrong_usage("kept", OSError):
        if csv_file:
            result.to_csv(csv_file)
        if plots:
            _write_plots(result, plots, remark)
        if json_file:
            write_json(document, json_file)
    if json_file != "-":
        print_kept(document, result.firsts(), sys.stdout, remark)


def _write_plots(result, files, remark):
    import matplotlib

    matplotlib.use("Agg")
    from moltspan.plot.kept import plot_kept

    title = f"Kept forecasts, and what came by {result.collection.as_of}" + (f" - {remark}" if remark else "")
    figure = plot_kept(result, title=title).figure
    with matplotlib.rc_context({"svg.hashsalt": "moltspan"}):
        for file in files:
            out = io.BytesIO()
            figure.savefig(out, format=file.suffix[1:], dpi=150, metadata=UNDATED.get(file.suffix))
            replace_file(file, out.getvalue())
