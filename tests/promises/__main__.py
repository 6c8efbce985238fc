"""``python -m tests.promises``: plant each break in a scratch copy; its test must fail there.

First the test must pass on the copy as it is. Ends with 1 where a test did not fail by its break.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from tests.promises.listed import LIST, ROOT, TABLE, Promise, promises, table

COPIED = ("services", "schemas", "tests", "demo", "pyproject.toml", "README.md", "requirements")
SECONDS = 600


def main() -> int:
    told = _arguments()
    if told.table:
        TABLE.write_text(table(), encoding="utf-8")
        return 0
    wanted = [one for one in promises() if _is_wanted(one, told.only, new=told.new)]
    held = 0
    with tempfile.TemporaryDirectory(prefix="promises-", dir=told.scratch) as folder:
        for one in wanted:
            verdict = _try(one, Path(folder), sound=not told.quick)
            held += verdict is None
            print(f"{'fails' if verdict is None else 'NOT SEEN'}  {one.held_by}", flush=True)
            print(f"       {verdict or f'{one.broken}: {_last_words(Path(folder))}'}", flush=True)
            if verdict is None:
                _note(one, datetime.now(UTC).date().isoformat())
    print(f"{held} of {len(wanted)} tests were seen failing by their breaks")
    return 0 if held == len(wanted) else 1


def _is_wanted(one: Promise, only: list[str], *, new: bool) -> bool:
    if new and one.seen:
        return False
    text = f"{one.promise} {one.held_by} {one.broken}"
    return not only or any(word in text for word in only)


def _try(one: Promise, folder: Path, *, sound: bool) -> str | None:
    """Plant a break and run the test; None where it failed, else why nothing was shown."""
    copy = folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("out", ".*"))
        else:
            shutil.copy(source, copy / name)
    if sound and (code := _run(one, copy)) != 0:
        return f"the test does not even pass without the break (exit {code})"
    for change in one.changes:
        if not change.fits(copy):
            return f"the break's text is not there, or more than once: {change}"
        change.plant(copy)
    code = _run(one, copy)
    if "NotReady" in (folder / "last-run.txt").read_text(encoding="utf-8"):
        return "a service was not ready in time, which says nothing of the break"
    return None if code == 1 else f"the test did not fail by the break (exit {code})"


def _run(one: Promise, copy: Path) -> int:
    if one.test is not None:
        options = ["-q", "-x", "-p", "no:cacheprovider", "--no-header", "--tb=line"]
        command = [sys.executable, "-m", "pytest", *options, one.test]
    else:
        command = [str(Path(sys.executable).with_name(str(one.command)))]
    # What a test starts elsewhere is of the copy too, not of the installed tree.
    environment = os.environ | {"PYTHONPATH": str(copy)}
    with (copy.parent / "last-run.txt").open("w", encoding="utf-8") as told:
        try:
            return subprocess.run(
                command,
                cwd=copy,
                env=environment,
                stdout=told,
                stderr=told,
                timeout=SECONDS,
                check=False,
            ).returncode
        except subprocess.TimeoutExpired:
            return 1  # the test's own timeout is shorter: it hangs by the break


def _last_words(folder: Path) -> str:
    """Give the first line that says how the test failed, to see that it failed by the break."""
    told = (folder / "last-run.txt").read_text(encoding="utf-8").splitlines()
    return next((line[-200:] for line in told if re.match(r"E  |\S+:\d+: ", line)), "")


def _note(one: Promise, day: str) -> None:
    """Write down when a test was seen failing, beside its break."""
    text = LIST.read_text(encoding="utf-8")
    begin = text.index(f"- promise: {one.promise}\n" if f"- promise: {one.promise}\n" in text
                       else f'- promise: "{one.promise}"\n')  # fmt: skip
    end = text.find("\n- promise:", begin + 1)
    end = len(text) if end < 0 else end
    entry = re.sub(r"\n  seen: \S+", "", text[begin:end])
    entry = entry.replace(f"  broken: {one.broken}", f"  broken: {one.broken}\n  seen: '{day}'", 1)
    LIST.write_text(text[:begin] + entry + text[end:], encoding="utf-8")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.promises", description=__doc__)
    parser.add_argument("--only", nargs="+", default=[], metavar="WORD", help="those that have it")
    parser.add_argument("--new", action="store_true", help="only what was never seen failing")
    parser.add_argument("--quick", action="store_true", help="do not first run without the break")
    parser.add_argument("--scratch", type=Path, help="where the copy is made")
    parser.add_argument("--table", action="store_true", help=f"write {TABLE.name} anew, try none")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
