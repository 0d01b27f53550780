"""`studykit words`: what a word means."""

from __future__ import annotations

import argparse

from studykit.commands.speaking import CLEAN, Commands, say


def add(commands: Commands) -> None:
    """The words of this command."""
    words = commands.add_parser(
        "words",
        help="say what a word means",
        description="Say what a word of a report, a page or a message means, in plain words and with its source.",
    )
    words.add_argument("word", nargs="*", metavar="WORD", help="such as ICC or 'limits of agreement'; none lists all")
    words.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.words import glossary, meaning_of

    if not options.word:
        say(", ".join(entry.word for entry in glossary()))
        return CLEAN
    entry = meaning_of(" ".join(options.word))
    say(f"{entry.word} (also: {', '.join(entry.also)})" if entry.also else entry.word)
    say(entry.meaning)
    say(f"Source: {entry.source_line}.")
    return CLEAN
