"""study.toml -> Protocol: every mistake in one message, each with its line."""

from __future__ import annotations

import codecs
import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from studykit.errors import ProtocolError
from studykit.protocol.catalogue import completed_measures
from studykit.protocol.consistency import problems_between_parts
from studykit.protocol.lines import LineIndex
from studykit.protocol.model import Protocol
from studykit.protocol.outline import outline_of
from studykit.protocol.problems import Problem
from studykit.protocol.syntax import MOST_BYTES, read_toml, too_long
from studykit.protocol.translation import problems_in_parts

MOST_LISTED: Final = 200
"""Problems listed in one message; a file with more is not a protocol with mistakes but another file."""


def load_protocol(path: str | Path) -> Protocol:
    """Read and check a study.toml.

    Raises:
        ProtocolError: the file cannot be opened or is not UTF-8 text, or what `parse_protocol` raises.
    """
    path = Path(path)
    return parse_protocol(_text_of(path), name=path.name)


def parse_protocol(text: str, *, name: str = "study.toml") -> Protocol:
    """Check the text of a study.toml.

    Args:
        text: TOML; a measure that the catalogue knows needs only its heading, [measures.<key>], and a field under
            such a heading replaces that field alone.
        name: how the file is called in the message.

    Raises:
        ProtocolError: the text lists every problem, one line each, in the order of the file; or says the one place
            where the text stops being TOML.
    """
    content, index = read_toml(text, name=name)
    content = {key: _with_tuples(value) for key, value in content.items()}
    written = _tables_of(content.get("measures"))
    if written:
        content["measures"] = {**content["measures"], **completed_measures(written)}
    problems: list[Problem] = problems_between_parts(outline_of(content, written=written))
    try:
        protocol = Protocol.model_validate(content, strict=True)
    except ValidationError as error:
        problems = [*problems_in_parts(error), *problems]
    if problems:
        raise ProtocolError(_message(name, problems, index))
    return protocol


def protocol_sha256(protocol: Protocol) -> str:
    """SHA-256 of a protocol's content, in hexadecimal.

    Two files have one hash when they decide the same: remarks, layout, the order of keys and of tables, 6 or 6.0, and
    a default written out or left out do not matter. The order inside a list counts (visits, raters, allowed words), and
    so does everything that a measure says, whether it comes from the catalogue or from the file.
    """
    content = _plain_zeros(protocol.model_dump(mode="json", exclude_defaults=True))
    text = json.dumps(content, sort_keys=True, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _text_of(path: Path) -> str:
    """The text of a file, which must be UTF-8 with or without a byte-order mark."""
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 4)
    except FileNotFoundError:
        raise ProtocolError(f"{path} does not exist; `studykit start` makes a study folder with one.") from None
    except IsADirectoryError:
        raise ProtocolError(f"{path} is a folder; give the study.toml inside it.") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "the name cannot be used"
        raise ProtocolError(f"{path.name} cannot be opened: {reason}.") from None
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise ProtocolError(f"{path.name} is saved as UTF-16; save it again as UTF-8 (plain text).")
    if len(raw) > MOST_BYTES:
        raise ProtocolError(too_long(path.name))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ProtocolError(
            f"{path.name} cannot be read:\nline {line}: a sign here is not UTF-8; save the file again as UTF-8."
        ) from None


def _message(name: str, problems: Iterable[Problem], index: LineIndex) -> str:
    once = dict.fromkeys((index.line(problem.place), problem.sentence) for problem in problems)
    lines = sorted(once, key=lambda told: told[0])
    count = "1 problem" if len(lines) == 1 else f"{len(lines)} problems"
    told = [f"{name} has {count}:", *(f"line {line}: {sentence}" for line, sentence in lines[:MOST_LISTED])]
    if len(lines) > MOST_LISTED:
        told.append(f"{len(lines) - MOST_LISTED} more problems are not listed; mend these first.")
    return "\n".join(told)


def _tables_of(value: object) -> dict[str, Mapping[str, Any]]:
    return {key: entry for key, entry in value.items() if isinstance(entry, dict)} if isinstance(value, dict) else {}


def _with_tuples(value: Any) -> Any:
    """The same content with tuples for lists: the schema is strict, and a frozen part holds tuples."""
    if isinstance(value, dict):
        return {key: _with_tuples(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return tuple(_with_tuples(entry) for entry in value)
    return value


def _plain_zeros(value: Any) -> Any:
    """The same content without negative zeros, which a person does not tell apart from zero."""
    if isinstance(value, dict):
        return {key: _plain_zeros(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [_plain_zeros(entry) for entry in value]
    return value + 0.0 if isinstance(value, float) else value
