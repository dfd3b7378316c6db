#!/usr/bin/env python3
"""References for gridleak's solver: the same circuits as hand-written equations.

  scripts/reference_waveforms.py            write tests/references/<name>/
  scripts/reference_waveforms.py --check    compare them with a fresh computation
  scripts/reference_waveforms.py --only rc_step limiter_sinh_1v

Needs numpy and scipy, and nothing of gridleak.
"""

import argparse
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from reference_circuits import (  # noqa: E402
    closed_forms,
    diode_circuits,
    followers,
    semiconductors,
    triode_stages,
)

PAGES = [triode_stages, followers, diode_circuits, closed_forms, semiconductors]
FOLDER = HERE.parent / "tests" / "references"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="compare, write nothing; exit 1 if anything differs")
    parser.add_argument("--only", nargs="+", metavar="NAME", help="these references alone")
    options = parser.parse_args()
    known = {name: make for page in PAGES for name, make in page.references().items()}
    if unknown := set(options.only or []) - set(known):
        parser.error(f"no such reference: {', '.join(sorted(unknown))}")
    differences = []
    for name in options.only or known:
        started = time.monotonic()
        reference = known[name]()
        print(f"{name}: {time.monotonic() - started:.1f} s", file=sys.stderr)
        folder = FOLDER / name
        if options.check:
            differences += reference.differences(folder)
        else:
            folder.mkdir(parents=True, exist_ok=True)
            for file, text in reference.files().items():
                (folder / file).write_text(text)
    for line in differences:
        print(line)
    return 1 if differences else 0


if __name__ == "__main__":
    sys.exit(main())
