"""An allocation list that is committed to before the trial and shown after it.

The secret (seed and nonce) and the list stand in a folder outside the study folder. In the study folder stands a
commitment: the SHA-256 of the nonce and of what it commits to. Nobody can work out the list from it, because the nonce
has 256 random bits; and nobody can exchange the list later, because another one has another hash.

With blocks the hash commits to the list itself. With minimisation there is no list beforehand: the hash commits to the
seed, and every allocation follows from the seed, the people before and the levels of the person.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

from studykit.errors import CallError, DataError
from studykit.numerics.planning.allocation import GENERATOR
from studykit.planning.allocation import (
    AllocationRules,
    allocation_list,
    as_csv,
    from_csv,
    minimised_again,
    minimised_next,
)
from studykit.toml_text import toml_text

SECRET: Final = "allocation_secret.toml"  # noqa: S105 - a file name
LIST: Final = "allocation_list.csv"
COMMITMENT: Final = "allocation_commitment.json"
FORMAT: Final = "studykit-allocation/1"
PARTICIPANT: Final = "participant_id"
_CODE: Final = r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}"
_HEADER: Final = """\
# Seed and nonce of an allocation list. Whoever reads this file knows who comes to which arm: keep it away from
# everybody who enrols, treats or measures participants, and show it only when the trial is over.

