"""The command line. Nothing heavy is imported before a command needs it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit import __version__
from studykit.errors import CallError, DataError, ProtocolError, StudykitError
from studykit.vocabulary import DESIGNS, ERROR, SUSPICION

if TYPE_CHECKING:
    import pandas as pd

CLEAN, PROBLEMS, CALLED_WRONGLY = 0, 1, 2
EXIT_CODES = """\
exit codes:
  0  clean: no errors in the data (suspicions may be listed; they remove nothing)
  1  problems: the data or the protocol hold mistakes; each is listed
  2  called wrongly: a word of the command, or a folder that is no study folder
"""
MOST_LINES_SHOWN = 20
NOT_REPEATED = "{rule}: the cell looks like a name, a date or a number of a person and is not repeated here."
CHECK_STEPS = 9  # seven tables to read, the rules, the suspicions
REPORT_STEPS = 6  # five parts to answer, the page to write


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; a user's mistake is a sentence, never a traceback."""
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return CALLED_WRONGLY
    commands: dict[str, Callable[[argparse.Namespace], int]] = {
        "start": _start,
        "check": _check,
        "report": _report,
        "seal": _seal,
        "reproduce": _reproduce,
    }
    try:
        return commands[options.command](options)
    except CallError as mistake:
        _complain(mistake)
        return CALLED_WRONGLY
    except (ProtocolError, DataError) as problem:
        _complain(problem)
        return PROBLEMS
    except StudykitError as refusal:
        _complain(refusal)
        return PROBLEMS
    except KeyboardInterrupt:
        _say("\nStopped. The results of the last finished run are as they were.")
        return 130
    except BrokenPipeError:
        return PROBLEMS
    except OSError as trouble:
        _complain(f"{trouble.strerror or trouble}: {trouble.filename or 'a file'} could not be read or written.")
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
    start = commands.add_parser("start", help="make a new study folder", description="Make a new study folder.")
    start.add_argument("folder", type=Path, metavar="FOLDER", help="a folder that does not exist yet, or is empty")
    start.add_argument("--design", required=True, choices=DESIGNS, help="what kind of study it is")
    check = commands.add_parser(
        "check",
        help="name every mistake in the data",
        description="Name every mistake in the data: sheet, row, column, value, rule and what to do.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    report = commands.add_parser(
        "report",
        help="check the data, compute every answer, write results/report.html",
        description="Check the data, compute every answer and write results/report.html.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    report.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    _archive_parsers(commands)
    return parser


def _archive_parsers(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    seal = commands.add_parser(
        "seal",
        help="pack protocol, data and numbers into one file",
        description="Pack protocol, checked data and every number into one .zip from which a stranger gets the same "
        "numbers. Refuses while people could be recognised, and says what to do about it.",
    )
    seal.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    seal.add_argument("--to", type=Path, metavar="FILE", help="the .zip to write (default: seal.zip in FOLDER)")
    seal.add_argument("--study-days", action="store_true", help="count dates from each person's enrolment")
    key = seal.add_mutually_exclusive_group()
    key.add_argument("--pseudonyms", type=Path, metavar="KEYFILE", help="replace codes of people, with this secret key")
    key.add_argument("--new-key", type=Path, metavar="KEYFILE", help="the same, making a new key first")
    for option, told in (("--leave-out", "leave a column out"), ("--looked-at", "you read it: it identifies nobody")):
        seal.add_argument(option, action="append", default=[], metavar="TABLE.COLUMN", help=f"{told} (may be repeated)")
    seal.add_argument(
        "--bands", action="append", default=[], metavar="TABLE.COLUMN=WIDTH", help="such as participants.age_years=10"
    )
    reproduce = commands.add_parser(
        "reproduce",
        help="compute every number of a sealed study again and compare",
        description="Verify a sealed study, compute every number again and compare. Nothing from the file is executed.",
        epilog="exit codes: 0 every number agrees; 1 something differs, or the file is refused; 2 called wrongly",
    )
    reproduce.add_argument("file", type=Path, metavar="FILE", help="the .zip that 'studykit seal' wrote")
    reproduce.add_argument("--to", type=Path, metavar="FOLDER", help="where to write (default: FILE_reproduced)")


def _start(options: argparse.Namespace) -> int:
    from studykit.starting import start_study

    written = start_study(options.folder, design=options.design)
    _say(f"Made {options.folder} with {len(written)} files:")
    for path in written:
        _say(f"  {path}")
    _say(f"Next: write your plan into study.toml, your readings into data/, then: studykit check {options.folder}")
    return CLEAN


def _check(options: argparse.Namespace) -> int:
    from studykit.data import check_study, write_check

    _need_study_folder(options.folder)
    with _progress("Checking", most_steps=CHECK_STEPS) as tell:
        checked = check_study(options.folder, progress=tell)
    results = options.folder / "results"
    results.mkdir(exist_ok=True)
    write_check(checked, results)
    used, aside = sum(checked.rows_used.values()), sum(checked.rows_set_aside.values())
    _say(f"{used + aside} rows read: {used} used, {aside} set aside.")
    code = _show(checked.findings, results)
    if checked.study is not None and _is_stale(results, checked.study.data_sha256):
        _say(f"{results / 'report.html'} was made from other data; run: studykit report {options.folder}")
    return code


def _report(options: argparse.Namespace) -> int:
    from studykit.report import write_report

    _need_study_folder(options.folder)
    with _progress("Report", most_steps=CHECK_STEPS + REPORT_STEPS) as tell:
        written = write_report(options.folder, progress=tell)
    for section in written.sections:
        for result in section.results:
            _say(f"• {result.headline}")
        for item in section.unanswered:
            _say(f"• {item.title} {item.reason}")
    code = _show(written.checked.findings, written.page.parent, most=5)
    _say(f"Report: {written.page}")
    return code


def _seal(options: argparse.Namespace) -> int:
    from hashlib import sha256

    from studykit.archive import new_key, seal_study

    _need_study_folder(options.folder)
    key = options.pseudonyms
    if options.new_key is not None:
        key = new_key(options.new_key)
        _say(f"New key: {key}. Whoever has it can tell who is who; keep it away from the data and from the seal.")
    with _progress("Seal", most_steps=CHECK_STEPS + REPORT_STEPS) as tell:
        sealed = seal_study(
            options.folder,
            to=options.to,
            dates="study days" if options.study_days else "calendar",
            pseudonyms=key,
            leave_out=options.leave_out,
            coarsen=dict(_band(words) for words in options.bands),
            looked_at=options.looked_at,
            progress=tell,
        )
    _say(f"Sealed: {sealed}\nSHA-256, to publish beside it: {sha256(sealed.read_bytes()).hexdigest()}")
    return CLEAN


def _band(words: str) -> tuple[str, float]:
    column, _, width = words.partition("=")
    try:
        return column, float(width)
    except ValueError:
        raise CallError(f"--bands is {words!r}; write it like participants.age_years=10.") from None


def _reproduce(options: argparse.Namespace) -> int:
    from studykit.archive import reproduce

    target = options.to or options.file.with_name(f"{options.file.stem}_reproduced")
    with _progress("Reproduce", most_steps=CHECK_STEPS + REPORT_STEPS) as tell:
        again = reproduce(options.file, to=target, progress=tell)
    _say(again.headline)
    for problem in again.problems[:MOST_LINES_SHOWN]:
        _say(f"• {problem}")
    _say(f"Number by number: {again.page}")
    return CLEAN if again.agrees else PROBLEMS


def _show(findings: pd.DataFrame, results: Path, *, most: int = MOST_LINES_SHOWN) -> int:
    """Print the first findings, errors first, and where all of them stand; return the exit code."""
    from studykit.data.sharing.privacy import quotes_an_identifier
    from studykit.formatting import counted

    errors = findings[findings["severity"] == ERROR]
    suspicions = findings[findings["severity"] == SUSPICION]
    if findings.empty:
        _say("No problems found.")
        return CLEAN
    shown = [*errors.itertuples(), *suspicions.itertuples()][:most]
    for line in shown:
        _say(f"{line.severity}: {_place(line)}")
        told = f"{_sentence(line.message)} {_sentence(line.what_to_do)}"
        _say(f"    {NOT_REPEATED.format(rule=line.rule.replace('_', ' ')) if quotes_an_identifier(told) else told}")
    if len(findings) > len(shown):
        _say(f"... and {len(findings) - len(shown)} more.")
    total = f"{counted(len(errors), 'error')}, {counted(len(suspicions), 'suspicion')}"
    _say(f"{total}. All of them: {results / 'findings.csv'}")
    return PROBLEMS if len(errors) else CLEAN


def _place(line: Any) -> str:
    """Where a finding is, as a person would look for it: file, sheet, row, column."""
    import pandas as pd

    parts = [f"{line.file} › {line.sheet}" if line.file and line.sheet else line.file or f"table {line.table}"]
    if not pd.isna(line.row):
        parts.append(f"row {line.row}")
    if line.column:
        parts.append(f"column {line.column}")
    return ", ".join(parts)


def _sentence(text: str) -> str:
    """A sentence with a capital in front and a full stop behind."""
    ended = text if text.endswith((".", "!", "?")) else f"{text}."
    return ended[:1].upper() + ended[1:]


def _need_study_folder(folder: Path) -> None:
    if not folder.is_dir():
        raise CallError(f"There is no folder {folder}. Make one with: studykit start {folder} --design audit")
    if not (folder / "study.toml").is_file():
        raise CallError(f"{folder} holds no study.toml. Name the folder that 'studykit start' made.")


def _is_stale(results: Path, data_sha256: str) -> bool:
    import json

    path = results / "results.json"
    if not path.is_file():
        return False
    try:
        sealed = json.loads(path.read_text(encoding="utf-8"))["provenance"]["data_sha256"]
    except (ValueError, KeyError, TypeError):
        return True
    return bool(sealed != data_sha256)


@contextmanager
def _progress(title: str, *, most_steps: int) -> Iterator[Callable[[str], None] | None]:
    """A progress bar on a terminal; silence when the output goes to a file or a pipe.

    Args:
        title: what is being done.
        most_steps: how many steps there are when a study has every table and every answer.
    """
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(desc=title, total=most_steps, leave=False, bar_format="{bar:24} {elapsed} {desc}") as bar:

        def tell(step: str) -> None:
            bar.set_description_str(f"{title}: {step}")
            bar.update()

        yield tell


def _say(sentence: str) -> None:
    sys.stdout.write(f"{sentence}\n")


def _complain(problem: StudykitError | str) -> None:
    sys.stderr.write(f"studykit: {problem}\n")
