"""The calendar as SVG to stand inside a page: once for paper and wide screens, once for a phone."""

import io
import re
import warnings

from moltspan.tables import in_molt_order

WIDE_INCHES, PHONE_INCHES = 9.5, 4.0
ROW_INCHES, FRAME_INCHES = 0.32, 1.2
LONGEST_NAME, LONGEST_ON_PHONE = 22, 14  # a longer one would leave no room for the bars


def calendar_svgs(document):
    """(wide, phone): the same bands twice; a style shows one of them."""
    short = document | {"animals": [animal | {"animal": _shortened(animal["animal"]), "taxon": _shortened(animal["taxon"] or "")}
                                    for animal in document["animals"]]}
    bare = document | {"animals": [animal | {"animal": _shortened(animal["animal"], LONGEST_ON_PHONE), "taxon": None}
                                   for animal in document["animals"]]}
    return _calendar(short, WIDE_INCHES, "wide"), _calendar(bare, PHONE_INCHES, "phone")


def _shortened(text, letters=LONGEST_NAME):
    """Cut in the middle, as names that are alike mostly differ in a number at the end."""
    return text if len(text) <= letters else text[:letters - 6] + "\N{HORIZONTAL ELLIPSIS}" + text[-5:]


def _calendar(document, width_inches, name):
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    from moltspan.plots import plot_calendar

    lines = len(in_molt_order(document))
    figure = Figure((width_inches, FRAME_INCHES + ROW_INCHES * lines), layout="constrained")
    ax = plot_calendar(document, ax=figure.subplots(), title=" ")
    ax.get_legend().remove()  # the caption beside it says the same as text
    ax.xaxis.get_major_locator().maxticks = dict.fromkeys(ax.xaxis.get_major_locator().maxticks, 5 if name == "phone" else 10)
    out = io.StringIO()
    with warnings.catch_warnings(), rc_context({"svg.hashsalt": "moltspan"}):
        warnings.filterwarnings("ignore", message="Glyph")  # a letter that the font lacks is drawn as a box
        figure.savefig(out, format="svg", metadata={"Date": None}, transparent=True)
    label = f"Calendar of next molts of {lines} animals; every date stands in the text, animal by animal"
    return _embedded(out.getvalue(), name, label)


def _embedded(svg, name, label):
    """Without what belongs to a file of its own (prolog, metadata, fixed size), with names that no other picture shares."""
    svg = svg[svg.index("<svg"):]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.S)
    head, rest = svg.split(">", 1)
    head = re.sub(r'\s(?:xmlns(?::\w+)?|width|height|version)="[^"]*"', "", head)
    rest = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", rest)
    return f'{head} class="{name}" role="img" aria-label="{label}">{rest.rstrip()}'
