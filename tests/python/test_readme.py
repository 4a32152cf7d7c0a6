"""What README.md shows is run: Python and C++ code, and the forecast's output. Run as a script, it writes that output anew."""

import os
import re
import subprocess
import sys
from datetime import date
from pathlib import Path

TOP = Path(__file__).parents[2]
README = TOP / "README.md"
SHOWN = re.compile(r"(<!-- forecast: begin -->\n```text\n)(.*?)(```\n<!-- forecast: end -->)", re.DOTALL)
SHOWN_LINES = 10  # title, blank, heading, and the next seven animals


def blocks(language):
    return re.findall(rf"^```{language}\n(.*?)^```$", README.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)


def forecast_lines():
    code = "from moltspan.cli.app import main; main()"
    command = [sys.executable, "-c", code, "forecast", "demo/collection", "--as-of", "2026-09-20", "--remark", "invented records"]
    result = subprocess.run(command, cwd=TOP, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL)
    assert result.returncode == 1 and "Traceback" not in result.stderr, result.stderr  # 1: the demo holds one fault on purpose
    return result.stdout.splitlines()[:SHOWN_LINES]


def split_numbers(line):
    """Words without dates, percentages and sizes, and these as numbers: each may be rounded the other way on another machine."""
    measured = r"\d{4}-\d\d-\d\d|\d+(?= (?:%|mm))|(?<=: )\d+(?= to \d)|(?<=\d to )\d+(?=\))"
    numbers = [date.fromisoformat(found).toordinal() if "-" in found else int(found) for found in re.findall(measured, line)]
    return re.sub(measured, "", line).split(), numbers


def test_python_example_runs(tmp_path):
    (tmp_path / "demo").symlink_to(TOP / "demo")
    (code,) = blocks("python")
    environment = os.environ | {"MPLBACKEND": "Agg"}
    result = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, timeout=300, env=environment)
    assert result.returncode == 0, result.stderr
    assert "2026-06-31" in result.stdout  # the fault made on purpose is among the problems printed
    assert (tmp_path / "calendar.png").stat().st_size > 10_000


def test_cpp_example_is_the_project_that_is_built_and_run():
    assert blocks("cpp") == [(TOP / "tests/consumer" / name).read_text(encoding="utf-8") for name in ("full/main.cpp", "math/next_molt.cpp")]
    for name, shown in zip(("full", "math"), blocks("cmake"), strict=True):
        project = (TOP / "tests/consumer" / name / "CMakeLists.txt").read_text(encoding="utf-8")
        assert all(line in project for line in shown.splitlines())


def test_shown_forecast_is_what_the_program_prints():
    shown = SHOWN.search(README.read_text(encoding="utf-8")).group(2).splitlines()
    printed = forecast_lines()
    assert len(shown) == len(printed)
    for in_readme, line in zip(shown, printed, strict=True):
        (words, numbers), (words_now, numbers_now) = split_numbers(in_readme), split_numbers(line)
        assert words == words_now
        assert all(abs(number - now) <= 1 for number, now in zip(numbers, numbers_now, strict=True)), (in_readme, line)


def test_every_event_stands_in_the_table():
    header = (TOP / "include/moltspan/records/records.hpp").read_text(encoding="utf-8")
    events = re.search(r"enum class Event \{(.*?)\}", header, re.DOTALL).group(1).replace(",", " ").split()
    table = README.read_text(encoding="utf-8")
    assert len(events) > 25
    assert [event for event in events if f"`{event}`" not in table] == []


if __name__ == "__main__":
    new = "\n".join(forecast_lines()) + "\n"
    text = SHOWN.sub(lambda found: found[1] + new + found[3], README.read_text(encoding="utf-8"))
    README.write_text(text, encoding="utf-8")
