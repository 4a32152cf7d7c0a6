"""What users typed stays text on the report, the plan and the terminal, and no request leaves the page."""

import base64
import hashlib
import re

import pandas as pd
from report_pages import NASTY, Page, nasty_page, records
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app
from moltspan.report.page import script as our_script


def only_our_script(page):
    """The one script of the page is that of the template, and the page allows no other to run."""
    (found,) = page.named("script")
    (policy,) = [e["content"] for e in page.named("meta") if e.get("http-equiv") == "Content-Security-Policy"]
    ours = base64.b64encode(hashlib.sha256(our_script().encode()).digest()).decode()
    return found["text"] == our_script() and policy.startswith(f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{ours}';")


def script(place):
    return f"<script>{place}</script>"


ANIMAL_FIELDS = ("taxon", "sex", "cohort", "hatched", "acquired", "matured", "died", "habit", "kept_as", "shelf", "note", "own column")
JOURNAL_FIELDS = ("animal", "date", "until", "event", "value", "unit", "on", "note", "own column")
FILES = {"taxa.csv": ("taxon", "habit", "world", "hazard", "adult_leg_span_mm", "pace", "after_maturity", "temperature_c"),
         "enclosures.csv": ("name", "w", "d", "h", "unit", "count")}


def scripted_folder(folder):
    """A folder with a script in each field of each table, a row each, and in folder.toml; beside them animals that are answered."""
    animals = [{"animal": "A1", "taxon": "Brachypelma hamorii"}, {"animal": script("name"), "taxon": "Brachypelma hamorii"}]
    animals += [{"animal": "J1"}] + [{"animal": f"in-{field}".replace(" ", "-"), field: script(field)} for field in ANIMAL_FIELDS]
    days = [{"animal": one["animal"], "date": day, "event": event, "value": value, "unit": unit} for one in animals
            for day, event, value, unit in (("2025-09-01", "molt", "", ""), ("2026-01-10", "shed it", "", ""),
                                            ("2026-01-12", "enclosure", "9x9x9", "cm"))]
    good = {"animal": "J1", "date": "2026-02-01", "event": "leg_span", "value": "5", "unit": "cm"}
    frames = {"animals.csv": pd.DataFrame(animals),
              "journal.csv": pd.DataFrame([*days, *({**good, field: script(field)} for field in JOURNAL_FIELDS)])}
    for name, fields in FILES.items():
        frames[name] = pd.DataFrame([{fields[0]: f"in {field}", field: script(field)} for field in fields])
    for name, frame in frames.items():
        frame.fillna("").to_csv(folder / name, index=False)
    (folder / "folder.toml").write_text('[events]\n"shed it" = "molt"\n"<script>word</script>" = "molt"\n', encoding="utf-8")
    return folder


def test_what_users_typed_is_escaped_and_kept():
    text = nasty_page()
    page = Page(text)
    assert {e["name"] for e in page.all} & {"img", "iframe", "link", "object"} == set() and only_our_script(page)
    assert not any(key.startswith("on") for e in page.all for key in e if key not in ("name", "text", "inside"))
    told = page.section("animals")["text"]
    for name in NASTY:
        assert name in told and f"<script>t</script> {name}" in told and f"Your note: <img src=x> {name}" in told
    assert "<b>bold</b>" in page.named("h1")[0]["text"]


def test_scripts_in_any_field_stay_text(tmp_path):
    out, sheet = tmp_path / "r.html", tmp_path / "plan.html"
    done = CliRunner().invoke(app, ["report", str(scripted_folder(tmp_path)), "--out", str(out), "--remark", script("remark")])
    assert done.exit_code == 1 and out.exists(), done.output  # many a script is no date, no sex, no event
    assert CliRunner().invoke(app, ["rehouse", str(tmp_path), "--sheet", str(sheet)]).exit_code == 1
    lines = CliRunner().invoke(app, ["today", str(tmp_path), "--remark", script("remark")])
    assert lines.exit_code == 1 and script("name") in lines.stdout
    page = Page(out.read_text(encoding="utf-8"))
    for found in (page, Page(sheet.read_text(encoding="utf-8"))):
        assert {"img", "iframe", "object"} & {e["name"] for e in found.all} == set() and script("name") in found.named("body")[0]["text"]
    assert only_our_script(page) and not Page(sheet.read_text(encoding="utf-8")).named("script")
    told = page.named("body")[0]["text"]
    shown = ("remark", "name", "taxon", "shelf", "sex", "hatched", "acquired", "matured", "died", "habit", "note", "animal", "date", "until", "event", "value",
             "unit", "on", "adult_leg_span_mm", "w", "count")
    assert [place for place in shown if script(place) not in told] == []
    fit = moltspan.fit(moltspan.read(tmp_path))
    for html in (fit._repr_html_(), fit.rehouse()._repr_html_(), fit.health._repr_html_() if hasattr(fit.health, "_repr_html_") else ""):
        assert "<script" not in html


def test_page_needs_nothing_else_and_is_small_with_30_animals():
    rows = [(f"A{i}", f"{year}-{month:02d}-{i % 27 + 1:02d}", "molt") for i in range(30) for year, month in ((2025, 3), (2025, 10), (2026, 4))]
    text = moltspan.report(records(rows))
    assert len(text.encode()) < 200_000  # 1 MiB is agreed for any page; 300 animals take ten times as much as 30
    assert len(Page(text).named("article")) == 30
    assert not re.search(r"https?:|//[a-z]|@import|\bsrc=|<link|fetch|XMLHttp|WebSocket|sendBeacon|import\(", text) and text.count("<script") == 1
