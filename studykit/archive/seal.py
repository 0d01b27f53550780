"""A study folder becomes one file with which a stranger gets the same numbers."""

from __future__ import annotations

import os
import secrets
import tempfile
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path

from studykit.archive.bag import bag_of, zip_of
from studykit.archive.canonical import canonical_protocol
from studykit.archive.environment import date_of_seal, environment
from studykit.archive.payload import Packed, payload_of, sealing_of
from studykit.archive.recompute import Recomputed, recompute, write_study_folder
from studykit.archive.tables import csv_tables
from studykit.data import check_study
from studykit.data.sharing.legend import check_place_of_legend, pseudonyms_of, write_legend
from studykit.data.sharing.privacy import IDENTIFIERS, Concern, concerns_of
from studykit.data.sharing.shareable import CALENDAR, STUDY_DAYS, Sharing, one_way_out, shareable
from studykit.data.study import Study
from studykit.errors import CallError, DataError
from studykit.protocol import protocol_sha256

SEAL_FILE = "seal.zip"
KEY_BYTES = 32
_MOST_KEY_BYTES = 10_000


def seal_study(
    folder: str | Path,
    *,
    to: str | Path | None = None,
    dates: str = CALENDAR,
    pseudonyms: str | Path | None = None,
    legend: str | Path | None = None,
    leave_out: Sequence[str] = (),
    coarsen: Mapping[str, float] | None = None,
    looked_at: Sequence[str] = (),
    dated: date | None = None,
    progress: Callable[[str], None] | None = None,
) -> Path:
    """Seal a study: protocol, checked tables, every number and what made it, in one .zip that holds no program.

    The numbers are computed from the very bytes that are sealed, by the function that `reproduce` uses. The same
    folder and the same choices give the same bytes, on every day and whatever order a system lists files in.

    Args:
        folder: a study folder, study.toml and data/.
        to: the file to write; None writes seal.zip into the study folder.
        dates: "calendar", or "study days" to count every date from its participant's enrolment.
        pseudonyms: file with a secret key, kept outside the study folder and outside the seal; codes of participants
            and raters become keyed pseudonyms (HMAC-SHA256). `new_key` makes one.
        legend: a .csv to write outside the study folder, which says which code became which pseudonym; needs a key.
        leave_out: "table.column" of columns that are left out.
        coarsen: "participants.column" -> width of bands, such as {"participants.age_years": 10}.
        looked_at: "table.column" of columns that a person has read and found free of identifiers; written in the seal.
        dated: the date that the seal bears; None takes SOURCE_DATE_EPOCH, or 1980-01-01 when that is not set.
        progress: called with one short sentence before each step.

    Returns:
        the file written.

    Raises:
        CallError: a choice is not possible.
        ProtocolError, DataError: the study cannot be used, or must not be shared as it stands; the text lists every
            reason, never a value, and one set of choices with which it may be shared.
    """
    folder = Path(folder)
    target = _target(folder, None if to is None else Path(to))
    sharing = Sharing(
        dates=dates,
        key=None if pseudonyms is None else _key(Path(pseudonyms), folder),
        leave_out=tuple(leave_out),
        coarsen=dict(coarsen or {}),
        looked_at=tuple(looked_at),
    )
    if legend is not None:
        if sharing.key is None:
            raise CallError("A legend says which code became which pseudonym; without a key there are none.")
        check_place_of_legend(Path(legend), folder)
    day = date_of_seal(dated)
    checked = check_study(folder, progress=progress)
    if checked.study is None:
        raise DataError(f"{folder.name} cannot be sealed: run 'studykit check' to see what must be mended first.")
    _tell(progress, "Looking for what must not be shared")
    study = shareable(checked.study, sharing)
    _refuse_what_identifies(checked.study, study, sharing, folder)
    again = _computed_from_sealed_bytes(study, sharing, progress)
    _tell(progress, "Sealing")
    packed = Packed(again.results, environment(again.results), sealing_of(checked.study, sharing), day)
    bag = bag_of(payload_of(again.study, packed), dated=day, software=f"studykit {packed.environment['studykit']}")
    _write(zip_of(bag), target)
    if legend is not None and sharing.key is not None:
        write_legend(pseudonyms_of(checked.study, sharing.key), Path(legend))
    return target


