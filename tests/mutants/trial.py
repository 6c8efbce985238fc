"""Mutants tried in forked processes; no file is changed.

The parent imports what takes long (pytest, numpy, pydantic, the contracts). For each module one
process collects its tests, and forks one for each mutant, which puts the fault into the functions
that are there. What cannot be tried so (a constant, say) is tried by a process that imports the
faulty module anew.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import pkgutil
import resource
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import spec_from_file_location
from types import CodeType, ModuleType

import pytest

from tests.mutants.modules import ROOT, dotted, file_of
from tests.mutants.plugin import SERVERLESS, Watch
from tests.mutants.swapping import swap_in

CPU_S = 60
BY_TIME = "no end"
"""Who kills a mutant that runs on and on."""

_NOT_PUT_IN = ["not put in"]

_OPTIONS = ["-q", "-m", SERVERLESS, "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:cov",
            "--tb=no", f"--rootdir={ROOT}"]  # fmt: skip
_MUTATED = ("services.assessment", "services.charges", "services.notes")


class Unsound(Exception):  # noqa: N818 - read as a sentence
    """The tests fail without any fault."""


def preload() -> None:
    """Import what every process needs and no mutant changes."""
    for name in ("numpy", "hypothesis.extra.pytestplugin", "scipy.optimize"):
        importlib.import_module(name)
    for package in ("schemas", "services.runtime"):
        found = importlib.import_module(package)
        for one in pkgutil.walk_packages(found.__path__, f"{package}."):
            if "__main__" not in one.name and ".migrations" not in one.name:
                importlib.import_module(one.name)
    assert not [name for name in sys.modules if name.startswith(_MUTATED)]
    gc.collect()
    gc.freeze()  # pages stay shared with the children


@dataclass(frozen=True)
class Faulty:
    """A module's source with a fault in it."""

    module: str
    source: str


def killed_by(tests: Sequence[str], faulty: Sequence[Faulty]) -> Iterator[str | None]:
    """Try mutants: of each the test that fails, or ``BY_TIME``; None where it survives.

    Raises Unsound where the tests fail as it is.
    """
    reads, writes = os.pipe()
    child = _forked(lambda: _collect_and_try(tests, faulty, writes))
    os.close(writes)
    with os.fdopen(reads, encoding="utf-8") as told:
        failed = json.loads(told.readline() or '["nothing was collected"]')
        if failed:
            raise Unsound(f"{tests}: {failed}")
        for one, line in zip(faulty, told, strict=False):
            failed = json.loads(line)
            yield _imported_anew(tests, one) if failed == _NOT_PUT_IN else next(iter(failed), None)
    os.waitpid(child, 0)


def _collect_and_try(tests: Sequence[str], faulty: Sequence[Faulty], writes: int) -> None:
    class Loop(Watch):
        @pytest.hookimpl(tryfirst=True)
        def pytest_runtestloop(self, session: pytest.Session) -> bool:
            if self.failed:
                os.write(writes, json.dumps(self.failed).encode() + b"\n")
                return True
            for one in [None, *faulty]:

                def put_in_and_run(one: Faulty | None = one) -> list[str]:
                    if one is not None and not swap_in(one.module, one.source):
                        return _NOT_PUT_IN
                    items = session.items
                    for item, after in zip(items, [*items[1:], None], strict=True):
                        session.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
                        if self.failed:
                            break
                    return self.failed

                os.write(writes, json.dumps(_in_child(put_in_and_run)).encode() + b"\n")
            return True

    pytest.main([*_OPTIONS, *tests], plugins=[Loop()])


def _imported_anew(tests: Sequence[str], one: Faulty) -> str | None:
    def run() -> list[str]:
        sys.meta_path.insert(0, _Finder(one))
        watch = Watch()
        done = pytest.main(["-x", *_OPTIONS, *tests], plugins=[watch])
        return watch.failed or ([] if done == pytest.ExitCode.OK else [f"pytest {int(done)}"])

    failed = _in_child(run)
    return failed[0] if failed else None


def _in_child(run: Callable[[], list[str]]) -> list[str]:
    """Run in a forked process with bounded CPU time; give what failed."""
    reads, writes = os.pipe()

    def run_and_tell() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 5))
        try:
            failed = run()
        except BaseException as error:  # noqa: BLE001 - whatever it is, the parent must hear of it
            failed = [f"at import: {type(error).__name__}"]
        os.write(writes, json.dumps(failed[:1]).encode())

    child = _forked(run_and_tell)
    os.close(writes)
    with os.fdopen(reads, encoding="utf-8") as told:
        answer = told.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return [BY_TIME if os.WTERMSIG(status) == signal.SIGXCPU else f"signal {status}"]
    return list(json.loads(answer))


def _forked(run: Callable[[], None]) -> int:
    child = os.fork()
    if child:
        return child
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    if "MUTANTS_SHOWN" not in os.environ:
        os.dup2(quiet, 2)
    try:
        run()
    finally:
        os._exit(0)


class _Finder(MetaPathFinder):
    """Finds one module as its mutant."""

    def __init__(self, one: Faulty) -> None:
        self._name, self._path = dotted(one.module), str(file_of(one.module))
        self._source = one.source

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != self._name:
            return None
        loader = _Loader(fullname, self._path)
        loader.faulty = self._source
        return spec_from_file_location(fullname, self._path, loader=loader)


class _Loader(SourceFileLoader):
    faulty = ""

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.faulty, self.path, "exec", dont_inherit=True)
