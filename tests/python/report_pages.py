"""What the tests of the report share: its page parsed, the demo's page, a browser to look at pages with."""

import json
import re
import shutil
import subprocess
import tempfile
from functools import cache
from html import escape, unescape
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app

DEMO = Path(__file__).resolve().parents[2] / "demo" / "collection"
REMARK = "invented records"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
VOID = {"meta", "path", "use", "rect", "br", "link", "img", "hr", "input", "circle", "line"}


class Page(HTMLParser):
    """Elements with their text, in order."""

    def __init__(self, text):
        super().__init__()
        self.open, self.all = [], []
        self.feed(text)
        assert not self.open, "every element is closed"

    def handle_starttag(self, name, attributes):
        element = {**dict(attributes), "name": name, "text": "", "inside": [*self.open]}
        self.all.append(element)
        if name not in VOID:
            self.open.append(element)

    def handle_startendtag(self, name, attributes):
        self.all.append({**dict(attributes), "name": name, "text": "", "inside": [*self.open]})

    def handle_endtag(self, name):
        if name not in VOID:
            assert self.open.pop()["name"] == name
        if name in ("td", "th", "li", "p", "h2", "h3", "caption"):  # words of neighbors do not run together
            self.handle_data(" ")

    def handle_data(self, text):
        for element in self.open:
            element["text"] += text.replace("\xa0", " ")  # numbers and units are kept together

    def named(self, name):
        return [element for element in self.all if element["name"] == name]

    def section(self, place):
        return next(element for element in self.named("section") if element["aria-labelledby"] == place)

    def rows(self, place):
        """The cells of the table rows of one section."""
        wanted = [e for e in self.all if e["name"] in ("th", "td") and self.section(place) in e["inside"] and e.get("scope") != "col"]
        rows = {}
        for cell in wanted:
            rows.setdefault(id(next(e for e in cell["inside"] if e["name"] == "tr")), []).append(cell["text"])
        return list(rows.values())


@cache
def demo_answer():
    """(text, parsed page, JSON) of the demo collection as the command writes them."""
    folder = Path(tempfile.mkdtemp())
    done = CliRunner().invoke(app, ["report", str(DEMO), "--as-of", "2026-09-20", "--out", str(folder / "r.html"), "--json", str(folder / "r.json"), "--remark", REMARK])
    assert done.exit_code == 1, done.output  # one row of the demo is faulty on purpose
    assert REMARK in done.output and "animal S3" in done.output
    text, document = ((folder / name).read_text(encoding="utf-8") for name in ("r.html", "r.json"))
    shutil.rmtree(folder)
    return text, Page(text), json.loads(document)


def percent(p):
    return "<1 %" if p < 0.005 else ">99 %" if p > 0.995 else f"{100 * p:.0f} %"


def records(rows, **columns):
    """A collection of rows (animal, date, event, value, unit)."""
    names = list(dict.fromkeys(row[0] for row in rows))
    animals = pd.DataFrame({"animal": names, "taxon": "Brachypelma hamorii", "note": ""} | columns)
    padded = [(*row, *[""] * (5 - len(row))) for row in rows]
    return moltspan.Collection(animals, pd.DataFrame(padded, columns=["animal", "date", "event", "value", "unit"]))


def short(taxon):
    genus, _, rest = taxon.partition(" ")
    return f"{genus[0]}. {rest}"


NASTY = ['<script>alert(1)</script>', '"onload="x', "$x^{$", "a&amp;b", "W" * 90]


def nasty_page():
    rows = [(name, day, "molt") for name in NASTY for day in ("2025-09-01", "2026-01-10", "2026-05-01")]
    return moltspan.report(records(rows, taxon=[f"<script>t</script> {name}" for name in NASTY], note=[f"<img src=x> {name}" for name in NASTY]),
                           remark="<b>bold</b> invented records")


AUDIT = (Path(__file__).parent / "page_audit.js").read_text(encoding="utf-8")


def browse(folder, *options):
    assert CHROMIUM, "the pages are looked at in chromium: install Debian's package of that name, as ./tests/run does"
    command = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}", *options]
    return subprocess.run(command, capture_output=True, text=True, timeout=120).stdout


def in_frames(folder, pages, script):
    """What the expression `script` gives, as text, inside each of `pages` (name -> (width, HTML)), all of them in one window of the browser.

    In a frame of that width, as a window of the browser is never narrower than 500 px.
    """
    parts = []
    for name, (width, text) in pages.items():
        report = f"<script>addEventListener('load', () => parent.document.getElementById('{name}').textContent = {script})</script></body>"
        inner = escape(re.sub('<meta http-equiv="Content-Security-Policy"[^>]*>', "", text).replace("</body>", report))  # which would stop ours
        parts.append(f'<p id="{name}"></p><iframe width={width} height=900 style="border:0" srcdoc="{inner}"></iframe>')
    (folder / "frames.html").write_text('<!DOCTYPE html><meta charset="utf-8">' + "".join(parts), encoding="utf-8")
    seen = browse(folder, "--window-size=1400,900", "--dump-dom", f"file://{folder}/frames.html")
    return {name: unescape(re.search(rf'<p id="{name}">(.*?)</p>', seen, re.S)[1]) for name in pages}


def both_widths(**pages):
    return {f"{name}{width}": (width, text) for name, text in pages.items() for width in (360, 1280)}


def pages_of_paper(folder, text):
    """How many pages of paper a browser prints of a page."""
    (folder / "printed.html").write_text(text, encoding="utf-8")
    browse(folder, f"--print-to-pdf={folder / 'printed.pdf'}", f"file://{folder}/printed.html")
    return len(re.findall(rb"/Type\s*/Page\b", (folder / "printed.pdf").read_bytes()))


def band_80(animal):
    band = next(band for band in animal["next_molt"]["bands"] if band["level"] == 0.8)
    return band["from"], band["to"]
