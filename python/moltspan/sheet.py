"""The rehousing plan as HTML: one page to print, and the short form for a notebook. Everything that comes from records is escaped."""

from moltspan.tables_cautions import always, grouped_cautions, labels, sources_line, who
from moltspan.tables_rehouse import ADVICE_WORDS, advice_words, box_text, grouped, number_text, outgrown_days, plan_title, safe_days, size_text
from moltspan.tables_verdict import silence_lines
from moltspan.visible import html as escape

STYLE = """
@page { size: A4; margin: 9mm 10mm }
* { box-sizing: border-box }
body { font: 9pt/1.25 "DejaVu Sans", Arial, sans-serif; color: #111; max-width: 190mm; margin: 6mm auto }
h1 { font-size: 14pt; margin: 0 0 1mm } h2 { font-size: 10pt; margin: 3mm 0 1mm; border-bottom: .5mm solid #111 }
p { margin: 0 0 1mm } .sub { color: #444 }
table { border-collapse: collapse; width: 100% } th { text-align: left; font-size: 8pt; color: #444; font-weight: 600 }
th, td { padding: .7mm 1.5mm .7mm 0; vertical-align: top; border-bottom: .1mm solid #bbb } .day, td.num, td.who { white-space: nowrap }
.who { font-weight: 700 } .why { font-size: 7.5pt; color: #222 } .box { display: inline-block; width: 3.2mm; height: 3.2mm; border: .3mm solid #111;
margin-right: 1.5mm; vertical-align: -.4mm } ul { list-style: none; margin: 0; padding: 0 } li { break-inside: avoid; padding-left: 5mm; text-indent: -5mm }
.conflict { background: #f2d9d9 } .ready ul { columns: 2; column-gap: 6mm } .ready { font-size: 8pt } .small ul { columns: 2; column-gap: 5mm } .small, .small li { font-size: 7pt; color: #333 } .last { border-top: .3mm solid #111; margin-top: 3mm; padding-top: 1mm }
.beware { font-weight: 400; font-size: 7pt; border: .2mm solid #111; padding: 0 .7mm } .cautions { font-size: 8pt } .cautions ul { columns: 2; column-gap: 6mm }
tr { break-inside: avoid } h2 { break-after: avoid }
@media print { body { font-size: 8pt; margin: 0; max-width: none } .conflict { print-color-adjust: exact; -webkit-print-color-adjust: exact } }
"""
REASONS = 2  # shown for each animal that waits; the table of the plan holds all
MOVING = ("move_now",)
WAITING = ("conflict", "wait_hardening", "wait_premolt", "hold", "measure_first", "later")


def sheet_html(document, remark=None):
    """A whole page: the animals to move in order with boxes to tick, those that wait, the list to make ready, assumptions."""
    title = escape(plan_title(document, remark))
    return (f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>{STYLE}</style></head>'
            f"<body><h1>{title}</h1>{_body(document)}</body></html>\n")


def plan_html(document):
    """The plan for a notebook."""
    cautions = "".join(_cautions(document))
    return f"<div><div><b>{escape(plan_title(document))}</b></div>{_table(document['animals'])}{cautions}{_list(document['make_ready'])}</div>"


def _body(document):
    moving, waiting = (_those(document, kinds) for kinds in (MOVING, WAITING))
    parts = [f'<p class="sub">{escape(line)}</p>' for line in silence_lines(document)]
    parts += [_heading("To move, in this order", moving), _moves(moving)] if moving else []
    parts += _cautions(document)
    *ready, deference = document["make_ready"]
    parts += ["<h2>Make ready, and close with</h2>", f'<div class="ready">{_list(ready, ticked=True)}</div>']
    if waiting:
        parts += [_heading("Not now", waiting), _table(waiting)]
    parts += [_rest(document), "<h2>[a] Assumptions, and common practice without a source</h2>", _assumptions(document),
              f'<p class="last">{escape(deference)}</p>']
    return "".join(parts)


