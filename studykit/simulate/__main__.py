"""Remake the made-up studies: python -m studykit.simulate FOLDER."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from studykit.simulate.writing import write_all


def main() -> int:
    """Write every made-up study below the folder that is named."""
    parser = argparse.ArgumentParser(prog="python -m studykit.simulate", description="Remake the made-up studies.")
    parser.add_argument("folder", type=Path, help="where the study folders are written, such as synthetic_data")
    for path in write_all(parser.parse_args().folder):
        sys.stdout.write(f"{path}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
