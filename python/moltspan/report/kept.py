"""What the report page says of kept forecasts, where there are any."""

from pathlib import Path

from moltspan.collection.kept import FILE, kept_forecasts
from moltspan.text.kept import counted_note, kept_row, sentence, share_lines

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


def kept_document(folder, collection, watched="all"):
    """The same for the report's documents: ready for JSON, with the `picture` as SVG; None where nothing was kept, `faults` alone where it cannot be read."""
    try:
        section = kept_section(folder, collection, watched)
    except RuntimeError as trouble:
        return {"lines": [str(trouble)], "sentences": [], "picture": ""}
    if section is None:
        return None
    return {"lines": [f"{line[0].upper()}{line[1:].rstrip('.')}." for line in section["lines"]], "sentences": [list(pair) for pair in section["sentences"]], "picture": _picture(section["kept"])}


def _picture(kept):
    """SVG to stand within a page: without the lines that only a file of its own has."""
    import io

    import matplotlib
    from matplotlib.figure import Figure

    from moltspan.plot.kept import plot_kept

    if not kept.firsts():
        return ""
    figure = Figure(layout="constrained")
    plot_kept(kept, figure.subplots())
    figure.set_size_inches(9.0, 1.6 + 0.3 * min(len(kept.firsts()), 40))
    out = io.StringIO()
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "moltspan"}):
        figure.savefig(out, format="svg", metadata={"Date": None}, transparent=True)
    text = out.getvalue()
    return text[text.index("<svg"):]
