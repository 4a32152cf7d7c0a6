"""The report page: its numbers against the JSON documents, escaping, size, and how it lies on a phone, a screen and paper.

What a page must have to be read by everyone (language, title, headings in order, scope, names of pictures, contrast of 4.5) is from the
Web Content Accessibility Guidelines 2.1 (W3C Recommendation, criteria 1.1.1, 1.3.1, 1.4.3, 1.4.10, 2.4.2, 3.1.1).
"""

import base64
import hashlib
import json
import re
import shutil
import subprocess
from collections import Counter
from html import escape, unescape
from html.parser import HTMLParser
from pathlib import Path

import hand_made_forecast
import pandas as pd
import pytest
from typer.testing import CliRunner

import moltspan
from moltspan.command_line import app
from moltspan.report_documents import report_documents
from moltspan.report_page import page_html
from moltspan.report_page import script as our_script
from moltspan.report_style import DARK, GROUNDS, LETTERS, LIGHT, STYLE
from moltspan.report_svg import Axis
from moltspan.tables_cautions import sources_line
from moltspan.tables_rehouse import advice_words
from moltspan.tables_verdict import silence_lines, verdict_words

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


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """(text, parsed page, JSON) as the command writes them."""
    folder = tmp_path_factory.mktemp("report")
    done = CliRunner().invoke(app, ["report", str(DEMO), "--as-of", "2026-09-20", "--out", str(folder / "r.html"), "--json", str(folder / "r.json"), "--remark", REMARK])
    assert done.exit_code == 1, done.output  # one row of the demo is faulty on purpose
    assert REMARK in done.output and "animal S3" in done.output
    text = (folder / "r.html").read_text(encoding="utf-8")
    return text, Page(text), json.loads((folder / "r.json").read_text(encoding="utf-8"))


def percent(p):
    return "<1 %" if p < 0.005 else ">99 %" if p > 0.995 else f"{100 * p:.0f} %"


def records(rows, **columns):
    """A collection of rows (animal, date, event, value, unit)."""
    names = list(dict.fromkeys(row[0] for row in rows))
    animals = pd.DataFrame({"animal": names, "taxon": "Brachypelma hamorii", "note": ""} | columns)
    padded = [(*row, *[""] * (5 - len(row))) for row in rows]
    return moltspan.Collection(animals, pd.DataFrame(padded, columns=["animal", "date", "event", "value", "unit"]))


def made_by_hand():
    plan = {"as_of": "2026-09-20", "on": "2026-09-20", "last_entry": "2026-09-20", "animals": [], "make_ready": ["nothing"]}
    return {"forecast": hand_made_forecast.document(), "rehouse": plan, "backtest": None, "why_no_backtest": "two stadia only", "health": []}


def test_json_holds_the_documents_of_the_other_commands(demo):
    fit = moltspan.fit(moltspan.read(DEMO))
    same = json.loads(json.dumps({"forecast": moltspan.forecast_document(fit), "rehouse": fit.rehouse().document}))
    assert {name: demo[2][name] for name in same} == same  # the same run twice: to the last digit
    assert demo[2]["remark"] == REMARK and demo[2]["why_no_backtest"] is None


def test_backtest_is_that_of_the_fit_s_own_options_and_days():
    days = [(i, 70 * k + 3 * i + (7 * k * k + 5 * i) % 23) for i in range(4) for k in range(9)]
    rows = [(f"A{i}", str(pd.Timestamp("2024-01-01") + pd.Timedelta(days=day)).split()[0], "molt") for i, day in days]
    collection = records(rows)
    fit = moltspan.fit(collection, as_of="2025-03-01", watched="rows", family="weibull")
    alone = moltspan.backtest(collection, as_of="2025-03-01", watched="rows", family="weibull").document()
    assert report_documents(fit, look_back="all")["backtest"] == alone and alone["forecasts"] > 0


def test_looking_back_is_limited_and_what_is_left_out_is_said(demo):
    """By hand: the demo's year ends on 20 September 2026; three days of it, evenly from its beginning."""
    _, page, document = demo
    assert document["backtest"]["origins"] == ["2025-09-20", "2026-01-19", "2026-05-21"]
    assert "Only 3 days of the last year are looked back on here; moltspan backtest FOLDER" in page.section("so-far")["text"]
    many = records([(f"A{i}", f"2026-0{month}-{i % 27 + 1:02d}", "molt") for i in range(31) for month in (1, 3, 5)])
    told = Page(moltspan.report(many)).section("so-far")["text"]
    assert "Past forecasts were not scored: left out, as looking back takes far longer than the page; moltspan backtest FOLDER" in told
    few = records([(f"A{i}", f"2026-0{month}-{i + 1:02d}", "molt") for i in range(4) for month in (1, 3, 5)])
    assert "left out" in Page(moltspan.report(few, look_back="none")).section("so-far")["text"]
    with pytest.raises(ValueError, match="recent, all, none"):
        moltspan.report(few, look_back="often")


