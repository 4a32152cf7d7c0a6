"""A new folder of records: `start`."""

from pathlib import Path

from moltspan._frames.files import replace_file

SOURCE = Path(__file__).parents[1] / "start_folder"  # the files of shared/start_folder, as they are written


def start(folder):
    """Makes a folder of empty tables to write records into, and returns the paths written (see README.txt among them).

    Beside animals.csv, journal.csv, taxa.csv, enclosures.csv and folder.toml it holds a page on how to write down a molt, and a
    folder `examples` with invented records, which count for nothing. The folder may be there already; nothing in it is overwritten:
    FileExistsError names what is in the way, and nothing is written then. A start that was broken off is gone on with.
    """
    target = Path(folder)
    sources = sorted(path for path in SOURCE.rglob("*") if path.is_file())
    if not sources:
        raise FileNotFoundError(f"{SOURCE}: the files of a new folder are missing; install moltspan anew")
    _nothing_in_the_way(target, sources)
    missing = [source for source in sources if not _is_ours(target / source.relative_to(SOURCE), source)]
    made, written = [], []
    try:
        for source in missing:
            file = target / source.relative_to(SOURCE)
            made += _make_folders(file.parent)
            replace_file(file, source.read_bytes())
            written.append(file)
    except BaseException:  # a full disk or an interrupt: nothing half is left
        _take_away(written, made)
        raise
    return written


def _is_ours(file, source):
    """Whether a file stands there as `start` writes it: then an earlier start was broken off, and this one goes on."""
    return file.is_file() and not file.is_symlink() and file.read_bytes() == source.read_bytes()


def _make_folders(folder):
    """Makes a folder with those above it, and returns those that were not there, the outermost first."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()][::-1]
    folder.mkdir(parents=True, exist_ok=True)
    return missing


def _take_away(files, folders):
    for file in files:
        file.unlink(missing_ok=True)
    for folder in reversed(folders):
        if not any(folder.iterdir()):
            folder.rmdir()


def _nothing_in_the_way(target, sources):
    """What stands there as `start` writes it may stay, unless all of it does: then the folder was made before."""
    if target.exists() and not target.is_dir():
        raise FileExistsError(f"{target}: is a file, not a folder; name another place")
    ours = {target / source.relative_to(SOURCE): source for source in sources}
    standing = {file for file in ours if file.exists() or file.is_symlink()}
    foreign = standing if len(standing) == len(ours) else {file for file in standing if not _is_ours(file, ours[file])}
    for folder in {file.parent for file in ours} - {target}:
        if folder.exists() or folder.is_symlink():
            foreign |= {file for file in folder.iterdir() if file not in ours and not file.name.startswith(".")} if folder.is_dir() else {folder}
    there = sorted({file.relative_to(target).parts[0] for file in foreign})
    if there:
        raise FileExistsError(f"{target}: nothing was written, as it holds {', '.join(there)} already; name another folder, or move these away")
