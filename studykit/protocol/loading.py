"""study.toml -> Protocol: every mistake in one message, each with its line."""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path

from studykit.errors import ProtocolError
from studykit.protocol.catalogue import shipped_measures
from studykit.protocol.consistency import problems_between_parts
from studykit.protocol.model import Protocol


def load_protocol(path: Path) -> Protocol:
    """Read and check a study.toml."""
    return parse_protocol(path.read_text(encoding="utf-8"), name=path.name)


def parse_protocol(text: str, *, name: str = "study.toml") -> Protocol:
    """Check the text of a study.toml."""
    content = tomllib.loads(text)
    measures = content.get("measures", {})
    content["measures"] = {
        key: {**(shipped_measures()[key].model_dump() if key in shipped_measures() else {}), **entry}
        for key, entry in measures.items()
    }
    protocol = Protocol.model_validate(content)
    problems = problems_between_parts(protocol)
    if problems:
        raise ProtocolError(f"{name}: {problems}")
    return protocol


def protocol_sha256(protocol: Protocol) -> str:
    """Canonical SHA-256 of a protocol's content: comments, order of keys and layout of the file do not matter."""
    content = json.dumps(protocol.model_dump(mode="json"), sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(content.encode()).hexdigest()