def test_a_backtest_that_finds_no_fit_leaves_the_rest_of_the_page(monkeypatch):
    def no_fit(*_, **__):
        raise RuntimeError("no posterior on a past day")

    monkeypatch.setattr(moltspan, "backtest", no_fit)
    page = Page(moltspan.report(records([("A1", "2026-01-01", "molt"), ("A1", "2026-05-01", "molt")])))
    assert "Past forecasts were not scored: no posterior on a past day." in page.section("so-far")["text"]
    assert [row[0] for row in page.rows("feeding")] == ["A1"]


def test_each_animal_has_a_passage_with_the_numbers_of_the_json(demo):
    _, page, document = demo
    spans = {animal["animal"]: animal["leg_span_mm"] for animal in document["rehouse"]["animals"]}
    assumptions = {animal["animal"]: animal["assumptions"] for animal in document["rehouse"]["animals"]}
    shared = Counter(note[1:] for one in document["forecast"]["animals"] for note in one["notes"])
    articles = {e["text"].split(" (")[0]: e["text"] for e in page.named("article")}
    assert set(articles) == {animal["animal"] for animal in document["forecast"]["animals"]}
    for animal in document["forecast"]["animals"]:
        text, molt, last = articles[animal["animal"]], animal["next_molt"], animal["last_molt"]
        expected = [f"about {spans[animal['animal']]:.0f} mm"] if spans[animal["animal"]] is not None else []
        expected += [last["earliest"], last["latest"], f"{animal['days_since_molt']['max']} days)"] if last else []
        assert ("No molt on record" in text) == (last is None and molt is not None)
        if molt:
            band = next(band for band in molt["bands"] if band["level"] == 0.8)
            expected += [f"Even odds by {molt['median']}, 80 % {band['from']} to {band['to']}."]
            expected += [f"{days} days {percent(chance)}" for days, chance in animal["chance_within_days"].items()]
            expected += [f"{animal['basis']['own_stadia']} own time", f"and {animal['basis']['taxon_stadia']} of its kind",
                         f"{percent(animal['basis']['own_weight'])} of it on its own"]
        else:
            expected.append(animal["why_no_forecast"])
        assumed = assumptions[animal["animal"]]
        notes = [note[1:] for note in animal["notes"] if not any(one.startswith(note) for one in assumed)]
        assert all(note in text or (note in page.section("animals")["text"] and shared[note] >= 4) for note in notes)
        expected += [f"{high}" for _, high in document["past"][animal["animal"]]["times_days"][-6:]]
        assert [piece for piece in expected if piece not in text] == []
        known = re.findall(r"\d{4}-\d\d-\d\d", json.dumps(animal))
        assert set(re.findall(r"\d{4}-\d\d-\d\d", text)) <= set(known), animal["animal"]  # and no date of another origin


def test_week_ahead_is_all_chances_of_the_json(demo):
    _, page, document = demo
    chances = {a["animal"]: a["chance_within_days"]["7"] for a in document["forecast"]["animals"] if a["next_molt"]}
    likely = sorted((name for name in chances if chances[name] >= 0.05), key=lambda name: -chances[name])
    assert [(row[0], row[2]) for row in page.rows("week")] == [(name, percent(chances[name])) for name in likely] and likely
    rest = page.section("week")["text"].split("Under 5 % each: ")[1].rstrip(". ").split(", ")
    assert sorted([*likely, *rest]) == sorted(chances)


def test_feeding_round_names_every_living_animal_once(demo):
    _, page, document = demo
    rows = {row[0]: row[4] for row in page.rows("feeding")}
    living = [a for a in document["forecast"]["animals"] if a["phase"] not in ("dead", "gone") and a["animal"] != "S3"]
    assert list(sorted(rows)) == sorted(a["animal"] for a in living) and len(rows) == len(page.rows("feeding"))
    for animal in living:
        verdict = animal["verdict"]
        assert rows[animal["animal"]] == verdict["why" if verdict["feeding"] == "lightly" else "feeding_why"]
        if animal["verdict"]["feeding"] == "offer":
            assert rows[animal["animal"]] == f"since {animal['feed_from']}"
    assert "S3: not answered: set aside" in page.section("feeding")["text"]
    assert rows["D1"] == "egg sac since 2026-08-02: left in peace"


def test_food_is_held_lightly_with_an_egg_sac():
    """A sac counts for 120 days, until the next molt (`shared/housing.toml`: common practice, no source); the wait after a molt comes first."""
    molted = [(name, day, "molt") for name in ("sac", "molted", "old", "fresh", "none") for day in ("2025-01-10", "2026-01-10")]
    sacs = [("sac", "2026-05-01", "egg_sac"), ("molted", "2025-12-01", "egg_sac"), ("old", "2026-01-20", "egg_sac"),
            ("fresh", "2026-05-30", "molt"), ("fresh", "2026-05-31", "egg_sac")]
    collection = records([*molted, *sacs, *((name, "2026-06-01", "checked") for name, *_ in molted)], sex="female")
    page = Page(moltspan.report(collection))
    rows = {row[0]: row[4] for row in page.rows("feeding")}
    assert rows["sac"] == "egg sac since 2026-05-01: left in peace" and all(rows[name].startswith("since") for name in ("molted", "old", "none"))
    assert rows["fresh"].startswith("from ")
    assert "Little (1)" in page.section("feeding")["text"] and "common practice, no source" in page.section("feeding")["text"]


