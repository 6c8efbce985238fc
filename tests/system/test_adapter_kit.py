"""The adapter kit as a third party meets it: laid out, installed, found, and held to the suite."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from services.records.new_adapter import lay_out

REPOSITORY = Path(__file__).parents[2]
MODULE = "gomphosis_record_clinic"
FAULTS = {
    "posts twice": (
        """
    def post_charge(self, posting):
        changed = {"posting_key": posting.key + ":again"}
        entry = posting.entry.model_copy(update=changed)
        super().post_charge(replace(posting, entry=entry))
        return super().post_charge(posting)
""",
        "test_the_same_charge_again_is_accepted_and_held_once",
    ),
    "acknowledges before it is durable": (
        """
    waiting = ()

    def post_charge(self, posting):
        self.waiting = (*self.waiting, posting)
        return Accepted(posting.key)

    def read_charges(self, **asked):
        for posting in self.waiting:
            super().post_charge(posting)
        return super().read_charges(**asked)
""",
        "test_an_accepted_charge_and_its_credit_are_seen_by_another_adapter_at_once",
    ),
    "loses the order of a patient": (
        """
    held_back = None

    def post_charge(self, posting):
        if self.held_back is None:
            self.held_back = posting
            return Accepted("soon")
        answer = super().post_charge(posting)
        super().post_charge(self.held_back)
        self.held_back = None
        return answer
""",
        "test_lines_read_back_in_the_order_of_posting",
    ),
    "swallows a rejection": (
        """
    def post_charge(self, posting):
        answer = super().post_charge(posting)
        return answer if isinstance(answer, Accepted) else Accepted("taken")
""",
        "test_a_charge_that_the_record_refuses_is_rejected_in_its_words_and_not_held",
    ),
    "takes an outage for a refusal": (
        """
    def post_charge(self, posting):
        try:
            return super().post_charge(posting)
        except RecordUnavailable as error:
            return Rejected(str(error))
""",
        "test_while_the_record_is_away_postings_wait_and_are_held_once_when_it_is_back",
    ),
}


@pytest.fixture
def package(tmp_path: Path) -> Path:
    folder = tmp_path / "package"
    lay_out("clinic", folder)
    return folder


def run(path: Path, cwd: Path, *command: str, **own: str) -> subprocess.CompletedProcess[str]:
    """Run a command that finds the adapter at a path, as if it was installed there."""
    environment = os.environ | {"PYTHONPATH": str(path), "PYTHONDONTWRITEBYTECODE": "1"} | own
    return subprocess.run(
        [sys.executable, "-m", *command],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )


def suite(path: Path, package: Path) -> tuple[set[str], str]:
    """Run the package's tests with nothing else of pytest; give the cases that failed."""
    told = run(
        path,
        package,
        *("pytest", "-q", "-rf", "--tb=no", "-p", "no:cacheprovider", "tests"),
        PYTEST_DISABLE_PLUGIN_AUTOLOAD="1",
        PYTEST_ADDOPTS="",
    )
    assert told.returncode in {0, 1}, told.stdout + told.stderr
    return set(re.findall(r"^FAILED \S*::(\w+)", told.stdout, re.MULTILINE)), told.stdout


@pytest.mark.drill
def test_the_template_is_installed_found_by_its_entry_point_and_passes_the_suite(
    package: Path, tmp_path: Path
) -> None:
    # given: an installation without a network, in a folder of its own
    target = tmp_path / "installed"
    quiet = ("--quiet", "--no-input", "--disable-pip-version-check", "--no-index", "--no-deps")
    install = ("pip", "install", *quiet, "--no-build-isolation", "--target", str(target))
    installed = run(tmp_path, tmp_path, *install, str(package))
    assert installed.returncode == 0, installed.stderr

    # when
    told = run(
        target,
        tmp_path,
        *("services.runtime.cli.main", "check", "--json"),
        GOMPHOSIS_DATA_DIR=str(tmp_path),
        GOMPHOSIS_GROUP_DIR=str(REPOSITORY / "demo" / "group"),
        GOMPHOSIS_RECORDS__ADAPTER="clinic",
    )
    failed, words = suite(target, package)

    # then
    verdicts = {one["name"]: one for one in json.loads(told.stdout)}
    assert verdicts["record (clinic)"]["good"], told.stdout
    assert "clinic.sqlite holds 0 entries" in verdicts["record (clinic)"]["words"]
    assert failed == set(), words
    assert re.search(r"^[4-9]\d passed in", words, re.MULTILINE), "all were run, none skipped"


@pytest.mark.drill
@pytest.mark.parametrize(("body", "case"), FAULTS.values(), ids=FAULTS)
def test_a_planted_fault_fails_the_suite_by_the_case_that_names_it(
    package: Path, body: str, case: str
) -> None:
    adapter = package / "src" / MODULE / "adapter.py"
    planted = f"\n\nclass Faulty(ClinicAdapter):{body}\n\nClinicAdapter = Faulty\n"
    with adapter.open("a") as file:
        file.write("\n\nfrom dataclasses import replace" + planted)

    failed, words = suite(package / "src", package)

    assert case in failed, words
    assert " passed" in words, "the rest of the suite was run"


def test_a_new_adapter_says_what_it_wrote_and_never_writes_over_it(tmp_path: Path) -> None:
    command = ("services.runtime.cli.main", "new-adapter", "clinic", "--into", "new")
    first, again = (run(tmp_path, tmp_path, *command) for _ in range(2))

    assert first.returncode == 0, first.stderr
    assert f"new/src/{MODULE}/adapter.py" in first.stdout
    assert again.returncode == 2
    assert "new/README.md" in again.stderr
    for ruff in (("ruff", "check", "."), ("ruff", "format", "--check", ".")):
        linted = run(tmp_path, tmp_path / "new", *ruff)
        assert linted.returncode == 0, linted.stdout


def test_the_records_service_does_without_pytest_and_the_suite_says_that_it_needs_it(
    tmp_path: Path,
) -> None:
    script = """
import importlib, pkgutil, sys
sys.modules["pytest"] = None  # as where it is not installed
import services.records
for one in pkgutil.walk_packages(services.records.__path__, "services.records.", onerror=print):
    if not one.name.startswith("services.records.suite"):
        importlib.import_module(one.name)
try:
    import services.records.suite
except ModuleNotFoundError as error:
    print(error)
"""
    (tmp_path / "without_pytest.py").write_text(script)

    told = run(tmp_path, tmp_path, "without_pytest")

    assert told.returncode == 0, told.stderr
    assert 'pip install "gomphosis[adapters]"' in told.stdout
