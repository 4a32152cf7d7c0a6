"""Labels and growth records as HTML to print. The templates escape by themselves; only pictures that are drawn here are let through as they are."""

import io
import re
from datetime import date
from functools import cache

from moltspan.text import handover as words
from moltspan.text.tables import DEFERENCE
from moltspan._frames.visible import visible

LABELS = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{{ title }}</title><style>
@page { size: A4; margin: 8mm } * { box-sizing: border-box }
body { font: 8.5pt/1.25 "DejaVu Sans", Arial, sans-serif; color: #111; background: #fff; margin: 0 }
main { display: grid; grid-template-columns: repeat(auto-fill, 62mm); gap: 0 }
article { width: 62mm; min-height: 34mm; padding: 2mm; border: .2mm dashed #777; display: grid;
grid-template-columns: 1fr 21mm; grid-template-rows: auto 1fr; column-gap: 1.5mm; break-inside: avoid }
h2 { font-size: 13pt; line-height: 1.1; margin: 0; overflow-wrap: anywhere } p { margin: 0; overflow-wrap: anywhere } .kind { font-style: italic; margin-bottom: .6mm }
.code { grid-column: 2; grid-row: 1 / span 2; align-self: start } .code svg { width: 21mm; height: 21mm; display: block } .small { font-size: 6.5pt; color: #444 }
@media screen { body { margin: 5mm } }
</style></head><body><main>
{% for one in animals %}<article><h2>{{ one.name }}</h2><div class="code">{{ one.code }}</div><div><p class="kind">{{ one.kind or "" }}</p>
{% for what, text in one.lines %}<p>{{ what }}: {{ text }}</p>
{% endfor %}{% if remark %}<p class="small">{{ remark }}</p>{% endif %}</div></article>
{% endfor %}</main></body></html>
"""

RECORD = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{{ title }}</title><style>
@page { size: A4; margin: 12mm } * { box-sizing: border-box }
body { font: 9.5pt/1.35 "DejaVu Sans", Arial, sans-serif; color: #111; background: #fff; max-width: 186mm; margin: 5mm auto; padding: 0 3mm; overflow-wrap: anywhere }
header { display: flex; gap: 5mm; align-items: flex-start } header > div:first-child { flex: 1 } .code svg { width: 24mm; height: 24mm }
h1 { font-size: 17pt; margin: 0 0 1mm } h2 { font-size: 11pt; margin: 4mm 0 1mm; border-bottom: .4mm solid #111; break-after: avoid } p { margin: 0 0 1mm }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .3mm 4mm; margin: 0 } dt { color: #444 } dd { margin: 0 }
table { border-collapse: collapse; width: 100%; font-size: 8.5pt } th { text-align: left; color: #444 } 
th, td { padding: .5mm 2mm .5mm 0; border-bottom: .1mm solid #bbb; vertical-align: top }
th { overflow-wrap: normal } td span { white-space: nowrap } tr, li { break-inside: avoid }
figure { margin: 1mm 0 } figure svg { width: 100%; height: auto; max-height: 52mm }
ul { margin: 0; padding-left: 4mm; font-size: 8.5pt } .small { font-size: 8pt; color: #444 }
@media print { body { margin: 0; max-width: none; padding: 0 } }
</style></head><body><header><div><h1>{{ title }}</h1>
<dl>{% for what, text in head %}<dt>{{ what }}</dt><dd>{{ text }}</dd>{% endfor %}</dl></div><div class="code">{{ code }}</div></header>
<main><h2>Molts on record ({{ rows|length + earlier }})</h2>
{% if rows %}<table><thead><tr>{% for cell in columns %}<th scope="col">{{ cell }}</th>{% endfor %}</tr></thead><tbody>
{% for row in rows %}<tr>{% for cell in row %}<td>{% for part in cell.split('; ') %}<span>{{ part }}</span> {% endfor %}</td>{% endfor %}</tr>
{% endfor %}</tbody></table>{% else %}<p>None.</p>{% endif %}
{% if earlier %}<p class="small">and {{ earlier }} earlier ones, in the journal.</p>{% endif %}
{% if picture %}<figure>{{ picture }}</figure>{% endif %}
<h2>What to beware of</h2><ul>{% for text in cautions %}<li>{{ text }}</li>
{% endfor %}</ul></main>
<footer><p class="small">{{ deference }} Read off the keeper's records up to {{ as_of }}; days as year-month-day.{% if remark %} <b>{{ remark }}</b>{% endif %}</p></footer></body></html>
"""
MOST_ROWS = 16  # so that it stays one page


@cache
def _templates():
    from jinja2 import Environment
    from markupsafe import Markup

    def shown(value):
        return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    rules = Environment(autoescape=True, finalize=shown)
    return {"labels": rules.from_string(LABELS), "record": rules.from_string(RECORD)}


def labels_html(animals, remark=None):
    """The page of labels. `animals`: see `handover.animal_facts`."""
    told = [{"name": one["animal"], "kind": one["kind"], "lines": words.label_lines(one), "code": qr_svg(one["animal"])} for one in animals]
    title = f"{len(told)} label{'s' if len(told) != 1 else ''}" + (f" ({remark})" if remark else "")
    return _templates()["labels"].render(title=title, animals=told, remark=remark)


def record_html(facts, remark=None):
    """The growth record of an animal: its facts with `forecast`, `plan` and `as_of`."""
    rows = words.molt_rows(facts)
    title = f"Growth record: {facts['animal']}" + (f" ({remark})" if remark else "")
    return _templates()["record"].render(
        title=title, head=words.head_lines(facts), code=qr_svg(facts["animal"]), columns=words.MOLT_HEAD, rows=rows[-MOST_ROWS:],
        earlier=max(0, len(rows) - MOST_ROWS),
        picture=_picture(facts), cautions=words.caution_lines(facts), deference=DEFERENCE, as_of=facts["as_of"], remark=remark)


def qr_svg(name):
    """A QR code that holds the name and nothing else, as SVG; blank where the name is too long for one."""
    import segno
    from markupsafe import Markup

    try:
        code = segno.make(name, error="m", micro=False)
    except (segno.DataOverflowError, UnicodeEncodeError):
        return ""
    svg = code.svg_inline(border=2, dark="#000", light="#fff", omitsize=True)
    return Markup(svg.replace("<svg ", '<svg role="img" aria-label="QR code with the name" ', 1))


def _picture(facts):
    """Sizes by day in the measure that is shown; nothing with fewer than two."""
    from markupsafe import Markup

    own = [one for one in facts["sizes"] if one["measure"] == facts["measure"] and not one["on_skin"]]
    shown = sorted((date.fromisoformat(one["day"]), one["size"]) for one in own)
    if len(shown) < 2:
        return ""
    from matplotlib import rc_context
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
    from matplotlib.figure import Figure

    ax = Figure((7.2, 2.0), layout="constrained").subplots()
    for molt in facts["molts"]:
        ax.axvline(date.fromisoformat(molt["latest"]), color="#bbbbbb", linewidth=0.8, zorder=1)
    ax.plot(*zip(*shown, strict=True), color="#00587a", marker="o", markersize=4, linewidth=1.2, drawstyle="steps-post", zorder=2)
    ax.set_ylabel(f"{facts['measure'].replace('_', ' ')}, {'g' if facts['measure'] == 'mass' else 'mm'}")
    ax.set_title("Sizes as read; gray lines: molts", loc="left", fontsize="small")
    ax.xaxis.set_major_locator(locator := AutoDateLocator(minticks=3, maxticks=8))
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.spines[["top", "right"]].set_visible(False)
    out = io.StringIO()
    with rc_context({"svg.hashsalt": "moltspan"}):
        ax.figure.savefig(out, format="svg", metadata={"Date": None})
    return Markup(_embedded(out.getvalue()))


def _embedded(svg):
    """Without what belongs to a file of its own."""
    head, rest = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg"):], flags=re.S).split(">", 1)
    head = re.sub(r'\s(?:xmlns(?::\w+)?|width|height|version)="[^"]*"', "", head)
    return f'{head} role="img" aria-label="Sizes by day">{rest}'