def short(taxon):
    genus, _, rest = taxon.partition(" ")
    return f"{genus[0]}. {rest}"


def span(first, last):
    return "-" if first is None else f"from {first}" if last is None else first if first == last else f"{first} .. {last}"


def span_or_after(one):
    after = one["safe_after_molt_days"]
    return f"day {after[0]} to {after[1]} after its molt" if after else span(one["safe_from"], one["safe_until"])


def box(sides, name=None):
    return "-" if sides is None else ", ".join(filter(None, [name, " x ".join(f"{side:.0f}" for side in sides) + " mm"]))


def shown(value, form):
    return "-" if value is None else format(value, form)


def outgrown_cell(outgrown):
    never = outgrown["chance_never"] if (outgrown["chance_never"] or 0) >= 0.05 else 0
    rest = f"; not in its life: {percent(never)}" if never else ""
    band = next((band for band in outgrown["bands"] if band["level"] == 0.8), None)
    if outgrown["chance_next_molt"] == 1:
        return "now"
    if band and outgrown["median"]:
        return f"{outgrown['median']} ({band['from']} .. {band['to'] or ('never' if never else 'later')}){rest}"
    return f"{percent(outgrown['chance_next_molt'])} at next molt{rest}" if outgrown["chance_next_molt"] else "-"


def test_every_cell_of_the_plan_is_that_of_the_json(demo):
    _, page, document = demo
    animals = document["rehouse"]["animals"]
    moving = [one for one in animals if one["advice"] == "move_now"]
    waiting = [one for one in animals if one["advice"] not in ("move_now", "fits", "final", "gone")]
    kinds = {one["animal"]: short(one["taxon"]) for one in document["forecast"]["animals"]}
    expected = [[one["animal"], kinds[one["animal"]], f"{one['leg_span_mm']:.0f} mm", box(one["enclosure_mm"]), box(one["suggested"]["mm"], one["suggested"]["name"]),
                 span(one["safe_from"], one["safe_until"])] for one in moving]
    expected += [[one["animal"], kinds[one["animal"]], advice_words(one), shown(one["ratio"], ".1f"), span_or_after(one), outgrown_cell(one["outgrown"])] for one in waiting]
    rows = page.rows("moves")
    assert moving and waiting and [row[:-1] for row in rows] == expected
    for row, one in zip(rows, [*moving, *waiting], strict=True):
        assert row[6] in "; ".join(one["reasons"])
    told = page.section("moves")["text"]
    assert all(one["animal"] in told for one in animals) and all(text in told for text in document["rehouse"]["make_ready"])


def test_every_cell_of_the_backtest_is_that_of_the_json(demo):
    _, page, document = demo
    tested = document["backtest"]
    expected = [[f"{100 * row['level']:g} %", f"{100 * row['mean']:.1f} % ({100 * row['standard_error']:.1f})", str(row["cases"]),
                 str(row["animals"])] for row in tested["coverage"]]
    expected += [[row["rule"], str(row["rule_days"]["cases"]), f"{row['rule_days']['mean']:.1f}", f"{row['forecast_days']['mean']:.1f}",
                  f"{row['gain_days']['mean']:+.1f} ({row['gain_days']['standard_error']:.1f})",
                  f"{100 * row['gain_share']:+.0f} % ({100 * row['gain_share_error']:.0f})"] for row in tested["rules"]]
    assert page.rows("so-far") == expected
    told = page.section("so-far")["text"]
    assert f"{tested['forecasts']} forecasts from {len(tested['origins'])} past days, {tested['origins'][0]} to {tested['origins'][-1]}" in told
    assert f"seen later for {tested['molt_seen']}." in told


def test_every_cell_of_the_week_and_the_feeding_round_is_that_of_the_json(demo):
    _, page, document = demo
    animals = {one["animal"]: one for one in document["forecast"]["animals"]}
    for row in page.rows("week"):
        one = animals[row[0]]
        assert row[1:] == [one["taxon"], percent(one["chance_within_days"]["7"]), verdict_words(one), one["next_molt"]["median"]]
    for row in page.rows("feeding"):
        one = animals[row[0]]
        assert row[1] == short(one["taxon"]) and row[5] == (percent(one["chance_within_days"]["7"]) if one["next_molt"] else "molts no more")
        meal = document["meals"][row[0]]
        assert row[2].split(",")[0] == (meal["last_meal"] or "-") and row[3].split(" (")[0] == (meal["refused"] or ["-"])[-1]
    offered = [animals[row[0]] for row in page.rows("feeding") if animals[row[0]]["verdict"]["feeding"] == "offer"]
    meals = [document["meals"][one["animal"]]["last_meal"] or "" for one in offered]
    assert meals == sorted(meals) and len(set(meals)) > 3  # who ate longest ago comes first


def leaves(value):
    """Every text and number inside a document."""
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return [value] if inside is None else [leaf for one in inside for leaf in leaves(one)]


