"""What the report page says of kept forecasts, where there are any."""

from pathlib import Path

from moltspan.kept import FILE, kept_forecasts
from moltspan.tables_kept import counted_note, kept_row, sentence, share_lines

SHOWN_ROWS = 30  # the newest; all stand in `moltspan kept --csv`


def kept_section(folder, collection, watched="all"):
    """None where nothing was kept; else `lines` (the share held and what it counts), `sentences` ((animal, what was said and came), the newest first, at
    most 30), `rows` of the same (see `tables_kept.HEADER`), the whole `document`, and the `kept` forecasts themselves, which `plot_kept` draws.

    Text of users in it is not escaped yet. Faults of the file are in the document; RuntimeError where it is not as moltspan wrote it.
    """
    if not (Path(folder) / FILE).is_file():
        return None
    kept = kept_forecasts(folder, collection, watched)
    document, firsts = kept.document(), kept.firsts()[::-1][:SHOWN_ROWS]
    return {"lines": [*share_lines(document), *counted_note(document)], "sentences": [(one["animal"], sentence(one)) for one in firsts],
            "rows": [kept_row(one) for one in firsts], "document": document, "kept": kept}
