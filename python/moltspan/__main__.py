"""`python -m moltspan` does what the command `moltspan` does."""

from moltspan.command_line import main

if __name__ == "__main__":
    main()