def ways_to_write(value):
    if isinstance(value, bool) or value is None:
        return []
    if isinstance(value, str):
        return re.findall(NUMBER, value)
    return [f"{factor * value:{form}}" for factor in (1, 100) for form in (".0f", ".1f", "g")]


NUMBER = r"\d{4}-\d\d-\d\d|\d+(?:\.\d+)?"
# numbers that are words of the page itself: limits and days that its sentences name
WORDS = {"header": [], "today": [], "week": ["7", "5"], "calendar": ["1", "2", "3", "6"], "feeding": ["7"], "moves": ["80"], "records": [], "so-far": [],
         "assumptions": ["80", "14", "30"], "animals": ["80", "7", "14", "30", "90", "1", "20", "99"], "footer": []}


def test_the_page_holds_no_number_of_another_origin(demo):
    """Word by word: what stands on the page is in the document, as it is or rounded, in the part that speaks of the same thing."""
    _, page, document = demo
    forecast, plan = document["forecast"], document["rehouse"]
    of_animal = {one["animal"]: [one] for one in forecast["animals"]}
    for one in plan["animals"]:
        of_animal[one["animal"]] += [one, document["past"][one["animal"]]["times_days"]]
    today = moltspan.tables_today.today_lines(forecast, plan, document["meals"])
    ticks = [day for *_, day in Axis(forecast).ticks()]
    notes = dict(moltspan.read(DEMO).animals[["animal", "note"]].fillna("").itertuples(index=False))
    pieces = [(e["text"], "animals", [of_animal[e["text"].split(" (")[0]], notes[e["text"].split(" (")[0]]]) for e in page.named("article")]
    sources = {"header": [forecast["as_of"], document["remark"], silence_lines(forecast)], "today": [today, forecast["on"]], "week": forecast["animals"], "calendar": [forecast["levels"], forecast["on"], ticks, forecast["animals"]], "feeding": document,
               "moves": plan, "records": forecast["problems"], "so-far": [document["backtest"], document["backtest_left_out"]],
               "assumptions": [plan, document["health"], sources_line()], "footer": []}
    names = [name for name in of_animal]
    pieces += [(page.named(name)[0]["text"] if name in ("header", "footer") else page.section(name)["text"], name, [source, names])
               for name, source in sources.items()]
    counts = [str(n) for n in range(len(names) + 1)]  # "Feed (15)": how many, tested with the rows
    for text, part, source in pieces:
        known = {way for leaf in leaves(json.loads(json.dumps(source))) for way in ways_to_write(leaf)} | set(WORDS[part])
        strangers = [word for word in re.findall(NUMBER, text) if word not in known and not (part != "animals" and word in counts)]
        assert strangers == [], (part, strangers)
    assert sum(len(re.findall(NUMBER, text)) for text, *_ in pieces) > 500


def test_faults_doubts_remark_and_deference_stand_on_the_page(demo):
    text, page, document = demo
    told = page.section("records")["text"]
    assert all(problem["rule"] in told and problem["next_step"] in told for problem in document["forecast"]["problems"])
    assert "Set aside until mended: S3." in told
    assert REMARK in page.named("title")[0]["text"] and REMARK in page.named("h1")[0]["text"] and REMARK in page.named("footer")[0]["text"]
    assert moltspan.tables.DEFERENCE in page.named("footer")[0]["text"]
    texts = {text for animal in document["rehouse"]["animals"] for text in animal["assumptions"]}
    assert all(text in page.section("assumptions")["text"] for text in texts)


def test_premolt_holds_and_what_changes_the_picture_is_said():
    page = Page(page_html(made_by_hand(), {"A1": "mine"}))
    rows = {row[0]: row for row in page.rows("feeding")}
    assert rows["A1"][4] == "premolt: nothing, and take uneaten prey out" and rows["K[3]"][4] == "since 2026-07-16"
    a1 = next(e["text"] for e in page.named("article") if e["text"].startswith("A1"))
    assert "24 % that a molt went unseen" in a1 and "then about 61 mm" in a1 and "Your note: mine" in a1
    assert "Past forecasts were not scored: two stadia only." in page.section("so-far")["text"]


def test_one_animal_with_one_molt_has_a_page():
    text = moltspan.report(records([("A1", "2026-05-01", "molt")]), remark=REMARK)
    assert "Past forecasts were not scored: too short a history to say" in text
    assert "A1 (Brachypelma hamorii)" in Page(text).section("animals")["text"]


NASTY = ['<script>alert(1)</script>', '"onload="x', "$x^{$", "a&amp;b", "W" * 90]


def nasty_page():
    rows = [(name, day, "molt") for name in NASTY for day in ("2025-09-01", "2026-01-10", "2026-05-01")]
    return moltspan.report(records(rows, taxon=[f"<script>t</script> {name}" for name in NASTY], note=[f"<img src=x> {name}" for name in NASTY]),
                           remark="<b>bold</b> invented records")


def test_what_users_typed_is_escaped_and_kept():
    text = nasty_page()
    page = Page(text)
    assert {e["name"] for e in page.all} & {"img", "iframe", "link", "object"} == set() and only_our_script(page)
    assert not any(key.startswith("on") for e in page.all for key in e if key not in ("name", "text", "inside"))
    told = page.section("animals")["text"]
    for name in NASTY:
        assert name in told and f"<script>t</script> {name}" in told and f"Your note: <img src=x> {name}" in told
    assert "<b>bold</b>" in page.named("h1")[0]["text"]


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


