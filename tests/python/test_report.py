"""The report page: its numbers against the JSON documents, and what it says where little is known."""

import json
import re
from collections import Counter

import hand_made_forecast
import pandas as pd
import pytest
from report_pages import DEMO, REMARK, Page, band_80, demo_answer, percent, records, short
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app
from moltspan.report.documents import report_documents
from moltspan.report.page import page_html
from moltspan.report.svg import Axis
from moltspan.text.cautions import sources_line
from moltspan.text.rehouse import advice_words
from moltspan.text.verdict import silence_lines, verdict_words


from moltspan.text.verdict import silence_lines, verdict_words


@pytest.fixture(scope="module")
def demo():
    return demo_answer()


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
    """By hand: the demo's year ends on 20 September 2026; its first day and its middle."""
    _, page, document = demo
    assert document["backtest"]["origins"] == ["2025-09-20", "2026-03-21"]
    assert "Only 2 days of the last year are looked back on here; moltspan backtest FOLDER" in page.section("so-far")["text"]
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
    today = moltspan.text.today.today_lines(forecast, plan, document["meals"])
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
    assert moltspan.text.tables.DEFERENCE in page.named("footer")[0]["text"]
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


def test_out_writes_the_same_text_and_a_fit_keeps_its_own_options(tmp_path):
    fit = moltspan.fit(records([("A1", "2026-01-01", "molt"), ("A1", "2026-05-01", "molt")]))
    text = moltspan.report(fit, tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == text == moltspan.report(fit)  # and twice the same
    with pytest.raises(ValueError, match="its own as_of"):
        moltspan.report(fit, as_of="2026-05-01")
    with pytest.raises(TypeError, match="Collection"):
        moltspan.report("folder")


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
    lines = moltspan.text.today.today_lines(document["forecast"], document["rehouse"], document["meals"])
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
