"""Coverage-guided fuzzing of one in-process parser by atheris (libFuzzer).

``python -m tests.fuzz.guided NAME INPUTS SECONDS OUT``; SECONDS of 0 sets no bound. What fails is
left in OUT by libFuzzer, and can be fed again with ``python -m tests.fuzz --again``.
"""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import atheris

from tests.fuzz import campaign
from tests.fuzz.targets import find

ROOT = Path(__file__).parents[2]
INSTRUMENTED = ["schemas", "services"]


def guide(name: str, inputs: int, seconds: float | None, out: Path) -> int:
    """Run one parser in a process of its own, since atheris ends it; give its exit code."""
    if not find(name).in_process:
        sys.stdout.write(f"{name}: left out, its sockets are in other threads\n")
        return 0
    folder = out / name / "guided"
    folder.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "tests.fuzz.guided", name, str(inputs), str(seconds or 0)]
    ran = subprocess.run([*command, str(folder)], cwd=ROOT, check=False)
    return min(1, abs(ran.returncode))


def main(name: str, inputs: str, seconds: str, out: str) -> None:
    with campaign.work_folder() as folder, atheris.instrument_imports(include=INSTRUMENTED):
        target = find(name)
        campaign.watch_hidden()
        ready = target.prepare(folder)
        corpus = folder / "corpus"
        corpus.mkdir()
        for number, seed in enumerate(ready.seeds):
            (corpus / f"seed-{number}").write_bytes(seed)

        def one(data: bytes) -> None:
            campaign.feed(ready, data, target.limit_s)

        def change(_data: bytes, most_bytes: int, seed: int) -> bytes:
            """Let half of the inputs be shaped as the format wants; libFuzzer changes the rest."""
            rng = random.Random(seed)
            if rng.random() < 0.5:
                return ready.mutate(rng)[:most_bytes]
            changed: bytes = atheris.Mutate(_data, most_bytes)
            return changed

        options = [
            sys.argv[0],
            f"-runs={inputs}",
            f"-max_total_time={int(float(seconds))}",
            f"-artifact_prefix={out}/",
            "-print_final_stats=1",
            "-verbosity=0",
            str(corpus),
        ]
        atheris.Setup(options, one, custom_mutator=change)
        atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:])
