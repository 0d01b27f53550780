"""Print the size of a large measurements frame and the peak of resident memory that checking it adds, in MB."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from large_trial import clean_trial, gathered, protocol, spoilt

from studykit.data.checks.checking import check_gathered

STATUS = Path("/proc/self/status")
FORGET_PEAK = "5"


def status_mb(field: str) -> float:
    """A field of this process's memory status."""
    line = next(line for line in STATUS.read_text(encoding="ascii").splitlines() if line.startswith(field))
    return float(line.split()[1]) / 1024.0


def main(rows: int) -> None:
    """Check a small trial first, so that loading libraries does not count; then measure a large one."""
    rng, plan = np.random.default_rng(1), protocol()
    check_gathered(gathered(clean_trial(2400, rng)), plan)
    tables = clean_trial(rows, rng)
    tables["measurements"] = spoilt(tables["measurements"], rng)
    whole = gathered(tables)
    Path("/proc/self/clear_refs").write_text(FORGET_PEAK, encoding="ascii")
    before = status_mb("VmRSS")
    checked = check_gathered(whole, plan)
    peak = status_mb("VmHWM") - before
    if checked.study is None:
        raise SystemExit("the large trial could not be read")
    print(tables["measurements"].memory_usage(deep=True).sum() / 1e6, peak)


if __name__ == "__main__":
    main(int(sys.argv[1]))