def test_out_writes_the_same_text_and_a_fit_keeps_its_own_options(tmp_path):
    fit = moltspan.fit(records([("A1", "2026-01-01", "molt"), ("A1", "2026-05-01", "molt")]))
    text = moltspan.report(fit, tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == text == moltspan.report(fit)  # and twice the same
    with pytest.raises(ValueError, match="its own as_of"):
        moltspan.report(fit, as_of="2026-05-01")
    with pytest.raises(TypeError, match="Collection"):
        moltspan.report("folder")


def test_page_can_be_read_by_everyone(demo):
    _, page, _ = demo
    assert page.named("html")[0]["lang"] == "en" and page.named("title")[0]["text"].strip()
    assert any("width=device-width" in e.get("content", "") for e in page.named("meta"))
    levels = [int(e["name"][1]) for e in page.all if re.fullmatch("h[1-6]", e["name"])]
    assert levels[0] == 1 and levels.count(1) == 1 and all(b - a <= 1 for a, b in zip(levels, levels[1:], strict=False))
    assert page.named("table") and all(e.get("scope") in ("col", "row") for e in page.named("th"))
    assert len(page.named("caption")) == len(page.named("table"))
    assert page.named("svg") and all(e["role"] == "img" and e["aria-label"] for e in page.named("svg"))
    ids = [e["id"] for e in page.all if "id" in e]
    assert len(ids) == len(set(ids)) and {e["href"][1:] for e in page.named("a")} <= set(ids)


def luminance(color):
    digits = "".join(letter * 2 for letter in color) if len(color) == 3 else color
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in (int(digits[i:i + 2], 16) / 255 for i in (0, 2, 4))]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colors", [LIGHT, DARK], ids=["light", "dark"])
def test_letters_stand_out_from_the_ground(colors):
    assert not re.findall(r"(?<![-\w])(?:color|background|fill|stroke): #", STYLE)  # every color is one of these
    for ground in GROUNDS:
        for letters in LETTERS:
            dark, light = sorted((luminance(colors[letters][1:]), luminance(colors[ground][1:])))
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (letters, ground)  # WCAG 2.1, 1.4.3


def test_bars_differ_in_gray_as_they_do_in_color():
    """On a gray printer: each shade stands out from the next (WCAG asks 3 for what must be told apart; here heights differ as well)."""
    for colors in (LIGHT, DARK):
        told = sorted(luminance(colors[name][1:]) for name in ("ground", "b1", "b2", "b3"))
        assert all((light + 0.05) / (dark + 0.05) > 1.3 for dark, light in zip(told, told[1:], strict=False)), colors


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


def test_nothing_runs_over_the_edge_of_a_phone_or_a_screen(demo, tmp_path):
    pages = both_widths(demo=demo[0], nasty=nasty_page(), unfolded=nasty_page().replace("<details", "<details open"))
    measure = "document.documentElement.scrollWidth - document.documentElement.clientWidth + ' px over at ' + innerWidth"
    assert in_frames(tmp_path, pages, measure) == {name: f"0 px over at {width}" for name, (width, _) in pages.items()}


AUDIT = (Path(__file__).parent / "page_audit.js").read_text(encoding="utf-8")
# One page with each mistake once: that the audit finds them shows that it looks. Contrasts by hand: #999 on #fff is 1.05 / (.3185 + .05),
# .4 of black on #eee is (.8550 + .05) / (.2737 + .05).
MISTAKEN = """<!DOCTYPE html><html><head><title> </title></head><body><h1>a</h1><h3>b</h3><table><tr><td>c</td></tr><tr><th>d</th></tr></table>
<img src="data:,"><svg></svg><input><section>e</section><a href="#none"></a><p tabindex="1" id="f">g</p><p id="f" style="color: #999">h</p>
<p style="color: rgba(0, 0, 0, .4); background: #eee">i</p></body></html>"""
FOUND = ["3.1.1", "2.4.2", "1.3.1 no main", "1.3.1 heading 3 after 1", "1.3.1 table", "1.3.1 row", "1.3.1 heading without", "1.1.1 picture",
         "1.1.1 picture", "3.3.2", "1.3.1 part", "2.4.4", "link to nowhere", "2.4.3 positive", "4.1.1", "1.4.3 contrast 2.85", "1.4.3 contrast 2.79"]
