"""How the report lies on a phone, a screen, in the dark and on paper, what its script does, and how large it is.

What a page must have to be read by everyone (language, title, headings in order, scope, names of pictures, contrast of 4.5) is from the
Web Content Accessibility Guidelines 2.1 (W3C Recommendation, criteria 1.1.1, 1.3.1, 1.4.3, 1.4.10, 2.4.2, 3.1.1).
"""

import json
import re

import hand_made_forecast
import pandas as pd
import pytest
from report_pages import AUDIT, DEMO, REMARK, Page, band_80, both_widths, browse, demo_answer, in_frames, nasty_page, pages_of_paper, records

import moltspan
from moltspan.report.style import DARK, GROUNDS, LETTERS, LIGHT, STYLE
from moltspan.report.svg import Axis


@pytest.fixture(scope="module")
def demo():
    return demo_answer()


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


def test_nothing_runs_over_the_edge_of_a_phone_or_a_screen(demo, tmp_path):
    pages = both_widths(demo=demo[0], nasty=nasty_page(), unfolded=nasty_page().replace("<details", "<details open"))
    pages |= {"zoomed": (640, demo[0]), "zoomed_nasty": (640, nasty_page())}  # 1,280 px at 200 %
    measure = "document.documentElement.scrollWidth - document.documentElement.clientWidth + ' px over at ' + innerWidth"
    assert in_frames(tmp_path, pages, measure) == {name: f"0 px over at {width}" for name, (width, _) in pages.items()}


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
    assert 2 <= pages_of_paper(tmp_path, demo[0]) <= 4  # of 24 animals


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
    without, cut = (re.sub(gone, "", demo[0], flags=re.S) for gone in ("<script>.*</script>", "<details>.*?</details>"))
    assert pages_of_paper(tmp_path, demo[0]) == pages_of_paper(tmp_path, without) > pages_of_paper(tmp_path, cut)


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
    assert 2 <= pages_of_paper(tmp_path, text) <= 25


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
    assert pages_of_paper(tmp_path, sheet) == 1
    measure = "document.documentElement.scrollWidth - document.documentElement.clientWidth + ' ' + getComputedStyle(document.querySelector('td.why')).fontSize"
    over, font = in_frames(tmp_path, {"phone": (360, sheet)}, measure)["phone"].split()
    assert over == "0" and float(font.removesuffix("px")) >= 13
    audit = in_frames(tmp_path, both_widths(sheet=sheet), f"JSON.stringify((() => {{ {AUDIT} return audit() }})())")
    assert {name: json.loads(found) for name, found in audit.items()} == {name: [] for name in audit}
