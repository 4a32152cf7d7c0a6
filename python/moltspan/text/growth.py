"""Words and tables of the growth of a collection, for a terminal and as plain text."""

import sys

from moltspan.text.tables import DEFERENCE, aligned, is_fault, problem_line
from moltspan.text.terminal import console_of, print_lines, print_table
from moltspan._frames.visible import visible

TAXA = ["kind", "measure", "animals", "growth ratio", "stadium median, days", "remarks"]
INSTARS = ["kind", "sex", "instar", "n", "mean", "sd", "geometric mean", "ratio", "pairs", "stadium median, days", "stadia"]


def growth_title(document, remark=None):
    when = f"Growth up to {document['as_of']}" if document["as_of"] else "Growth: no dated record yet"
    title = f"{when}, {document['level'] * 100:g} % intervals"
    return f"{title} ({remark})" if remark else title


def number(value, digits=4):
    return "-" if value is None else f"{value:.{digits}g}"


def with_limits(estimate, lower, upper, digits=4):
    """`1.31 (1.25 .. 1.38)`; the estimate alone where there are no limits."""
    if estimate is None:
        return "-"
    if lower is None and upper is None:
        return number(estimate, digits)
    return f"{number(estimate, digits)} ({number(lower, digits)} .. {number(upper, digits)})"


def taxon_row(taxon):
    ratio, stadium = taxon["ratio"] or {}, taxon["stadium"] or {}
    return [taxon["taxon"] or "not stated", taxon["measure"].replace("_", " "), str(taxon["animals"]),
            with_limits(ratio.get("estimate"), ratio.get("lower"), ratio.get("upper")),
            with_limits(stadium.get("median_days"), stadium.get("lower"), stadium.get("upper"), 3),
            "; ".join(filter(None, [*taxon["notes"], stadium.get("note")])) or "-"]


def instar_row(row):
    return [row["taxon"] or "not stated", row["sex"], number(row["instar"]), str(row["n"]), number(row["mean"]), number(row["sd"]),
            with_limits(row["geometric_mean"], row["lower"], row["upper"]), with_limits(row["ratio"], row["ratio_lower"], row["ratio_upper"]),
            str(row["ratio_n"]), with_limits(row["median_days"], row["median_lower"], row["median_upper"], 3), str(row["stadia_n"])]


def plain_growth(document, remark=None):
    """The whole answer as plain text."""
    if not document["taxa"]:
        return f"{growth_title(document, remark)}\n{NOTHING}\n"
    lines = [growth_title(document, remark), "", *aligned(TAXA, map_rows(taxon_row, document["taxa"]))]
    lines += ["", "Per instar and sex", *aligned(INSTARS, map_rows(instar_row, document["instars"]))]
    doubts = doubt_lines(document)
    if doubts:
        lines += ["", "Answered, but doubtful", *doubts]
    return visible("\n".join([*lines, "", *CLOSING, DEFERENCE]) + "\n", keep="\n")


def doubt_lines(document):
    return [problem_line(problem) for problem in document["problems"] if not is_fault(problem)]


def rich_growth(document, console, remark=None):
    """The same for a terminal, within its width: remarks, and what else has no room, stand below the tables."""
    if not document["taxa"]:
        return print_lines(console, [growth_title(document, remark), NOTHING])
    print_table(console, TAXA, map_rows(taxon_row, document["taxa"]), ("remarks", "measure", "animals", "stadium median, days"), title=growth_title(document, remark),
                bare=("remarks",))
    console.print("\nPer instar and sex", style="bold")
    kinds = {}
    for row in map_rows(instar_row, document["instars"]):
        kinds.setdefault(row[0], []).append(row[1:])
    for kind, rows in kinds.items():
        console.print()
        print_table(console, INSTARS[1:], rows, ("mean", "sd", "stadia", "pairs", "geometric mean", "n", "stadium median, days"), title=kind,
                    label=2)
    doubts = doubt_lines(document)
    if doubts:
        console.print("\nAnswered, but doubtful", style="bold")
        print_lines(console, doubts, "yellow")
    console.print()
    print_lines(console, [*CLOSING, DEFERENCE], "dim")


NOTHING = "no molt and no size on record: there is nothing to tell yet"
CLOSING = [
    "growth ratio: size after a molt over size before it; from 3 animals with 3 readings each on that of the kind (mixed model, REML), with "
    "fewer that of these animals alone (least squares of log size with an intercept an animal), whose limits are narrower for that reason.",
    "stadium median: no family of distributions assumed (Turnbull), bootstrap limits; - = not reached or not known.",
    "A row without an instar holds animals whose instar is not on record; sizes in mm, mass in g.",
]


def map_rows(cells, rows):
    return [cells(row) for row in rows]


def print_growth(document, remark=None, out=None):
    """Writes the answer for whoever reads `out`: a person at a terminal, or a file or pipe."""
    out = out or sys.stdout
    if out.isatty():
        rich_growth(document, console_of(out), remark)
    else:
        out.write(plain_growth(document, remark))