TWISTED = """<!DOCTYPE html><html lang="en"><head><title>t</title><meta name="viewport" content="width=device-width, user-scalable=no">
<meta http-equiv="refresh" content="900"></head><body><header></header><header></header><main><h1>a</h1><button></button>
<iframe></iframe><ul><p>b</p></ul><div><li>c</li></div><dd>d</dd><table><caption>e</caption><tr><th scope="col"></th></tr></table>
<table><caption>e</caption><tr><th scope="row">f</th><td>g</td></tr></table><p role="buttn">h</p><p role="cell">i</p><p aria-lable="j">j</p>
<p aria-describedby="nobody">k</p><p aria-hidden="true"><a href="#m">l</a></p><p lang="?">m</p>
<p style="position: relative; top: 90px"><a id="m" href="#m" style="outline: none">n</a></p><p><a href="#m" style="text-decoration: none">o</a></p>
<p style="width: 9px; overflow-x: auto; white-space: nowrap">pppppppp</p><marquee>q</marquee></main>
<nav aria-label="r"><a href="#m" style="font-size: 9px">s</a></nav></body></html>"""
TWISTS = ["1.3.1 header twice", "4.1.2 button", "4.1.2 frame", "1.4.4 zoom", "2.2.1", "2.2.2", "1.3.1 list", "1.3.1 item", "1.3.1 term",
          "1.3.1 empty heading", "1.3.1 table without cells", "2.4.6 two tables", "4.1.2 unknown role", "1.3.1 role outside", "4.1.2 attribute",
          "4.1.2 aria-describedby", "4.1.2 hidden", "3.1.2", "2.4.7", "2.4.3 reached", "1.4.1", "2.5.8", "2.1.1"]


def test_a_browser_finds_nothing_that_shuts_anybody_out(demo, tmp_path):
    folded = {"demo": demo[0], "nasty": nasty_page()}
    unfolded = {f"{name}_open": text.replace("<details", "<details open") for name, text in folded.items()}
    pages = both_widths(**folded, **unfolded) | {"mistaken": (1280, MISTAKEN), "twisted": (1280, TWISTED)}
    seen = in_frames(tmp_path, pages, f"JSON.stringify((() => {{ {AUDIT} return audit() }})())")
    found = {name: json.loads(text) for name, text in seen.items()}
    assert any("text outside all parts" in line for line in found["mistaken"])
    mistakes, twists = ([line for line in found.pop(name) if "outside all parts" not in line] for name in ("mistaken", "twisted"))
    assert len(mistakes) == len(FOUND) and all(map(str.startswith, mistakes, FOUND)), mistakes
    assert len(twists) == len(TWISTS) and all(sum(line.startswith(start) for line in twists) == 1 for start in TWISTS), twists
    assert found == {name: [] for name in found}


def test_page_prints_on_paper(demo, tmp_path):
    (tmp_path / "page.html").write_text(demo[0], encoding="utf-8")
    browse(tmp_path, f"--print-to-pdf={tmp_path / 'page.pdf'}", f"file://{tmp_path}/page.html")
    pdf = (tmp_path / "page.pdf").read_bytes()
    assert pdf.startswith(b"%PDF") and 2 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 4  # of 24 animals


def test_command_statuses(tmp_path):
    run, out = CliRunner(), tmp_path / "r.html"
    strict = run.invoke(app, ["report", str(DEMO), "--strict", "--out", str(out)])
    assert strict.exit_code == 1 and not out.exists()
    assert run.invoke(app, ["report", str(tmp_path / "none"), "--out", str(out)]).exit_code == 2
    assert run.invoke(app, ["report", str(DEMO), "--as-of", "2026-02-31", "--out", str(out)]).exit_code == 2
    folder = tmp_path / "good"
    folder.mkdir()
    (folder / "animals.csv").write_text("animal,taxon\nA1,Brachypelma hamorii\n")
    (folder / "journal.csv").write_text("animal,date,event\nA1,2026-01-01,molt\nA1,2026-05-01,molt\n")
    done = run.invoke(app, ["report", str(folder), "--out", str(out), "--as-of", "2026-06-01", "--watched", "rows"])
    assert done.exit_code == 0 and "2026-06-01" in out.read_text(encoding="utf-8") and str(out) in done.output
    assert run.invoke(app, ["report", str(folder), "--out", str(tmp_path / "no" / "r.html")]).exit_code == 2


def test_five_lines_stand_on_top_with_every_name_and_its_kind(demo):
    _, page, document = demo
    lines = moltspan.tables_today.today_lines(document["forecast"], document["rehouse"], document["meals"])
    kinds = {one["animal"]: short(one["taxon"]) for one in document["forecast"]["animals"]}
    assert page.named("section")[0]["aria-labelledby"] == "today"
    rows = {row[0]: row[1] for row in page.rows("today")}
    assert list(rows) == ["leave alone", "look at", "feed", "move", "fix"]
    for (_, entries), told in zip(lines.items(), rows.values(), strict=True):
        assert entries and all(f"{name} {kinds[name]}" in told and reason in told for name, reason in entries)


def test_the_calendar_leads_to_each_animal_and_back(demo):
    """A line an animal with a forecast, told in words too; the mark of today; signs since the last molt (by hand: C1 refused on the day itself, C2 on 2 September)."""
    text, page, document = demo
    lines = {e["id"]: e for e in page.named("li") if e.get("id", "").startswith("r")}
    running = [one for one in document["forecast"]["animals"] if one["next_molt"]]
    assert len(lines) == len(running)
    said = {e["inside"][-1]["href"]: e["aria-label"] for e in page.named("svg") if e["inside"][-1]["name"] == "a"}
    names = {f"#{e['id']}": e["text"].split(" (")[0] for e in page.named("h3") if re.fullmatch(r"a\d+", e.get("id", ""))}
    told = {names[place]: label for place, label in said.items()}
    for one in running:
        assert told[one["animal"]].startswith(" to ".join(band_80(one))) and one["next_molt"]["median"] in told[one["animal"]]
    assert "refused 2026-09-20" in told["C1"] and "refused 2026-09-02" in told["C2"] and "refused" not in told["D2"]
    assert {e["href"] for e in page.named("a") if e.get("class") == "up"} == {f"#{place}" for place in lines}


