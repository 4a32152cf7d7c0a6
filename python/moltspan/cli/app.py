"""The command `moltspan`: puts its subcommands together. Each answers on standard output and says faults on standard error.

Exit status: 0; 1 = some records are faulty (the answers for the others are given all the same); 2 = wrong usage; 70 = a mistake in
moltspan itself (EX_SOFTWARE of the BSD sysexits), which must not pass for faulty records; 130 = broken off by the user. Where the reader
of our output goes away, the signal ends the process as it does other programs.
"""

import errno
import os
import signal
import sys

import typer

from moltspan.cli import backtest as command_backtest, check as command_check, forecast as command_forecast, growth as command_growth, import_file as command_import, kept as command_kept, label as command_label, note as command_note, rehouse as command_rehouse, report as command_report, start as command_start, today as command_today
from moltspan.cli.shared import WRONG_USAGE

OWN_MISTAKE, BROKEN_OFF = 70, 130
UNWRITABLE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)  # what a write to standard output can fail with
PLAIN_WIDTH = 10_000  # off a terminal no line is ever wrapped


def _settings():
    plain = {} if sys.stdout.isatty() else {"terminal_width": PLAIN_WIDTH, "max_content_width": PLAIN_WIDTH}
    return {"help_option_names": ["-h", "--help"]} | plain


app = typer.Typer(name="moltspan", no_args_is_help=True, add_completion=False, rich_markup_mode=None,
                  pretty_exceptions_enable=False, context_settings=_settings(),
                  help="Forecasts with honest bands from the records of molting arthropods.\n\n"
                       "Begin with: moltspan start FOLDER; day by day: moltspan today FOLDER. Exit status: 0; 1: some records are faulty, the others are answered; "
                       "2: the command is wrong; 70: a mistake in moltspan itself.")


def _version(wanted: bool):
    if wanted:
        import moltspan

        print(f"moltspan {moltspan.__version__}")
        raise typer.Exit()


@app.callback()
def _moltspan(version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version.")):
    pass


# Every subcommand lives in a module of its own and registers itself here.
command_start.add_to(app)
command_import.add_to(app)
command_today.add_to(app)
command_check.add_to(app)
command_note.add_to(app)
command_forecast.add_to(app)
command_growth.add_to(app)
command_kept.add_to(app)
command_rehouse.add_to(app)
command_backtest.add_to(app)
command_report.add_to(app)
command_label.add_to(app)


def main():
    """Runs the command and ends the process with its exit status."""
    _print_in_any_encoding()
    signal.signal(signal.SIGINT, lambda *_: sys.exit(BROKEN_OFF))
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    try:
        try:
            app(prog_name="moltspan")
        finally:
            sys.stdout.flush()
    except OSError as trouble:
        if trouble.filename is not None or trouble.errno not in UNWRITABLE:
            _own_mistake(trouble)
        _output_lost(trouble)
    except Exception as trouble:  # neither an answer nor wrong usage: our own mistake
        _own_mistake(trouble)


def _print_in_any_encoding():
    """Letters that the terminal or pipe has no code for are written as `\\xe9`, so that no name ends a command."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _output_lost(trouble):
    """A full disk, or a device that takes nothing, behind standard output: said, with the status of wrong usage."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what is left in the buffer would fail again at the end
    print(f"moltspan: the output could not be written ({trouble.strerror}); free some room, or send it elsewhere", file=sys.stderr)
    sys.exit(WRONG_USAGE)


def _own_mistake(trouble):
    import traceback

    import moltspan

    traceback.print_exception(trouble, file=sys.stderr)
    print(f"moltspan {moltspan.__version__}: this is a mistake in moltspan, not in your records. Please report it with the lines above, the command "
          "you gave and, if you can, the folder.", file=sys.stderr)
    sys.exit(OWN_MISTAKE)
