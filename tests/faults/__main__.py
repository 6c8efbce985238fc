"""``python -m tests.faults``: faults at random while a whole group works; exit code 1 for any loss.

Needs what the tests need, and root for the faults of full and read-only disks.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.faults.campaign import Plan, run


def main() -> int:
    """Run one campaign and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--studies", type=int, default=20_000)
    parser.add_argument("--faults", type=int, default=500)
    parser.add_argument("--pace", type=float, default=6.0, help="most studies begun in a second")
    parser.add_argument("--minutes", type=float, default=24 * 60.0, help="tell no longer than this")
    parser.add_argument("--folder", type=Path, help="where logs and findings stay; must not exist")
    chosen = parser.parse_args()
    # So that servers and mounts go too when somebody ends it.
    signal.signal(signal.SIGTERM, lambda _number, _frame: sys.exit(1))
    folder = chosen.folder or Path(tempfile.mkdtemp(prefix="gomphosis-faults-")) / "run"
    print(f"seed {chosen.seed}, folder {folder}", flush=True)
    plan = Plan(
        chosen.seed,
        chosen.studies,
        chosen.faults,
        folder.absolute(),
        chosen.pace,
        chosen.minutes,
    )
    try:
        outcome = run(plan)
    except BaseException:  # noqa: BLE001 - whatever it is, it is shown, and this ends
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(1)  # all is stopped; the teller's threads might go on trying for long
    table = outcome.table()
    (folder / "table.txt").write_text(table + "\n", encoding="utf-8")
    print(table)
    return 0 if outcome.good else 1


if __name__ == "__main__":
    sys.exit(main())