def band_80(animal):
    band = next(band for band in animal["next_molt"]["bands"] if band["level"] == 0.8)
    return band["from"], band["to"]


def test_places_on_the_axis_by_hand():
    """Today stands at 150 of 1000, 45 days back at 0; with the far end at 390 days, day d lies at 150 + 850 log(1 + d / 14) / log(1 + 390 / 14)."""
    animals = [hand_made_forecast.animal("A", "x y", "intermolt", hand_made_forecast.next_molt([1, 2, 3, 4, 5, 6, 7, 8, 389]))]
    axis = Axis(hand_made_forecast.document() | {"animals": animals})
    day = hand_made_forecast.AS_OF
    assert axis.days == 390 and axis.x(day) == 150
    assert axis.x(day - pd.Timedelta(days=45)) == axis.x(day - pd.Timedelta(days=400)) == 0 and axis.x(day - pd.Timedelta(days=9)) == pytest.approx(120)
    assert axis.x(day + pd.Timedelta(days=14)) == pytest.approx(150 + 850 * 0.693147 / 3.362320, abs=0.01)  # ln 2 over ln (404 / 14)
    assert axis.x(day + pd.Timedelta(days=390)) == pytest.approx(1000) and [words for _, words, _ in axis.ticks()][-1] == "1 year"


def test_slow_animals_do_not_squeeze_the_bars_of_slings():
    """Ten years ahead for one: a sling's band of a week still takes 60 of 1000, of which an even axis of three years would leave 5."""
    sling, slow = hand_made_forecast.next_molt([1, 2, 3, 5, 7, 9, 10, 11, 12]), hand_made_forecast.next_molt([900, 1000, 1200, 1500, 1800, 2100, 2500, 3000, 3600])
    document = hand_made_forecast.document() | {"animals": [hand_made_forecast.animal("A", "x y", "intermolt", sling), hand_made_forecast.animal("B", "x y", "intermolt", slow)]}
    axis = Axis(document)
    begin, end = (pd.Timestamp(day).date() for day in band_80(document["animals"][0]))
    assert axis.x(end) - axis.x(begin) > 60 and axis.x(pd.Timestamp("2036-01-01").date()) == 1000


def in_browser(folder, text, script):
    return json.loads(in_frames(folder, {"page": (1280, text)}, f"JSON.stringify((() => {{ {script} }})())")["page"])


def test_the_script_finds_filters_sorts_and_unfolds(demo, tmp_path):
    """In a browser: what remains, by hand from the demo's tables: 4 whip spiders and huntsmen of two kinds on the shelf 'oven' and so on."""
    script = """
    const names = () => [...document.querySelectorAll('article:not([hidden]) h3')].map(h => h.firstChild.textContent.trim());
    const set = (id, text) => { const field = document.getElementById(id); const option = field.options && [...field.options].find(o => o.textContent === text);
      field.value = option ? option.value : text; field.dispatchEvent(new Event(id === 'find' ? 'input' : 'change')); };
    const out = {all: names().length};
    set('kind', 'Damon diadema'); out.kind = names().sort(); out.count = document.getElementById('count').textContent;
    out.calendar = [...document.querySelectorAll('.cal li:not([hidden]) b')].map(b => b.textContent).sort();
    set('verdict', 'egg sac: leave in peace'); out.both = names();
    document.getElementById('clear').click(); out.cleared = names().length;
    set('shelf', 'window'); out.shelf = names().sort(); document.getElementById('clear').click();
    set('find', 'the OLD lady'); out.found = names(); document.getElementById('clear').click();
    set('order', 'name'); out.sorted = names(); document.getElementById('clear').click(); out.told = names();
    set('order', 'longest without food'); out.hungry = [...document.querySelectorAll('#feeding ~ table')][0].querySelector('tbody th').textContent;
    const more = document.querySelector('article details'); out.folded = !more.open;
    dispatchEvent(new Event('beforeprint')); out.printed = [...document.querySelectorAll('details')].every(d => d.open);
    dispatchEvent(new Event('afterprint')); out.after = !more.open;
    document.getElementById('dark').click(); out.dark = document.documentElement.dataset.theme;
    return out;"""
    seen, order = in_browser(tmp_path, demo[0], script), [e["text"].split(" (")[0] for e in demo[1].named("article")]
    assert seen["all"] == seen["cleared"] == 24 and seen["count"] == "3 of 24"
    assert seen["kind"] == ["D1", "D2", "D3"] and seen["calendar"] == ["D1", "D2"] and seen["both"] == ["D1"]
    assert seen["shelf"] == ["B1", "B2", "B3", "B4", "M1", "M2", "M3"] and seen["found"] == ["B5"]
    assert seen["sorted"] == sorted(order) and seen["told"] == order and seen["hungry"] == "B2"
    assert seen["folded"] and seen["printed"] and seen["after"] and seen["dark"] == "dark"


