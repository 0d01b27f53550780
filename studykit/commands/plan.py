"""`studykit plan`: what follows from the numbers that the protocol supposes."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from studykit.commands.speaking import CLEAN, PROBLEMS, Commands, need_study_folder, say


def add(commands: Commands) -> None:
    """The words of this command."""
    plan = commands.add_parser(
        "plan",
        help="say how many participants the study needs, and how likely it is to find what it looks for",
        description="Work out what follows from [planning] in study.toml and write results/plan.html. A run that was "
        "stopped goes on where it was.",
        epilog="exit codes: 0 every question was answered; 1 the protocol holds mistakes or a question has no answer; "
        "2 called wrongly",
    )
    plan.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder; no data are needed")
    plan.add_argument("--workers", type=int, metavar="N", help="processes that simulate (default: one a core)")
    plan.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.answers import Section, Unanswered
    from studykit.planning import plan_study, trials_at_most, workers
    from studykit.protocol import load_protocol
    from studykit.report.plan_page import FOLDER, SIMULATED, write_plan

    need_study_folder(options.folder)
    protocol = load_protocol(options.folder / "study.toml")
    results = options.folder / "results"
    with workers(options.workers) as pool, _bar(trials_at_most(protocol)) as tell:
        parts = plan_study(protocol, executor=pool, checkpoint=results / FOLDER / SIMULATED, progress=tell)
    sections = [
        Section(
            part.key,
            part.title,
            part.results,
            (Unanswered(part.key, part.title, part.refusal),) if part.refusal else (),
        )
        for part in parts
    ]
    page = write_plan(results, protocol, sections)
    for part in parts:
        for result in part.results:
            say(f"• {result.headline}")
        if part.refusal:
            say(f"• {part.title} {part.refusal}")
    say(f"Plan: {page}")
    return PROBLEMS if any(part.refusal for part in parts) else CLEAN


@contextmanager
def _bar(most: int) -> Iterator[Callable[[str, int], None] | None]:
    """A progress bar of simulated trials on a terminal; silence when the output goes to a file or a pipe."""
    if not most or not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(desc="Simulating", total=most, leave=False, unit="trial", bar_format="{bar:24} {elapsed} {desc}") as bar:

        def tell(name: str, trials: int) -> None:
            bar.set_description_str(f"Simulating: {name}")
            bar.update(trials)

        yield tell