"""


@dataclass(frozen=True, slots=True)
class Committed:
    """What was written: the commitment in the study folder, and the secret folder."""

    commitment: Path
    sha256: str
    secret_folder: Path


def commit_allocation(
    rules: AllocationRules, folder: Path, secret_folder: Path, *, seed: int | None = None
) -> Committed:
    """Make the list and its secret outside the study folder, and the commitment inside.

    Args:
        rules: how the list is made.
        folder: the study folder.
        secret_folder: where seed, nonce and list go; made when it is not there.
        seed: for tests; 128 random bits of the operating system when left out.

    Raises:
        CallError: the secret folder lies in the study folder, or something would be overwritten.
    """
    _check_secret_folder(secret_folder)
    inside, outside = folder.resolve(), secret_folder.resolve()
    if outside == inside or inside in outside.parents:
        raise CallError(
            f"{secret_folder} lies in the study folder, where people who enrol would see who comes to which arm. Name "
            "a folder outside it."
        )
    for path in (folder / COMMITMENT, secret_folder / SECRET, secret_folder / LIST):
        if path.exists():
            raise CallError(
                f"{path} is there already. A list that was committed to is never made again; nothing was written."
            )
    if seed is None:
        seed = secrets.randbits(128)
    nonce = secrets.token_hex(32)
    start = as_csv(allocation_list(rules, seed)) if rules.method == "blocks" else as_csv(_nobody(rules))
    content = start if rules.method == "blocks" else str(seed).encode()
    sha256 = _sha256(nonce, content)
    secret_folder.mkdir(parents=True, exist_ok=True)
    secret = {"format": FORMAT, "generator": GENERATOR, "seed": str(seed), "nonce": nonce}
    _write_new(secret_folder / SECRET, (_HEADER + toml_text(secret)).encode("utf-8"), private=True)
    _write_new(secret_folder / LIST, start, private=True)
    document = {"format": FORMAT, "sha256": sha256, "generator": GENERATOR, **_plain(rules)}
    _write_new(folder / COMMITMENT, (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
    return Committed(folder / COMMITMENT, sha256, secret_folder)


def allocate_next(
    rules: AllocationRules, folder: Path, secret_folder: Path, participant: str, levels: Mapping[str, str]
) -> str:
    """Allocate one participant by minimisation, and write it down behind those before.

    Raises:
        CallError: another method, a participant who was allocated already, or a word that is not planned.
        DataError: the files are missing or are not those that were committed to.
    """
    if rules.method != "minimisation":
        raise CallError(
            "People are allocated one by one under minimisation; with blocks, open the next code of the list."
        )
    if re.fullmatch(_CODE, participant) is None:
        raise CallError(
            f"{participant!r} cannot be used as a participant's code: a code has up to 64 letters, digits, "
            "underscores, dots and hyphens, and begins with a letter or digit."
        )
    unknown = [column for column in levels if column not in rules.strata]
    if unknown:
        raise CallError(f"{unknown[0]} is no column that is balanced; these are {', '.join(rules.strata)}.")
    seed, _ = _checked_secret(rules, folder, secret_folder)
    before = _read_list(rules, secret_folder)
    if participant in set(before[PARTICIPANT]):
        arm = before.loc[before[PARTICIPANT] == participant, "arm"].iloc[0]
        raise CallError(f"{participant} was allocated already, to {arm}; nothing was changed.")
    arm = minimised_next(rules, seed, before, levels)
    line = pd.DataFrame([{PARTICIPANT: participant, **{name: levels[name] for name in rules.strata}, "arm": arm}])
    with (secret_folder / LIST).open("ab") as file:
        file.write(as_csv(line).split(b"\n", 1)[1])
    return arm


def reveal_allocation(rules: AllocationRules, folder: Path, secret_folder: Path) -> pd.DataFrame:
    """The list, after everything was checked (`checked_allocation`)."""
    _, found = checked_allocation(rules, folder, secret_folder)
    return found


def checked_allocation(rules: AllocationRules, folder: Path, secret_folder: Path) -> tuple[int, pd.DataFrame]:
    """Seed and list, after everything was checked: it is the one committed to, and the seed gives it again.

    Raises:
        DataError: the hash, the rules or an arm do not agree; the sentence says which.
    """
    seed, _ = _checked_secret(rules, folder, secret_folder)
    found = _read_list(rules, secret_folder)
    again = allocation_list(rules, seed)["arm"] if rules.method == "blocks" else minimised_again(rules, seed, found)
    differing = [place for place, (a, b) in enumerate(zip(found["arm"], again, strict=True)) if a != b]
    if differing:
        name = found.iloc[differing[0], 0]
        raise DataError(
            f"{len(differing)} of {len(found)} entries do not follow from the seed (first: {name}); the list was "
            "changed."
        )
    return seed, found


def committed_sha256(folder: Path) -> str:
    """The hash that was published, from the commitment in the study folder."""
    return str(_commitment(folder)["sha256"])


def _checked_secret(rules: AllocationRules, folder: Path, secret_folder: Path) -> tuple[int, str]:
    """Seed and nonce, after the commitment was found to agree with them and with the rules of the protocol."""
    commitment = _commitment(folder)
    changed = [name for name, value in _plain(rules).items() if commitment.get(name) != value]
    if changed:
        raise DataError(
            f"{changed[0].replace('_', ' ')} of the protocol is not what {COMMITMENT} was made with; restore the "
            "protocol of that day."
        )
    path = secret_folder / SECRET
    try:
        secret = tomllib.loads(path.read_text(encoding="utf-8"))
        seed, nonce = int(secret["seed"]), str(secret["nonce"])
    except (OSError, ValueError, KeyError, TypeError):
        raise DataError(f"{path} is not there or is not a secret of an allocation list.") from None
    if not (secret_folder / LIST).is_file():
        raise DataError(
            f"{secret_folder / LIST} is not there; look for the list, without which nothing can be checked."
        )
    content = (secret_folder / LIST).read_bytes() if rules.method == "blocks" else str(seed).encode()
    if _sha256(nonce, content) != commitment["sha256"]:
        raise DataError(
            "The list and its secret do not have the hash that was committed to: one of them is not the one of that "
            "day."
        )
    return seed, nonce


def _commitment(folder: Path) -> dict[str, Any]:
    path = folder / COMMITMENT
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or found.get("format") != FORMAT or "sha256" not in found:
        raise DataError(f"{path} is not there or is no commitment to an allocation list.")
    return found


def _read_list(rules: AllocationRules, secret_folder: Path) -> pd.DataFrame:
    first = "code" if rules.method == "blocks" else PARTICIPANT
    path = secret_folder / LIST
    content = path.read_bytes()
    found = from_csv(content, [first, *rules.strata, "arm"])
    for column, words in {**rules.strata, "arm": rules.arms}.items():
        odd = found[~found[column].isin(words)]
        if len(odd):
            raise DataError(
                f"{len(odd)} of {len(found)} entries of {path} hold a word in {column} that is not planned (first: "
                f"{odd.iloc[0, 0]}); the list was changed."
            )
    if not content.endswith(b"\n"):
        raise DataError(f"{path} does not end with a whole line; the list was changed.")
    return found


def _check_secret_folder(secret_folder: Path) -> None:
    """Refuse a folder that was not named, which would be the one at hand, and something that is no folder."""
    if secret_folder == Path():
        raise CallError("No folder for list and seed was named; name one outside the study folder.")
    if secret_folder.exists() and not secret_folder.is_dir():
        raise CallError(f"{secret_folder} is no folder; name one for list and seed.")


def _nobody(rules: AllocationRules) -> pd.DataFrame:
    return pd.DataFrame(columns=[PARTICIPANT, *rules.strata, "arm"])


def _sha256(nonce: str, content: bytes) -> str:
    return hashlib.sha256(nonce.encode("ascii") + b"\n" + content).hexdigest()


def _plain(rules: AllocationRules) -> dict[str, Any]:
    """The rules as they stand in the commitment."""
    return {
        "method": rules.method,
        "arms": list(rules.arms),
        "ratios": list(rules.ratios),
        "strata": {column: list(words) for column, words in rules.strata.items()},
        "entries_in_a_stratum": rules.entries if rules.method == "blocks" else None,
        "block_sizes": list(rules.block_sizes) if rules.method == "blocks" else None,
        "certainty": rules.certainty if rules.method == "minimisation" else None,
    }


def _write_new(path: Path, content: bytes, *, private: bool = False) -> None:
    """Write a file that must not exist yet; a private one for its owner alone."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags, 0o600 if private else 0o644), "wb") as file:
        file.write(content)
