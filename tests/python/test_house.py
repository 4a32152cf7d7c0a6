"""The arrows between the folders of the Python package, and between its modules: what each may import, function-level imports included."""

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "python/moltspan"

# In the order of the arrows: a folder may use those above it. The package's own __init__ and __main__ hand things out and may use all.
ROOMS = ("_frames", "text", "records", "stadia", "growth", "group", "collection", "plot", "report", "cli")


def modules_of(package):
    return {".".join(file.relative_to(package).with_suffix("").parts): file for file in sorted(package.rglob("*.py"))}


def imports_of(file, modules):
    """Modules of the package that a module imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "moltspan":
            base = ".".join(node.module.split(".")[1:])
            for alias in node.names:
                name = f"{base}.{alias.name}".strip(".")
                found.add(name if name in modules else base)
        elif isinstance(node, ast.Import):
            found.update(alias.name.removeprefix("moltspan.") for alias in node.names if alias.name.startswith("moltspan."))
    return found - {""}


def faults(package):
    modules = modules_of(package)
    inner = {name: file for name, file in modules.items() if not name.startswith("__")}
    edges = {name: imports_of(file, modules) & set(inner) for name, file in inner.items()}
    strange = [f"{name}: no room of the table" for name in inner if name.split(".")[0] not in ROOMS]
    back = [f"{name} imports {other}" for name, others in edges.items() for other in sorted(others)
            if not strange and ROOMS.index(other.split(".")[0]) > ROOMS.index(name.split(".")[0])]
    return strange + back + circles(edges)


def circles(edges):
    done, found = set(), []

    def visit(name, path):
        if name in path:
            found.append(" -> ".join([*path[path.index(name):], name]))
        elif name not in done:
            for other in sorted(edges.get(name, ())):
                visit(other, [*path, name])
            done.add(name)

    for name in sorted(edges):
        visit(name, [])
    return found


def test_no_import_points_back_and_none_goes_in_a_circle():
    assert len(modules_of(PACKAGE)) > 80
    assert faults(PACKAGE) == []


def planted(tmp_path, **files):
    for name, text in files.items():
        file = tmp_path / (name.replace("__", "/") + ".py")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
    return faults(tmp_path)


def test_an_import_that_points_back_is_found_even_in_a_function(tmp_path):
    assert planted(tmp_path, records__read="def f():\n    from moltspan.cli import app\n", cli__app="import os\n") == ["records.read imports cli.app"]


def test_a_circle_within_a_folder_is_found(tmp_path):
    assert planted(tmp_path, growth__a="from moltspan.growth import b\n", growth__b="import moltspan.growth.a\n") == ["growth.a -> growth.b -> growth.a"]


def test_a_folder_that_nobody_listed_is_found(tmp_path):
    assert planted(tmp_path, helpers__a="import os\n") == ["helpers.a: no room of the table"]