def new_key(file: str | Path) -> Path:
    """Write a new random key for pseudonyms; whoever has it can tell who is who, so keep it away from the data.

    Raises:
        CallError: the file exists already or cannot be written.
    """
    file = Path(file)
    try:
        with open(file, "x", encoding="ascii", opener=_private) as opened:
            opened.write(secrets.token_hex(KEY_BYTES) + "\n")
    except FileExistsError:
        raise CallError(f"{file} exists already; a key is never overwritten.") from None
    except OSError as trouble:
        raise CallError(f"{file} cannot be written ({trouble.strerror}).") from None
    return file


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _target(folder: Path, to: Path | None) -> Path:
    target = folder / SEAL_FILE if to is None else to
    if target.is_dir():
        target = target / SEAL_FILE
    if not target.parent.is_dir():
        raise CallError(f"There is no folder {target.parent} to write {target.name} into.")
    if (folder / "data").resolve() in target.resolve().parents:
        raise CallError(f"{target} lies among the data of the study; choose a place outside {folder / 'data'}.")
    return target


def _key(file: Path, folder: Path) -> bytes:
    if folder.resolve() in file.resolve().parents:
        raise CallError(
            f"The key {file.name} lies inside the study folder. Whoever gets the folder would get the key with it; "
            "move the key elsewhere."
        )
    try:
        with file.open("rb") as opened:
            key = opened.read(_MOST_KEY_BYTES + 1).strip()
    except FileNotFoundError:
        raise CallError(f"There is no key {file}. Make one with: studykit seal FOLDER --new-key {file}") from None
    except OSError as trouble:
        raise CallError(f"The key {file} cannot be read ({trouble.strerror}).") from None
    if len(key) > _MOST_KEY_BYTES:
        raise CallError(f"{file} is larger than any key; name the file that holds the key.")
    return key


def _refuse_what_identifies(original: Study, study: Study, sharing: Sharing, folder: Path) -> None:
    concerns = concerns_of(study, calendar=sharing.dates == CALENDAR, looked_at=sharing.looked_at)
    if not concerns:
        return
    lines = [f"{folder.name} must not be shared as it stands, and nothing was written:"]
    lines += [f"  {concern.place}: {concern.sentence}. {_sentence(concern.way_out)}" for concern in concerns]
    lines += [
        "One way that works, to be judged by somebody who knows these people:",
        f"  {_command(original, concerns, sharing, folder)}",
    ]
    raise DataError("\n".join(lines))


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _command(original: Study, concerns: Sequence[Concern], sharing: Sharing, folder: Path) -> str:
    """The command that would seal this study, columns named by their place."""
    way = one_way_out(original, sharing)
    words = [f"studykit seal {folder}"]
    words += ["--study-days"] if way.dates == STUDY_DAYS else []
    codes = any(set(concern.columns) & IDENTIFIERS for concern in concerns)
    words += ["--pseudonyms KEYFILE"] if codes or way.key is not None else []
    words += [f"--leave-out {name}" for name in way.leave_out]
    words += [f"--bands {name}={width:g}" for name, width in way.coarsen.items()]
    words += [f"--looked-at {name}" for name in way.looked_at]
    return " ".join(words)


def _computed_from_sealed_bytes(study: Study, sharing: Sharing, progress: Callable[[str], None] | None) -> Recomputed:
    """Write the bytes that will be sealed, read them back as a stranger would, and compute every number."""
    protocol = canonical_protocol(study.protocol).encode()
    with tempfile.TemporaryDirectory(prefix="studykit-") as place:
        write_study_folder({"study.toml": protocol, **csv_tables(study, sharing.dates)}, sharing.dates, Path(place))
        again = recompute(Path(place), progress=progress)
    same_rows = again.study.data_sha256 == study.data_sha256
    if not same_rows or protocol_sha256(again.study.protocol) != protocol_sha256(study.protocol):
        raise DataError(
            "The sealed tables or the sealed protocol do not read back as they were written; nothing was sealed. "
            "This is a fault of the kit, please report it."
        )
    return again


def _write(content: bytes, target: Path) -> None:
    beside = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        beside.write_bytes(content)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


def _tell(progress: Callable[[str], None] | None, sentence: str) -> None:
    if progress is not None:
        progress(sentence)
