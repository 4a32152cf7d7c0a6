"""How far long work is: who sees a bar, what it says, that pipes stay silent, and that answers are the same with it."""

import inspect
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from nbclient import NotebookClient

import moltspan
from moltspan._frames import progress
from moltspan._frames.progress import LONG, Work, notebook_html, seconds_words, working

DEMO = Path(__file__).parents[2] / "demo/collection"
SEVEN = {"min_days": [20, 25, 31, 33, 36, 40, 41], "max_days": [22, 27, None, 35, 38, None, 43]}


def on_a_terminal(code, **environment):
    """What a person at a terminal of 100 columns sees on standard error of that Python code."""
    leader, follower = pty.openpty()
    work = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL, stderr=follower, stdin=subprocess.DEVNULL,
                            env=os.environ | {"COLUMNS": "100", "TERM": "xterm"} | environment)
    os.close(follower)
    said = b""
    try:
        while part := os.read(leader, 65536):
            said += part
    except OSError:  # the other end is closed: all was read
        pass
    assert work.wait(120) == 0, said.decode()
    return said.decode()


SLOW = """
import time
from moltspan._frames import progress
progress.PATIENCE_SECONDS, progress.TICK_SECONDS = 0.1, 0.05
with progress.working("testing", total=4) as work:
    for i in range(1, 5):
        time.sleep(1.1)
        work.step(i)
"""


def test_a_terminal_sees_what_is_done_and_the_time_left():
    said = on_a_terminal(SLOW)
    assert "testing" in said and re.search(r"\d+ s so far, about [123] s left", said)
    assert said.rstrip().endswith("\x1b[2K") or "\x1b[2K" in said  # the bar is gone at the end


def test_work_of_unknown_length_says_how_long_it_takes_so_far():
    said = on_a_terminal(SLOW.replace(", total=4", ""))
    assert re.search(r"testing.*\d s so far", said) and "left" not in said


def test_short_work_and_a_wish_for_silence_show_nothing():
    assert on_a_terminal(SLOW.replace("time.sleep(1.1)", "pass").replace("= 0.1, 0.05", "= 5, 0.05")) == ""
    assert on_a_terminal(SLOW, MOLTSPAN_PROGRESS="off") == ""
    assert on_a_terminal(SLOW.replace("total=4", "total=4, progress=False")) == ""


def test_commands_show_a_bar_on_a_terminal_and_nothing_in_pipes():
    code = "import sys; from moltspan._frames import progress; progress.PATIENCE_SECONDS, progress.TICK_SECONDS = 0.05, 0.02; sys.argv = ['moltspan', {}];" \
           "from moltspan.cli.app import app; app(standalone_mode=False)"
    code = code.format(f"'report', {str(DEMO)!r}, '--out', '/dev/null'")
    said = on_a_terminal(code)
    assert "fitting all stadia" in said and "looking back from past days" in said and re.search("about [0-9]+ s left|nearly done", said)
    piped = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert "fitting" not in piped.stderr and "\x1b" not in piped.stderr + piped.stdout and "so far" not in piped.stderr


def test_a_function_is_told_of_each_call_that_can_take_long():
    seen = []
    one = moltspan.stadium_npmle(**SEVEN, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 1)] and str(one) == str(moltspan.stadium_npmle(**SEVEN))
    parts = []
    few = moltspan.simulate_collection(seed=5, n_animals=6, study_days=500)[0]
    page = moltspan.report(few, progress=lambda done, total: parts.append((done, total)))
    assert parts == sorted(set(parts)) and parts[-1] == (10, 10) and len(parts) >= 3 and page == moltspan.report(few)


def test_all_long_calls_take_progress_and_say_so():
    for where in LONG:
        owner, _, method = where.rpartition(".")
        if owner and not hasattr(moltspan, owner):
            from moltspan.growth.instars import InstarMixture as holder
        else:
            holder = getattr(moltspan, owner) if owner else moltspan
        assert "progress" in inspect.signature(getattr(holder, method)).parameters, where
    with pytest.raises(ValueError, match="progress = 3: give None, True, False"):
        moltspan.stadium_npmle(**SEVEN, progress=3)


def test_a_study_counts_its_own_fits_only():
    asked = {"n_animals": [4, 6], "study_days": 300, "replicates": 3}
    moltspan.fit_stadia  # the public calls within must not move its bar
    moltspan.simulate_stadia
    seen = []
    table = moltspan.study_power(**asked, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(i, 6) for i in range(1, 7)]
    pd.testing.assert_frame_equal(table, moltspan.study_power(**asked, progress=False))


def test_progress_true_writes_in_pipes_too(capsys):
    moltspan.study_power(n_animals=4, study_days=300, replicates=2, progress=True)
    assert capsys.readouterr().err.endswith("studies simulated and fitted: 2 of 2\n")


def test_an_error_passes_through_and_ends_the_bar():
    seen = []
    with pytest.raises(RuntimeError, match="ours"), working("testing", lambda *told: seen.append(told)):
        raise RuntimeError("ours")
    assert seen == [] and progress._around.get() is None


def test_time_left_is_told_by_the_parts_that_are_done():
    """By hand: 2 of 8 parts took 10 s, so that 30 s are left then, and 5 s later 25 s."""
    work = Work("testing", 8, progress._Silent())
    work._begun = 100.0
    assert work.time_words(now=105) == "5 s so far"
    work.done, work._stepped = 2, 110.0
    assert work.time_words(now=110) == "10 s so far, about 30 s left" and work.time_words(now=115) == "15 s so far, about 25 s left"
    assert work.time_words(now=160) == "60 s so far, nearly done or longer than thought"
    assert seconds_words(300) == "5 min"
    assert notebook_html(work).startswith('<div>testing <progress max="8" value="2"></progress>')


def test_a_notebook_shows_a_bar_that_is_gone_at_the_end():
    cell = nbformat.v4.new_code_cell(SLOW.replace("time.sleep(1.1)", "time.sleep(0.3)"))
    notebook = nbformat.v4.new_notebook(cells=[cell])
    seen = []
    client = NotebookClient(notebook, timeout=60, kernel_name="python3")
    original = client.process_message

    def watch(message, *more):
        if message["msg_type"] in ("display_data", "update_display_data"):
            seen.append(message["content"]["data"].get("text/html", ""))
        return original(message, *more)

    client.process_message = watch
    client.execute(env=os.environ | {"MOLTSPAN_PROGRESS": "on"})
    assert any('<progress max="4"' in text and "so far" in text for text in seen) and seen[-1] == ""
