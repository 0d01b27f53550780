"""The frozen study: a protocol and its checked tables, which every later room may trust."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import pandas as pd

from studykit.protocol import Protocol, protocol_sha256
from studykit.provenance import Provenance, hash_of_frames, installed_versions
from studykit.vocabulary import COLUMNS


@dataclass(frozen=True)
class Study:
    """A protocol and all seven tables after checking.

    Every table is there, empty when the study has none, with exactly the columns of `vocabulary.COLUMNS` plus the
    covariates that the protocol declares: text as str or missing, numbers as float64, trial and repetitions as Int64,
    yes/no as boolean, dates as datetime64 without a time. No row breaks a rule of severity "error"; rows under
    suspicion are here, and `findings` says so.

    Attributes:
        protocol: what was planned.
        tables: table name -> frame; `table(name)` gives a copy that a caller may change.
        findings: every finding of the check (columns: `vocabulary.FINDING_COLUMNS`).
        rows_in, rows_set_aside: per table, counted after wide sheets became long.
        suspicious: per table, the positions of the rows that a suspicion is about (not those that merely stand for
            missing readings or for a rater's habit); they are used like the others.
    """

    protocol: Protocol
    tables: Mapping[str, pd.DataFrame]
    findings: pd.DataFrame
    rows_in: Mapping[str, int] = field(default_factory=dict)
    rows_set_aside: Mapping[str, int] = field(default_factory=dict)
    suspicious: Mapping[str, tuple[int, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tables", MappingProxyType(dict(self.tables)))
        missing = [name for name in COLUMNS if name not in self.tables]
        if missing:
            raise KeyError(f"tables missing: {missing}")

    def table(self, name: str) -> pd.DataFrame:
        """A copy of one table."""
        return self.tables[name].copy()

    @cached_property
    def data_sha256(self) -> str:
        """Hash of all rows that are used."""
        return hash_of_frames(dict(self.tables))

    def provenance(self, *, seed: int | None = None) -> Provenance:
        """Provenance for a result made from this study."""
        return Provenance(self.data_sha256, protocol_sha256(self.protocol), installed_versions(), seed)
