"""A new folder of records: `start`."""

from pathlib import Path

SOURCE = Path(__file__).parent / "start_folder"  # the files of shared/start_folder, as they are written


def start(folder):
    """Makes a folder of empty tables to write records into, and returns the paths written (see README.txt among them).

    Beside animals.csv, journal.csv, taxa.csv, enclosures.csv and folder.toml it holds a page on how to write down a molt, and a
    folder `examples` with invented records, which count for nothing. The folder may be there already; nothing in it is overwritten:
    FileExistsError names what is in the way, and nothing is written then.
    """
    target = Path(folder)
    sources = sorted(path for path in SOURCE.rglob("*") if path.is_file())
    if not sources:
        raise FileNotFoundError(f"{SOURCE}: the files of a new folder are missing; install moltspan anew")
    _nothing_in_the_way(target, sorted({path.relative_to(SOURCE).parts[0] for path in sources}))
    written = []
    for source in sources:
        file = target / source.relative_to(SOURCE)
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("xb") as out:  # x: never over a file that came up meanwhile
            out.write(source.read_bytes())
        written.append(file)
    return written


def _nothing_in_the_way(target, names):
    if target.exists() and not target.is_dir():
        raise FileExistsError(f"{target}: is a file, not a folder; name another place")
    there = [name for name in names if (target / name).exists() or (target / name).is_symlink()]
    if there:
        raise FileExistsError(f"{target}: nothing was written, as it holds {', '.join(there)} already; name another folder, or move these away")
