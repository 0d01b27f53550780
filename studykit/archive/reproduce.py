"""A seal in, every number again out: verified, recomputed, compared, shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

import pandas as pd

from studykit import __version__
from studykit.archive.bag import changed_files
from studykit.archive.comparing import GOOD, compared, parts_of, words_that_differ
from studykit.archive.names import BAG_INFO, ENVIRONMENT, PAYLOAD, RESULTS, SEALING
from studykit.archive.page import reproduction_page
from studykit.archive.payload import Packed, dates_of, payload_of
from studykit.archive.plain_json import read_json
from studykit.archive.reading_safely import read_seal
from studykit.archive.recompute import Recomputed, recompute, write_study_folder
from studykit.archive.release_notes import explained
from studykit.archive.verdict import Verdict
from studykit.data.checks.setting_aside import harmless
from studykit.errors import CallError, DataError, ProtocolError, StudykitError
from studykit.report.swapping import new_folder_for

PAGE: Final = "reproduction.html"
TABLE: Final = "reproduction.csv"
STUDY_FOLDER: Final = "study"
_BROKEN_COMPUTATION: Final = (
    StudykitError,
    ArithmeticError,
    AssertionError,
    LookupError,
    RecursionError,
    TypeError,
    ValueError,
    Warning,
)
"""What tables made to break something may break; the seal is then refused, and the kind of trouble is named."""


@dataclass(frozen=True, slots=True)
class Reproduction:
    """What came of recomputing a seal.

    Attributes:
        frame: `key, sealed, recomputed, digits_in_common, verdict, explanation`, one line a number.
        problems: what else is wrong, a sentence each: changed files, words that differ, other data.
        sealed_by, installed: version of the kit that sealed and of the one that recomputed.
        agrees: True only when every number agrees and nothing else is wrong.
        headline: the outcome in a sentence.
        page, table, study: what was written: reproduction.html, reproduction.csv and the study as a folder.
    """

    frame: pd.DataFrame
    problems: tuple[str, ...]
    sealed_by: str
    installed: str
    agrees: bool
    headline: str
    page: Path
    table: Path
    study: Path


def reproduce(file: str | Path, *, to: str | Path, progress: Callable[[str], None] | None = None) -> Reproduction:
    """Verify a seal, recompute every result from its data and protocol, and compare number by number.

    Nothing from the file is executed, and no name in it is used as a path. A seal that was changed is still recomputed
    where it can be read, so that the numbers that moved are named; it never counts as reproduced.

    Args:
        file: the .zip that `seal_study` wrote.
        to: folder for reproduction.html, reproduction.csv and the unpacked study; an earlier one is replaced.
        progress: called with one short sentence before each step.

    Raises:
        CallError: `to` holds something else.
        DataError: the file is refused, in one sentence; nothing is written.
    """
    file, to = Path(file), Path(to)
    _check_target(to)
    _tell(progress, "Verifying the seal")
    files = read_seal(file)
    changed = changed_files(files)
    payload = {name.removeprefix(f"{PAYLOAD}/"): content for name, content in files.items() if "/" in name}
    sealed, environment, sealing = (read_json(payload[name], name=name) for name in (RESULTS, ENVIRONMENT, SEALING))
    sealed_by = _version_of(environment)
    with new_folder_for(to) as fresh:
        again = _recomputed(payload, dates_of(sealing), fresh / STUDY_FOLDER, changed, progress)
        frame = _with_explanations(compared(sealed, again.results), sealed_by)
        others = _other_differences(sealed, again, sealed_by) + _other_versions(sealed, environment)
        if sealed_by == __version__ and not changed:
            others += _parts_written_otherwise(
                files, payload, again, Packed(sealed, environment, sealing, _date_of(files))
            )
        verdict = Verdict(
            file.name, frame, (*changed, *others), parts_of(sealed, again.results), sealed_by, __version__
        )
        harmless(frame).to_csv(fresh / TABLE, index=False, encoding="utf-8-sig", lineterminator="\n")
        (fresh / PAGE).write_text(reproduction_page(verdict, again.study), encoding="utf-8")
    return Reproduction(
        frame=frame,
        problems=verdict.problems,
        sealed_by=sealed_by,
        installed=__version__,
        agrees=verdict.agrees,
        headline=verdict.headline,
        page=to / PAGE,
        table=to / TABLE,
        study=to / STUDY_FOLDER,
    )


def _check_target(to: Path) -> None:
    if to.is_symlink() or (to.exists() and not to.is_dir()):
        raise CallError(f"{to} is no folder; give the name of a folder that does not exist yet.")
    if to.is_dir() and any(to.iterdir()) and not (to / PAGE).is_file():
        raise CallError(f"{to} holds something else; give the name of a folder that does not exist yet.")
    if not to.parent.is_dir():
        raise CallError(f"There is no folder {to.parent} to write {to.name} into.")


def _recomputed(
    payload: Mapping[str, bytes],
    dates: str,
    folder: Path,
    changed: tuple[str, ...],
    progress: Callable[[str], None] | None,
) -> Recomputed:
    """Recompute; whatever stops it is a sentence, with the changed files in front where there are any."""
    try:
        write_study_folder(payload, dates, folder)
        return recompute(folder, progress=progress)
    except (DataError, ProtocolError) as trouble:
        raise DataError(" ".join([*changed, f"The seal cannot be recomputed. {trouble}"])) from None
    except _BROKEN_COMPUTATION as trouble:
        told = [*changed, f"The seal cannot be recomputed: its tables break a computation ({type(trouble).__name__})."]
        raise DataError(" ".join(told)) from None


def _with_explanations(frame: pd.DataFrame, sealed_by: str) -> pd.DataFrame:
    moved = frame.loc[~frame["verdict"].isin(GOOD), "key"]
    notes = explained(moved, sealed_by=sealed_by, installed=__version__)
    return frame.assign(explanation=pd.Series([notes.get(key, "") for key in frame["key"]], dtype="str"))


def _other_differences(sealed: dict[str, Any], again: Recomputed, sealed_by: str) -> tuple[str, ...]:
    """What differs beside the numbers: the data or the protocol behind them, or the words around them."""
    now = again.study.provenance()
    then = sealed["provenance"]
    told = []
    if then.get("data_sha256") != now.data_sha256:
        told.append("The tables are not the ones from which the sealed numbers were computed: their hash differs.")
    if sealed_by == __version__:
        if then.get("protocol_sha256") != now.protocol_sha256:
            told.append("The protocol is not the one with which the sealed numbers were computed: its hash differs.")
        places = [place for place in words_that_differ(sealed, again.results) if not place.endswith("_sha256")]
        told += [f"Words in results.json differ from those written now: {place[:120]}." for place in places[:20]]
    return tuple(told)


def _other_versions(sealed: dict[str, Any], environment: dict[str, Any]) -> tuple[str, ...]:
    """Whether environment.json names the software that results.json names."""
    packages = environment.get("packages")
    named = {"studykit": environment.get("studykit"), "python": environment.get("python")}
    if isinstance(packages, dict) and {**named, **packages} == sealed["provenance"].get("versions"):
        return ()
    return (f"{ENVIRONMENT} names other software than {RESULTS} was made with.",)


def _parts_written_otherwise(
    files: Mapping[str, bytes], payload: Mapping[str, bytes], again: Recomputed, packed: Packed
) -> tuple[str, ...]:
    """Parts that the kit would write in another way for this study: put in, taken out or rewritten by somebody."""
    try:
        expected = payload_of(again.study, packed)
    except (DataError, LookupError, TypeError, ValueError, AttributeError) as trouble:
        reason = (
            str(trouble) if isinstance(trouble, DataError) else "a part does not have the form that the kit writes."
        )
        return (f"The parts of the seal cannot be written again: {reason}",)
    told = [
        f"{PAYLOAD}/{name} is not what the kit writes for this study."
        for name in sorted(expected.keys() | payload.keys())
        if expected.get(name) != payload.get(name)
    ]
    return tuple(told) if files else ()


def _version_of(environment: Mapping[str, Any]) -> str:
    version = environment.get("studykit")
    if not isinstance(version, str) or not 0 < len(version) <= 40 or not version.isascii() or not version.isprintable():
        raise DataError(f"{ENVIRONMENT} in the seal does not say which version of the kit made it.")
    return version


def _date_of(files: Mapping[str, bytes]) -> date:
    for line in files[BAG_INFO].decode(errors="replace").splitlines():
        name, _, told = line.partition(": ")
        if name == "Bagging-Date":
            try:
                return date.fromisoformat(told)
            except ValueError:
                break
    raise DataError(f"{BAG_INFO} in the seal has no date that can be read.")


def _tell(progress: Callable[[str], None] | None, sentence: str) -> None:
    if progress is not None:
        progress(sentence)
