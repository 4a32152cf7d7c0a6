"""`python -m moltspan` does what the command `moltspan` does."""

from moltspan.command_line import main

main()