def test_without_scripts_everything_is_there_and_paper_holds_what_is_folded(demo, tmp_path):
    """Printed without its script: what was folded on the screen stands on the paper."""
    assert "hidden" in next(e for e in demo[1].named("div") if e.get("class") == "tools")  # what needs the script is shown by it
    sizes = {}
    for name, text in (("whole", demo[0]), ("without", re.sub("<script>.*</script>", "", demo[0], flags=re.S)), ("cut", re.sub("<details>.*?</details>", "", demo[0], flags=re.S))):
        (tmp_path / f"{name}.html").write_text(text, encoding="utf-8")
        browse(tmp_path, f"--print-to-pdf={tmp_path / name}.pdf", f"file://{tmp_path}/{name}.html")
        sizes[name] = len(re.findall(rb"/Type\s*/Page\b", (tmp_path / f"{name}.pdf").read_bytes()))
    assert sizes["whole"] == sizes["without"] > sizes["cut"]


def test_the_policy_of_the_page_stops_all_that_is_loaded_and_any_other_script(demo, tmp_path):
    """In a browser: a script and a picture that got into the page all the same do nothing."""
    got_in = demo[0].replace("<main>", "<main><script>document.title = 'taken over'</script><img src='data:image/gif;base64,R0lGODlhAQABAAAAACw=' onerror=\"document.title = 'taken over'\">")
    (tmp_path / "page.html").write_text(got_in, encoding="utf-8")
    seen = browse(tmp_path, "--dump-dom", f"file://{tmp_path}/page.html")
    assert "<title>Molt report, records up to 2026-09-20 (invented records)</title>" in seen and '<div class="tools">' in seen  # while ours runs


def test_a_hundred_animals_of_one_time_are_one_page_quickly_made():
    """Each animal takes under 3,300 bytes, so that 300 stay under 1 MiB."""
    rows = [(f"A{i}", f"{year}-{month:02d}-{i % 27 + 1:02d}", "molt") for i in range(100) for year, month in ((2025, 3), (2025, 10), (2026, 4))]
    text = moltspan.report(records(rows))
    thirty = moltspan.report(records(rows[:90]), look_back="none")
    assert (len(text.encode()) - len(thirty.encode())) / 70 < 3_300


def test_300_animals_take_under_a_mebibyte_and_25_pages_of_paper(tmp_path):
    """The bounds that were agreed on, with molts, signs, meals and readings as a simulator draws them."""
    collection, _ = moltspan.simulate_collection(7, n_animals=300, n_taxa=37, n_genera=15)
    text = moltspan.report(collection, remark=REMARK)
    assert len(text.encode()) < 2**20 and len(Page(text).named("article")) == 300
    (tmp_path / "page.html").write_text(text, encoding="utf-8")
    browse(tmp_path, f"--print-to-pdf={tmp_path / 'page.pdf'}", f"file://{tmp_path}/page.html")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "page.pdf").read_bytes())) <= 25


def ten_of_the_demo():
    """Ten animals of the demo, two of them with a box that they have outgrown."""
    collection = moltspan.read(DEMO)
    names = ["B1", "B2", "B5", "C1", "C2", "D1", "D2", "L3", "L5", "S2"]
    rows = collection.journal[collection.journal["animal"].isin(names)]
    small = rows[(rows["animal"] == "D2") & (rows["event"] == "enclosure")].tail(1)
    rows = pd.concat([rows, small.assign(animal="C2")])
    rules = {"date_order": "day_first", "units": {"length": "cm", "temperature": "C"}, "events": {"mue": "molt"}}
    return moltspan.Collection(collection.animals[collection.animals["animal"].isin(names)], rows, rules=rules)


def test_the_plan_of_ten_animals_is_one_page_and_reads_on_a_phone(tmp_path):
    plan = moltspan.fit(ten_of_the_demo(), as_of="2026-09-20").rehouse()
    sheet = plan.sheet(REMARK)
    assert len(plan.document["animals"]) == 10 and "D2 <i>D. diadema</i>" in sheet
    (tmp_path / "plan.html").write_text(sheet, encoding="utf-8")
    browse(tmp_path, f"--print-to-pdf={tmp_path / 'plan.pdf'}", f"file://{tmp_path}/plan.html")
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "plan.pdf").read_bytes())) == 1
    measure = "document.documentElement.scrollWidth - document.documentElement.clientWidth + ' ' + getComputedStyle(document.querySelector('td.why')).fontSize"
    over, font = in_frames(tmp_path, {"phone": (360, sheet)}, measure)["phone"].split()
    assert over == "0" and float(font.removesuffix("px")) >= 13
    audit = in_frames(tmp_path, both_widths(sheet=sheet), f"JSON.stringify((() => {{ {AUDIT} return audit() }})())")
    assert {name: json.loads(found) for name, found in audit.items()} == {name: [] for name in audit}