def _cautions(document):
    """Of every animal that the page names, those of later sittings and those that stay among them."""
    lines = [f"<b>{escape(who(names, document))}</b>: {escape(text)}" for text, names in grouped_cautions(document)]
    items = "".join(f"<li>{line}</li>" for line in [*lines, *map(escape, always())])
    return ["<h2>Cautions</h2>", f'<div class="cautions"><ul>{items}</ul></div>']


def _named(animal):
    """Its name, and in a word what to beware of."""
    beware = labels(animal)
    return escape(animal["animal"]) + (f' <span class="beware">{escape(beware)}</span>' if beware else "")


def _those(document, kinds):
    return [animal for animal in document["animals"] if animal["advice"] in kinds]


def _heading(text, animals):
    return f"<h2>{text} ({len(animals)})</h2>"


def _moves(animals):
    rows = [(f'<td class="who"><span class="box"></span>{i}. {_named(animal)}</td>',
             f"<td class=num>{number_text(animal['leg_span_mm'], '.0f', ' mm')}</td>",
             f"<td class=num>{size_text(animal['enclosure_mm'])}</td><td>{_in_lines(box_text(animal), ', ')}</td>",
             f"<td>{_in_lines(safe_days(animal), ' .. ')}</td>",
             f'<td class="why">{_why(animal)}</td>') for i, animal in enumerate(animals, 1)]
    return _rows(("animal", "leg span", "from", "to [a]", "safe days [a]", "why"), rows)


def _table(animals):
    rows = [(f'<td class="who">{_named(animal)}</td>', f"<td>{escape(advice_words(animal))}</td>",
             f"<td class=num>{number_text(animal['ratio'], '.1f')}</td><td>{_in_lines(safe_days(animal), ' .. ')}</td>",
             f"<td>{_in_lines(outgrown_days(animal), ' (')}</td>", f'<td class="why">{_why(animal)}</td>') for animal in animals]
    kinds = [animal["advice"] for animal in animals]
    return _rows(("animal", "advice", "floor ratio", "safe days [a]", "outgrown by [a]", "why"), rows, kinds)


def _in_lines(text, at):
    """Dates whole, a line each."""
    first, mark, rest = text.partition(at)
    return f'<span class="day">{escape(first)}</span>' + (f'<br><span class="day">{escape(mark.lstrip() + rest)}</span>' if mark else "")


def _why(animal):
    shown = REASONS + 1 if animal["advice"] in MOVING else REASONS
    return escape("; ".join(animal["reasons"][:shown]))


def _rows(header, rows, kinds=None):
    top = "".join(f"<th>{cell}</th>" for cell in header)
    marked = [' class="conflict"' if kind == "conflict" else "" for kind in kinds or [""] * len(rows)]
    body = "".join(f"<tr{mark}>{''.join(cells)}</tr>" for mark, cells in zip(marked, rows, strict=True))
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def _list(texts, ticked=False):
    tick = '<span class="box"></span>' if ticked else ""
    return "<ul>" + "".join(f"<li>{tick}{escape(text)}</li>" for text in texts) + "</ul>"


def _rest(document):
    """Those that stay where they are, in a line a kind of advice."""
    lines = []
    for advice in ("fits", "final", "gone"):
        names = [animal["animal"] for animal in _those(document, (advice,))]
        if names:
            lines.append(f"<p><b>{ADVICE_WORDS[advice]}</b> ({len(names)}): {escape(', '.join(names))}</p>")
    return "<h2>Stay, or are gone</h2>" + "".join(lines) if lines else ""


def _assumptions(document):
    shown = document | {"animals": [animal for animal in document["animals"] if animal["advice"] not in ("gone",)]}
    lines = [f"{text}: {_names(names, len(shown['animals']))}" for text, names in grouped(shown, "assumptions")]
    lines += ["suggested sizes: middle or lower end of the target for the habit (assumption)", sources_line()]
    return f'<div class="small">{_list(lines)}</div>'


def _names(names, n):
    return "all" if len(names) == n else ", ".join(names)
