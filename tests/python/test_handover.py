"""Labels and growth records: what they say, that text of users is escaped, that a code reads as the name, one page on paper, the commands."""

import re
import shutil
import subprocess
from datetime import date
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
import segno
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app
from moltspan.collection.handover_page import qr_svg

SCRIPT = "<script>alert('x')</script>&\"q"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ROWS = [("A1", "2025-01-05", "", "molt", "", "", ""), ("A1", "2025-01-10", "", "leg_span", "40", "mm", ""), ("A1", "2025-06-01", "2025-06-05", "molt", "", "", ""),
        ("A1", "2025-06-06", "", "carapace_length", "14", "mm", "skin"), ("A1", "2025-06-12", "", "leg_span", "52", "mm", ""), ("A1", "2025-06-12", "", "ate", "", "", ""),
        ("A1", "2025-06-12", "", "enclosure", "20x20x20", "cm", ""), (SCRIPT, "2025-02-01", "", "molt", "", "", ""), ("A2", "2025-03-01", "", "molt", "", "", ""),
        ("A2", "2025-04-01", "", "left", "", "", ""), ("A3", "2025-04-01", "", "molt", "", "", "")]


class Words(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.tags, self.said = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in ("meta", "br", "use"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.said.append(data)


def read(page):
    words = Words()
    words.feed(page)
    assert not words.open and "script" not in words.tags and "http" not in re.sub(r"http://www\.w3\.org/[\w/]*", "", page)
    return re.sub(r"\s+", " ", " ".join(words.said))


@pytest.fixture(scope="module")
def records():
    animals = pd.DataFrame({"animal": ["A1", SCRIPT, "A2", "A3"], "taxon": ["Brachypelma hamorii", SCRIPT, "Brachypelma hamorii", "Brachypelma hamorii"],
                            "sex": ["female", "", "male", ""], "hatched": ["2023-06-20", "", "", "2023-13-20"], "note": ["my own", "", "", ""]})
    journal = pd.DataFrame(ROWS, columns=["animal", "date", "until", "event", "value", "unit", "on"])
    return moltspan.Collection(animals, journal)


def test_a_label_says_what_stands_in_the_records(records):
    page = moltspan.labels(records, remark="invented records")
    articles = page.split("<article>")[1:]
    assert len(articles) == 3  # A2 left
    said = read(articles[0].partition("</article>")[0])
    for text in ("A1", "Brachypelma hamorii", "sex: female", "hatched: 2023-06-20", "last molt: 2025-06-01 .. 2025-06-05", "size: 52 mm leg span (2025-06-12)",
                 "invented records"):
        assert text in said
    assert "records: faulty, see moltspan check" in read(articles[2].partition("</article>")[0]) and "my own" not in page
    assert len(moltspan.labels(records, ["A2"]).split("<article>")) == 2


def test_what_users_type_is_escaped(records):
    page = moltspan.labels(records, remark=SCRIPT)
    assert "<script" not in page and SCRIPT in unescape(page)
    assert "<script" not in moltspan.growth_record(records, SCRIPT, remark=SCRIPT)
    control = moltspan.Collection(pd.DataFrame({"animal": ["A\x1b[2J"]}), pd.DataFrame({"animal": ["A\x1b[2J"], "date": ["2026-01-05"], "event": ["molt"]}))
    assert "\x1b" not in moltspan.labels(control) and "\\x1b" in moltspan.labels(control)


@pytest.mark.parametrize("name", ["A1", "Größe 7 / b", SCRIPT, "x" * 200])
def test_the_code_holds_the_name(name):
    """The dark modules drawn are those that the library gives for the name alone."""
    svg = qr_svg(name)
    drawn = svg.count("<path") and re.search(r'stroke="#000"[^>]* d="([^"]*)"|class="qrline"[^>]*d="([^"]*)"', svg)
    matrix = [list(row) for row in segno.make(name, error="m", micro=False).matrix]
    path = drawn[1] or drawn[2]
    assert sum(int(n) for n in re.findall(r"h(\d+)", path)) == sum(map(sum, matrix))


def test_a_name_too_long_for_a_code_has_a_label_without_one():
    name = "x" * 5000
    one = moltspan.Collection(pd.DataFrame({"animal": [name]}), pd.DataFrame({"animal": [name], "date": ["2026-01-05"], "event": ["molt"]}))
    assert "<svg" not in moltspan.labels(one) and qr_svg(name) == ""


def test_a_record_holds_molts_sizes_next_molt_and_cautions(records):
    said = read(moltspan.growth_record(records, "A1", remark="invented records"))
    plan = next(animal for animal in moltspan.fit(records).rehouse().document["animals"] if animal["animal"] == "A1")
    assert plan["cautions"] and all(text in said for text in plan["cautions"])
    for text in ("Growth record: A1 (invented records)", "200 x 200 x 200 mm", "147 to 151", "52 mm leg span (2025-06-12)", "14 mm carapace length", "most likely around",
                 "A forecast is no diagnosis", "never touch, turn"):
        assert text in said, text
    # by hand: 2025-01-05 to 2025-06-01 and -05
    assert ((date(2025, 6, 1) - date(2025, 1, 5)).days, (date(2025, 6, 5) - date(2025, 1, 5)).days) == (147, 151)
    assert "my own" not in said


def test_an_animal_that_left_is_told_as_on_the_day_before_with_its_cautions(records):
    said = read(moltspan.growth_record(records, "A2"))
    assert "up to 2025-03-31" in said and "urticating setae" in said and "most likely around" in said


def test_wrong_names_say_what_is_near(records):
    with pytest.raises(ValueError, match="no such animal in animals.csv; is it A1"):
        moltspan.growth_record(records, "A11")
    with pytest.raises(ValueError, match="labels: animal = 'nobody'"):
        moltspan.labels(records, ["nobody"])
    with pytest.raises(ValueError, match="sets it aside; mend it first"):
        moltspan.growth_record(records, "A3")


DEMO = Path(__file__).parents[2] / "demo/collection"


def test_the_commands_write_pages(tmp_path):
    for command, more in (("label", []), ("record", ["B2"])):
        file = tmp_path / f"{command}.html"
        told = CliRunner().invoke(app, [command, str(DEMO), *more, "--out", str(file), "--remark", "invented records"])
        assert (told.exit_code, told.stdout) == (1, f"written: {file} (invented records)\n") and "S3" in told.stderr  # the faulty row of the demo
        assert "invented records" in file.read_text(encoding="utf-8")
    wrong = CliRunner().invoke(app, ["record", str(DEMO), "B22", "--out", str(tmp_path / "x.html")])
    assert wrong.exit_code == 2 and "is it B2" in wrong.stderr and not (tmp_path / "x.html").exists()
    assert CliRunner().invoke(app, ["label", str(DEMO), "--animal", "B1", "--out", str(tmp_path / "none/x.html")]).exit_code == 2


def test_a_record_is_one_page_of_paper(tmp_path, records):
    assert CHROMIUM, "the page is printed by chromium: install Debian's package of that name, as ./tests/run does"
    demo = moltspan.read(DEMO)
    for name in ("S1", "D2"):
        file, pdf = tmp_path / "r.html", tmp_path / "r.pdf"
        moltspan.growth_record(demo, name, out=file, remark="invented records")
        subprocess.run([CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={pdf}", file.as_uri()],
                       capture_output=True, timeout=120, check=True)
        assert len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes())) == 1, name
