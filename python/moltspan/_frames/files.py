"""Writing output files: the one way in which this package puts a file in the place of another."""

import os
import stat
import uuid
from pathlib import Path


def replace_file(path, content):
    """Writes `content` (text as UTF-8, or bytes) as the file `path`: beside it first, flushed to the disk, then renamed over it.

    Until that moment the old file stays whole, also where the disk is full or the process is ended. Owner, group and mode stay those of the
    old file; a link stays a link. A pipe or a device takes the content as it is. OSError says what became of the old file.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        old = os.stat(path) if os.path.exists(path) else None
        if old is not None and not stat.S_ISREG(old.st_mode):
            Path(path).write_bytes(data)  # /dev/stdout, a pipe; a folder is refused by the system
            return
        _replace(Path(os.path.realpath(path)), data, old)
    except OSError as trouble:
        there = "what was there stays as it was" if os.path.lexists(path) else "nothing was written"
        raise type(trouble)(trouble.errno, f"{trouble.strerror or trouble}; {there}", str(path)) from trouble


def _replace(target, data, old):
    new = target.with_name(f".{target.name}.new.{uuid.uuid4().hex}")
    try:
        with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "wb") as out:
            out.write(data)
            out.flush()
            if old is not None:
                _take_after(out.fileno(), old)
            os.fsync(out.fileno())
        os.replace(new, target)
    except BaseException:
        new.unlink(missing_ok=True)
        raise
    _flush_folder(target.parent)


def _take_after(file, old):
    """Gives the new file to the owner and group of the old one, with its mode; where that is not allowed the writer owns it."""
    own = os.fstat(file)
    if (own.st_uid, own.st_gid) != (old.st_uid, old.st_gid):
        try:
            os.fchown(file, old.st_uid, old.st_gid)
        except PermissionError:
            pass
    os.fchmod(file, stat.S_IMODE(old.st_mode))


def _flush_folder(folder):
    """Makes the rename itself last; where a file system cannot, the new file is there all the same."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
