"""Wording and tables: complete off a terminal, within the width on one."""

import io
import re
import sys
from pathlib import Path

import pytest
from hand_made_forecast import document
from typer.testing import CliRunner

from moltspan._frames import progress
from moltspan.cli import app as command_line
from moltspan.text import tables
from moltspan.text.terminal import columns_that_fit, console_of, print_table

DEMO = Path(__file__).resolve().parents[2] / "demo" / "collection"

ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal(io.StringIO):
    def isatty(self):
        return True


def on_terminal(monkeypatch, width, doc=None):
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    out = Terminal()
    tables.print_forecast(doc or document(), "invented records", out)
    return out.getvalue()


def off_terminal(doc=None):
    out = io.StringIO()
    tables.print_forecast(doc or document(), "invented records", out)
    return out.getvalue()


def test_plain_text_is_whole_and_bare():
    text = off_terminal()
    assert "\x1b" not in text and "\t" not in text and "…" not in text
    for animal in document()["animals"]:
        assert animal["animal"] in text and animal["taxon"] in text
        assert all(note in text for note in animal["notes"])
        assert (animal["why_no_forecast"] or "") in text
    assert "invented records" in text.splitlines()[0]
    assert tables.DEFERENCE in text


def test_one_line_an_animal_soonest_first():
    lines = off_terminal().splitlines()
    begin = next(i for i, line in enumerate(lines) if line.startswith("animal "))
    assert [line.split()[0] for line in lines[begin + 1 : begin + 4]] == ["A1", "Z9", "K[3]"]
    start = lines[begin].index("80 % between")
    assert lines[begin + 1][start:].startswith("2026-09-23 .. 2026-10-13")


@pytest.mark.parametrize("width", [50, 64, 80, 100, 132, 250])
def test_a_terminal_gets_no_line_wider_than_itself_and_loses_no_date(monkeypatch, width):
    text = ESCAPES.sub("", on_terminal(monkeypatch, width))
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    for animal in tables.in_molt_order(document()):
        assert animal["animal"] in text and animal["next_molt"]["median"] in text
    if width >= 64:
        assert "2026-09-23 .. 2026-10-13" in text


def test_color_only_on_a_terminal(monkeypatch):
    assert "\x1b[" in on_terminal(monkeypatch, 120)
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "\x1b[" not in off_terminal()


def test_faults_are_told_apart_from_doubts():
    out = io.StringIO()
    assert tables.print_faults(document()["problems"], out) == 1
    assert out.getvalue().splitlines() == [
        "fault: journal.csv, row 812, animal S3, date '2026-06-31'; expected: no such day; to do: write the day as YYYY-MM-DD",
        "set aside until mended: S3",
    ]
    assert "S3" not in off_terminal() and "doubt: journal.csv, row 930, animal B3" in off_terminal()


@pytest.mark.parametrize("chance, text", [(None, "-"), (0.0, "<1 %"), (0.004, "<1 %"), (0.2, "20 %"), (0.998, ">99 %")])
def test_percent_never_claims_certainty(chance, text):
    assert tables.percent(chance) == text


def test_the_level_shown_is_eighty_percent_or_the_middle_one():
    assert tables.shown_level({"levels": [0.5, 0.8, 0.95]}) == 0.8
    assert tables.shown_level({"levels": [0.9, 0.6, 0.7]}) == 0.7


def test_flat_rows_hold_every_band_and_quantile():
    rows = tables.flat_forecast(document())
    a1 = next(row for row in rows if row["animal"] == "A1")
    assert (a1["next_molt_0.8_from"], a1["next_molt_0.8_to"], a1["days_q0.5"]) == ("2026-09-23", "2026-10-13", 10.5)
    gone = next(row for row in rows if row["animal"] == "M2")
    assert gone["next_molt_median"] is None and gone["why_no_forecast"] == "died on 2026-09-10"


def of_command(monkeypatch, width, *words):
    """What a command writes to a terminal of this width."""
    out = Terminal()
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(progress, "PATIENCE_SECONDS", 600)  # no sign of waiting among the lines
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", Terminal())
    with pytest.raises(SystemExit) as ended:
        command_line.app(list(words), prog_name="moltspan")
    return ended.value.code, ESCAPES.sub("", out.getvalue() + sys.stderr.getvalue())


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("command", [("check",), ("growth",), ("backtest", "--origins", "1")], ids=lambda words: words[0])
def test_tables_of_commands_keep_to_a_terminal_and_to_all_their_numbers(monkeypatch, command, width):
    status, text = of_command(monkeypatch, width, *command, str(DEMO))
    assert status == 1 and max(map(len, text.splitlines())) <= width and "…" not in text
    whole = CliRunner().invoke(command_line.app, [*command, str(DEMO)]).output
    numbers = re.compile(r"[\d.]+\d")
    assert set(numbers.findall(whole)) <= set(numbers.findall(text))


def test_off_a_terminal_lines_are_whole():
    whole = CliRunner().invoke(command_line.app, ["growth", str(DEMO)]).output
    heading = next(line for line in whole.splitlines() if line.startswith("kind  ") and "geometric mean" in line)
    assert heading.split("  ")[-1] == "stadia" and any(len(line) > 120 for line in whole.splitlines())


def test_columns_that_have_no_room_stand_below():
    header, rows = ("name", "a", "b", "nothing"), [["x", "1" * 10, "2" * 10, "-"], ["y", "-", "3" * 10, "-"]]
    assert columns_that_fit(header, rows, 80) == ["name", "a", "b"]
    assert columns_that_fit(header, rows, 20, ("b", "a")) == ["name", "a"]
    out = io.StringIO()
    print_table(console_of(out), header, rows, ("b", "a"))
    assert "2" * 10 in out.getvalue()
