"""`python -m moltspan` does what the command `moltspan` does."""

from moltspan.cli.app import main

if __name__ == "__main__":
    main()
