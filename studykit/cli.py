"""The command line: which commands there are, and how a mistake ends. Each command is a file in `commands/`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Final

from studykit import __version__
from studykit.commands import allocate, check, entry, lab, plan, report, reproduce, run, seal, start, words
from studykit.commands.speaking import CALLED_WRONGLY, EXIT_CODES, PROBLEMS, complain, say
from studykit.errors import CallError, StudykitError

COMMANDS: Final = (start, plan, allocate, entry, check, report, run, lab, words, seal, reproduce)
"""In the order of a study."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; a user's mistake is a sentence, never a traceback."""
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return CALLED_WRONGLY
    try:
        return int(options.run(options))
    except CallError as mistake:
        complain(mistake)
        return CALLED_WRONGLY
    except StudykitError as problem:
        complain(problem)
        return PROBLEMS
    except KeyboardInterrupt:
        say("\nStopped. The results of the last finished run are as they were.")
        return 130
    except BrokenPipeError:
        return PROBLEMS
    except OSError as trouble:
        complain(f"{trouble.strerror or trouble}: {trouble.filename or 'a file'} could not be read or written.")
        return CALLED_WRONGLY


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="studykit",
        description="From the protocol of a mobility study to a report that anybody can repeat.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"studykit {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for command in COMMANDS:
        command.add(commands)
    return parser
