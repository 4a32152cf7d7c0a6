"""The arrows between the folders of the C++ library: `src/CMakeLists.txt` lists what each uses, and every include must point
to a folder that stands before it. Compiling keeps this for sources; here headers count too, and folders without sources."""

import re
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
INCLUDE = re.compile(r'^#include "([^"]+)"', re.MULTILINE)


def rooms_of(cmake):
    """Room -> rooms that it may see, itself included; fails where a room uses one that does not stand before it."""
    seen = {}
    for name, rest in re.findall(r"^moltspan_room\((\w+)(.*?)\)", cmake, re.MULTILINE | re.DOTALL):
        uses = re.search(r"USES ([\w\s]+?)(?:LINKS|$)", rest)
        used = uses.group(1).split() if uses else []
        assert all(one in seen for one in used), f"{name} uses a room that does not stand before it: {used}"
        seen[name] = {name}.union(*(seen[one] for one in used))
    return seen


def arrows_back(top):
    """'file: include' of all includes of rooms that a file's own room does not use."""
    rooms = rooms_of((top / "src/CMakeLists.txt").read_text(encoding="utf-8"))
    found = []
    for folder in (top / "src", top / "include/moltspan"):
        for file in sorted(folder.glob("*/**/*.[ch]pp")):
            own = file.relative_to(folder).parts[0]
            for include in INCLUDE.findall(file.read_text(encoding="utf-8")):
                room = include.removeprefix("moltspan/").split("/")[0]
                every = include in ("moltspan/config.hpp", "moltspan/version.hpp")
                if own not in rooms or ".." in include or not (every or room in rooms[own]):
                    found.append(f"{file.relative_to(top)}: {include}")
                elif folder.name == "moltspan" and not include.startswith("moltspan/"):
                    found.append(f"{file.relative_to(top)}: {include} (a public header needs a private one)")
    return found


def test_no_include_points_back():
    assert arrows_back(TOP) == []


@pytest.mark.parametrize("include", ["moltspan/forecast/forecast.hpp", "forecast/next.hpp", "../forecast/next.hpp"])
def test_a_planted_arrow_back_is_found(tmp_path, include):
    (tmp_path / "src/records").mkdir(parents=True)
    (tmp_path / "include/moltspan").mkdir(parents=True)
    (tmp_path / "src/CMakeLists.txt").write_text("moltspan_room(records)\nmoltspan_room(forecast USES records LINKS x)\n", encoding="utf-8")
    (tmp_path / "src/records/records.cpp").write_text(f'#include "{include}"\n', encoding="utf-8")
    assert arrows_back(tmp_path) == [f"src/records/records.cpp: {include}"]


def test_a_room_that_uses_a_later_one_is_refused():
    with pytest.raises(AssertionError, match="records uses a room"):
        rooms_of("moltspan_room(records USES forecast)\nmoltspan_room(forecast)\n")


def test_files_stay_short():
    sources = [file for folder in ("src", "include", "python", "tests") for file in (TOP / folder).rglob("*")
               if file.suffix in (".cpp", ".hpp", ".py")]
    assert len(sources) > 300
    lengths = {str(file.relative_to(TOP)): len(file.read_text(encoding="utf-8").splitlines()) for file in sources}
    assert {name: length for name, length in lengths.items() if length > 450} == {}
