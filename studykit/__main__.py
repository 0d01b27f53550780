"""`python -m studykit` is the same as the command `studykit`."""

from studykit.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
