"""The command `moltspan`: puts its subcommands together. Each answers on standard output and says faults on standard error.

Exit status: 0; 1 = some records are faulty (the answers for the others are given all the same); 2 = wrong usage.
"""

import sys

import typer

from moltspan import command_backtest, command_check, command_forecast, command_growth, command_rehouse, command_start

PLAIN_WIDTH = 10_000  # off a terminal no line is ever wrapped


def _settings():
    plain = {} if sys.stdout.isatty() else {"terminal_width": PLAIN_WIDTH, "max_content_width": PLAIN_WIDTH}
    return {"help_option_names": ["-h", "--help"]} | plain


app = typer.Typer(name="moltspan", no_args_is_help=True, add_completion=False, rich_markup_mode=None,
                  pretty_exceptions_enable=False, context_settings=_settings(),
                  help="Forecasts with honest bands from the records of molting arthropods.")


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
command_check.add_to(app)
command_forecast.add_to(app)
command_growth.add_to(app)
command_rehouse.add_to(app)
command_backtest.add_to(app)


def main():
    app()
