"""`moltspan report FOLDER`: one page with all that the records say, for the screen, the phone and paper."""

from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from moltspan.cli.forecast import Watched
from moltspan.cli.shared import answer_day, as_wrong_usage, day_option, read_collection, say_faults, waiting, write_json
from moltspan._frames.files import replace_file
from moltspan._frames.progress import REPORT


class LookBack(str, Enum):
    recent = "recent"
    all = "all"
    none = "none"


def report(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="The page to write, as HTML.")] = Path("report.html"),
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    on: Annotated[str | None, typer.Option("--on", metavar="DAY", help="Day of the answer: YYYY-MM-DD, today, +14d; default: today.")] = None,
    watched: Annotated[Watched, typer.Option(help="Who is looked at daily: all animals, or each only as its rows say.")] = Watched.all,
    strict: Annotated[bool, typer.Option("--strict", help="Answer nothing while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write the page's numbers as JSON; - for standard output.")] = None,
    look_back: Annotated[LookBack, typer.Option("--look-back", help="Past forecasts to score: two recent days and only up to 30 animals, all, none.")] = LookBack.recent,
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Words to carry in the title of every output.")] = None,
):
    """Write one page: what to do today, the week ahead, calendar, feeding, moves, every animal, doubts, how good the forecasts were."""
    day, asked = day_option("--as-of", as_of), day_option("--on", on)
    collection = read_collection("report", folder)
    faults = say_faults(collection, strict, day)
    documents, page = _answer(collection, day, answer_day(asked, day, collection), watched.value, remark, look_back.value, folder)
    with as_wrong_usage("report", OSError):
        if json_file and json_file != "-":
            write_json(documents, json_file)
        replace_file(out, page)
    if json_file == "-":
        write_json(documents, json_file)
    else:
        print(f"written: {out}" + (f" ({remark})" if remark else ""))
    raise typer.Exit(1 if faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("report")(report)


def _answer(collection, as_of, on, watched, remark, look_back, folder):
    import moltspan
    from moltspan.report.documents import own_notes, report_documents
    from moltspan.report.page import page_html

    # a day that these records cannot bear
    with as_wrong_usage("report", ValueError), waiting(REPORT.what, REPORT.total):
        fit = moltspan.fit(collection, as_of=as_of, watched=watched)
        documents = report_documents(fit, remark, on, look_back, folder if folder.is_dir() else folder.parent)
        return documents, page_html(documents, own_notes(collection))
