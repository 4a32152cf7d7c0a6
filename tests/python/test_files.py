"""Output files: whole or not at all, the old one kept until then, its owner and mode too."""

import os
import resource
import stat
import subprocess
import sys
from pathlib import Path

import pytest

import moltspan
from moltspan._frames.files import replace_file

DEMO = Path(__file__).parents[2] / "demo/collection"
LIMITED = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({n}, {n})); from moltspan.cli.app import main; main()"


def run(*arguments, limit=None):
    """The command, on a disk that is full after `limit` bytes a file where one is given."""
    code = LIMITED.format(n=limit) if limit else "from moltspan.cli.app import main; main()"
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL)


def test_text_and_bytes_replace_what_was_there(tmp_path):
    file = tmp_path / "table.csv"
    replace_file(file, "größe\n")
    assert file.read_text(encoding="utf-8") == "größe\n"
    file.chmod(0o640)
    replace_file(file, b"\r\n")
    assert file.read_bytes() == b"\r\n" and stat.S_IMODE(file.stat().st_mode) == 0o640
    assert list(tmp_path.iterdir()) == [file]


def test_a_link_stays_a_link_and_the_owner_the_owner(tmp_path):
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_text("old")
    owner = (1234, 2345) if os.geteuid() == 0 else (os.geteuid(), os.getegid())
    os.chown(real, *owner)
    link.symlink_to(real)
    replace_file(link, "new")
    assert link.is_symlink() and real.read_text() == "new"
    assert (real.stat().st_uid, real.stat().st_gid) == owner


def test_a_pipe_takes_the_content_as_it_is(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE)
    replace_file(pipe, "through")
    assert reader.communicate(timeout=60)[0] == b"through"
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_on_a_full_disk_the_old_file_stays_and_is_said_to(tmp_path):
    file = tmp_path / "table.tex"
    file.write_text("old")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    code = "import resource, sys; from moltspan._frames.files import replace_file\nresource.setrlimit(resource.RLIMIT_FSIZE, (5, 5))\nreplace_file(sys.argv[1], 'x' * 99)"
    result = subprocess.run([sys.executable, "-c", code, str(file)], capture_output=True, text=True, timeout=60)
    assert "what was there stays as it was" in result.stderr and str(file) in result.stderr
    assert file.read_text() == "old" and list(tmp_path.iterdir()) == [file]
    assert resource.getrlimit(resource.RLIMIT_FSIZE) == before


@pytest.mark.parametrize("arguments", [("report", "--out"), ("label", "--out"), ("forecast", "--csv"), ("forecast", "--plot"), ("forecast", "--json"), ("rehouse", "--sheet"),
                                       ("rehouse", "--ics")])
def test_every_output_of_every_command_keeps_the_old_file(tmp_path, arguments):
    command, option = arguments
    file = tmp_path / ("old.svg" if option == "--plot" else "old")
    file.write_text("old")
    result = run(command, DEMO, option, file, limit=100)
    assert result.returncode == 2, result.stderr
    assert "stays as it was" in result.stderr and "Traceback" not in result.stderr
    assert file.read_text() == "old" and list(tmp_path.iterdir()) == [file]


def test_start_on_a_full_disk_leaves_nothing_half(tmp_path):
    made = run("start", tmp_path / "new", limit=100)
    assert made.returncode == 2 and "Traceback" not in made.stderr
    assert list(tmp_path.iterdir()) == []
    assert run("start", tmp_path / "new").returncode == 0


def test_a_start_that_was_broken_off_is_gone_on_with(tmp_path):
    whole = sorted(moltspan.start(tmp_path))
    for file in whole[::2]:
        file.unlink()
    assert sorted(moltspan.start(tmp_path)) == whole[::2]


def test_a_full_device_behind_the_output_is_said(tmp_path):
    with Path("/dev/full").open("w") as full:
        result = subprocess.run([sys.executable, "-c", "from moltspan.cli.app import main; main()", "check", str(DEMO)],
                                stdout=full, stderr=subprocess.PIPE, text=True, timeout=120)
    assert result.returncode == 2
    assert "could not be written" in result.stderr and "mistake in moltspan" not in result.stderr
