"""Every notebook runs from top to bottom, is kept with its output, and can be run on records of one's own.

Run as a program it writes the outputs anew: `python3 tests/python/test_notebooks.py`.
"""

import functools
import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
BACKEND = "module://matplotlib_inline.backend_inline"
INVENTED = [path for path in NOTEBOOKS if "demo/collection" in path.read_text(encoding="utf-8")]
each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def execute(notebook, path):
    where = {"metadata": {"path": str(path.parent)}}
    client = NotebookClient(notebook, timeout=300, kernel_name="python3", record_timing=False, resources=where)
    client.execute(env=os.environ | {"MPLBACKEND": BACKEND})


@functools.cache
def run(path):
    """The notebook with fresh outputs, and without the times of the run."""
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    execute(notebook, path)
    notebook.metadata.language_info = {"name": "python"}
    return notebook


def texts_and_pictures(notebook):
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    data = [output.get("data", {}) for output in outputs]
    texts = [output.get("text", "") for output in outputs] + [str(one.get(kind, "")) for one in data for kind in ("text/plain", "text/html")]
    return "\n".join(texts), [one["image/png"] for one in data if "image/png" in one]


def n_plots(notebook):
    return sum(cell.source.count("moltspan.plot_") for cell in notebook.cells if "own_folder" not in cell.source)


def test_the_three_questions_have_a_notebook():
    assert {path.stem for path in NOTEBOOKS} >= {"01_next_molt", "02_larger_enclosure", "03_group_growth"}


@each
def test_notebook_runs(path):
    notebook = run(path)
    assert len(texts_and_pictures(notebook)[1]) == n_plots(notebook)


@each
def test_notebook_is_kept_with_small_output_that_names_no_path(path):
    notebook = nbformat.read(path, as_version=4)
    text, pictures = texts_and_pictures(notebook)
    assert len(pictures) == n_plots(notebook) and path.stat().st_size < 400_000
    assert all(cell.execution_count for cell in notebook.cells if cell.cell_type == "code")
    assert not any(word in text for word in ("/tmp", "/home", "/root", "Traceback", " at 0x", "Warning"))


@each
def test_notebook_begins_with_a_question_and_ends_with_a_cell_for_own_records(path):
    cells = nbformat.read(path, as_version=4).cells
    assert cells[0].source.splitlines()[0].startswith("# ") and cells[0].source.splitlines()[0].endswith("?")
    assert cells[-2].source.startswith("## Your own records here") and "own_folder = None" in cells[-1].source
    assert any(cell.source.startswith("## What to do now") for cell in cells)


@pytest.mark.parametrize("path", INVENTED, ids=lambda path: path.stem)
def test_demo_data_say_that_they_are_invented(path):
    notebook = nbformat.read(path, as_version=4)
    assert "invented records" in notebook.cells[0].source and "invented records" in texts_and_pictures(notebook)[0]


@pytest.mark.parametrize("figure", [
    "2.449", "1.348",  # gryllodes-tpc/SOURCE.md: least squares of log weight on instar, and its cube root; here the animals' spread is 0
    "0.7132",  # there, R survreg: exp(-0.3380), last stage at 26 C over 24 C
    "1.2206", "1.3128", "1.3183",  # amp-instar-tables/SOURCE.md: log fits of the wolf spider and of Centruroides, female and male
])
def test_the_growth_notebook_shows_published_figures(figure):
    path, = (path for path in NOTEBOOKS if path.stem == "03_group_growth")
    assert figure in texts_and_pictures(run(path))[0]


@each
def test_the_cell_for_own_records_works(path):
    """The last cell, with a folder named, from a kernel that has seen only the imports."""
    last = nbformat.read(path, as_version=4).cells[-1].source
    source = last.replace("own_folder = None", 'own_folder = "../demo/collection"')
    assert source != last
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("import moltspan"), nbformat.v4.new_code_cell(source)])
    execute(notebook, path)
    assert texts_and_pictures(notebook)[0].strip()


if __name__ == "__main__":
    for path in NOTEBOOKS:
        nbformat.write(run(path), path)
