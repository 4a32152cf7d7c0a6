"""The rehousing plan as HTML: one page to print, and the short form for a notebook. Everything that comes from records is escaped by the templates."""

from moltspan.text.render import render
from moltspan.text.cautions import always, grouped_cautions, labels, sources_line, who
from moltspan.text.rehouse import ADVICE_WORDS, advice_words, box_text, grouped, number_text, outgrown_days, plan_title, safe_days, size_text
from moltspan.text.report import short_kind
from moltspan.text.verdict import silence_lines

STYLE = """
@page { size: A4; margin: 8mm 9mm }
* { box-sizing: border-box }
body { font: 1rem/1.4 "DejaVu Sans", Arial, sans-serif; color: #111; background: #fff; max-width: 60rem; margin: 0 auto; padding: .8rem; overflow-wrap: anywhere }
h1 { font-size: 1.25rem; line-height: 1.25; margin: 0 0 .4rem } h2 { font-size: 1rem; margin: 1.2rem 0 .3rem; border-bottom: 2px solid #111 }
p { margin: 0 0 .4rem } .sub, i { color: #444 } i { font-weight: 400 }
table { border-collapse: collapse; width: 100%; font-size: .85rem; overflow-wrap: break-word } caption { position: absolute; clip-path: inset(50%); width: 1px; height: 1px; overflow: hidden }
th { text-align: left } thead th { color: #444; font-weight: 600 } .who, .why { overflow-wrap: anywhere; min-width: 6rem }
th, td { padding: .25rem .6rem .25rem 0; vertical-align: top; border-bottom: 1px solid #bbb } .day, .w, td.num { white-space: nowrap }
.who { font-weight: 700 } .why { color: #222 } .box { display: inline-block; width: .9em; height: .9em; border: 1px solid #111; margin-right: .4em; vertical-align: -.1em }
ul { list-style: none; margin: 0; padding: 0 } li { break-inside: avoid; padding: .15rem 0 .15rem 1.3rem; text-indent: -1.3rem }
.conflict { background: #f2d9d9 } .last { border-top: 1px solid #111; margin-top: 1rem; padding-top: .3rem } .small { font-size: .8rem; color: #333 }
.beware { font-weight: 400; font-size: .8em; border: 1px solid #111; padding: 0 .25em }
@media screen and (max-width: 40rem) {
table, tbody, tr, th, td { display: block } thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%) }
tr { border-bottom: 1px solid #777; padding: .4rem 0 } th, td { border: 0; padding: .05rem 0 } td.num { white-space: normal }
td[data-label] { display: grid; grid-template-columns: 8rem minmax(0, 1fr) } td[data-label]::before { content: attr(data-label); color: #444 } td br { display: none }
td[data-label] .day { grid-column: 2 }
}
@media print {
body { font: 7.6pt/1.18 "Arial Narrow", "Liberation Sans Narrow", "DejaVu Sans Condensed", Arial, sans-serif; margin: 0; padding: 0; max-width: none }
h1 { font-size: 12pt; margin: 0 0 .5mm } h2 { font-size: 9pt; margin: 1.6mm 0 .5mm; border-bottom: .4mm solid #111; break-after: avoid } p { margin: 0 0 .5mm }
table { font-size: 7.4pt } th, td { padding: .4mm 1.5mm .4mm 0; border-bottom: .1mm solid #bbb } .who { min-width: 32mm } .why { font-size: 7pt; width: 42% } tr { break-inside: avoid }
.box { width: 2.8mm; height: 2.8mm; border: .25mm solid #111 } li { padding: 0 0 0 3.5mm; text-indent: -3.5mm } .beware { border: .2mm solid #111; padding: 0 .5mm }
.ready ul, .cautions ul, .small ul { columns: 2; column-gap: 5mm } .cautions, .ready { font-size: 6.9pt; line-height: 1.13 } .small { font-size: 6.2pt; line-height: 1.1 }
.last { border-top: .3mm solid #111; margin-top: 1mm; padding-top: .5mm } .conflict { print-color-adjust: exact; -webkit-print-color-adjust: exact }
}
"""
REASONS = 2  # shown for each animal that waits; the table of the plan holds all
MOVING = ("move_now",)
WAITING = ("conflict", "wait_hardening", "wait_premolt", "hold", "measure_first", "later")


def sheet_html(document, remark=None, kinds=None):
    """A whole page: the animals to move in order with boxes to tick, those that wait, the list to make ready, assumptions. `kinds`: `{animal: taxon}`."""
    return render("sheet.html", plan=_view(document, remark, kinds or {}), style=STYLE)


def plan_html(document, kinds=None):
    """The plan for a notebook."""
    return render("plan.html", plan=_view(document, None, kinds or {}))


def _view(document, remark, kinds):
    rows = {animal["animal"]: _row(animal, kinds.get(animal["animal"])) for animal in document["animals"]}
    moving, waiting = ([rows[animal["animal"]] for animal in _those(document, advice)] for advice in (MOVING, WAITING))
    deference = document["make_ready"][-1] if document["make_ready"] else ""
    return {"title": plan_title(document, remark), "silence": silence_lines(document), "rows": list(rows.values()), "moving": moving, "waiting": waiting,
            "cautions": [(who(names, document), text) for text, names in grouped_cautions(document)], "always": always(),
            "make_ready": document["make_ready"], "deference": deference,
            "staying": _staying(document), "assumptions": _assumptions(document)}


def _row(animal, taxon):
    shown = REASONS + 1 if animal["advice"] in MOVING else REASONS
    return {"name": animal["animal"], "kind": short_kind(taxon), "beware": labels(animal), "advice": advice_words(animal), "ratio": number_text(animal["ratio"], ".1f"),
            "safe": safe_days(animal), "outgrown": outgrown_days(animal), "why": "; ".join(animal["reasons"][:shown]), "conflict": animal["advice"] == "conflict",
            "span": number_text(animal["leg_span_mm"], ".0f", " mm"), "from": size_text(animal["enclosure_mm"]), "to": box_text(animal)}


def _those(document, kinds):
    return [animal for animal in document["animals"] if animal["advice"] in kinds]


def _staying(document):
    """Those that stay where they are, a kind of advice each."""
    told = [(ADVICE_WORDS[advice], [animal["animal"] for animal in _those(document, (advice,))]) for advice in ("fits", "final", "gone")]
    return [(text, names) for text, names in told if names]


def _assumptions(document):
    shown = document | {"animals": [animal for animal in document["animals"] if animal["advice"] not in ("gone",)]}
    lines = [f"{text}: {_names(names, len(shown['animals']))}" for text, names in grouped(shown, "assumptions")]
    return [*lines, "suggested sizes: middle or lower end of the target for the habit (assumption)", sources_line()]


def _names(names, n):
    return "all" if len(names) == n else ", ".join(names)
