"""What the figures were taken on: cores, kernel, file system, versions. Never a name or a path."""

from __future__ import annotations

import os
import platform
import sqlite3
import subprocess
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pika
import psycopg

from tests.bench.workplace import ROOT, Workplace, without_driver

LIBRARIES = (
    *("gomphosis", "pika", "pynetdicom", "pydicom", "sqlalchemy", "psycopg", "pydantic"),
    *("fastapi", "uvicorn", "celery", "kombu", "amqp", "dramatiq", "faststream", "aio-pika"),
)


def machine_facts(folder: Path) -> dict[str, str]:
    """Describe the machine; ``folder`` is where the measured files will lie."""
    cores = len(os.sched_getaffinity(0))
    memory_gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "cores": str(cores),
        "memory": f"{memory_gib:.0f} GiB",
        "kernel": f"{platform.system()} {platform.release()} {platform.machine()}",
        "file system": _file_system(folder),
        "load before the run": f"{os.getloadavg()[0]:.1f} (1 minute)",
        "revision": _revision(),
    }


def library_versions() -> dict[str, str]:
    """Give the version of every library that takes part."""
    found = {"python": platform.python_version(), "sqlite": sqlite3.sqlite_version}
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found


def server_versions(place: Workplace) -> dict[str, str]:
    """Give the versions of the servers that this run has used."""
    found: dict[str, str] = {}
    if place.broker_in_use is not None:
        with pika.BlockingConnection(pika.URLParameters(place.broker_in_use.url)) as connection:
            properties = connection._impl.server_properties
        found["rabbitmq"] = str(properties["version"])
    if place.database_in_use is not None:
        with psycopg.connect(without_driver(place.database_in_use.url)) as session:
            row = session.execute("SHOW server_version").fetchone()
        found["postgresql"] = str(row[0]).split()[0] if row else "unknown"
    if place.dcmtk_in_use is not None:
        said = place.dcmtk_in_use.run("storescp", ["--version"]).stdout.split()
        found["dcmtk"] = next((word for word in said if word.startswith("v")), "unknown")
    return found


def _revision() -> str:
    """Name the commit, and whether anything was changed beside it."""
    try:
        head = _git("rev-parse", "--short=12", "HEAD").strip()
        return head + (" with changes" if _git("status", "--porcelain") else "")
    except (OSError, subprocess.CalledProcessError):
        return "unknown"


def _git(*arguments: str) -> str:
    return subprocess.run(
        ["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=True, timeout=30
    ).stdout


def _file_system(folder: Path) -> str:
    """Tell the type of the mount that holds ``folder``: on tmpfs a sync costs nothing."""
    best, kind = "", "unknown"
    resolved = folder.resolve()
    for line in Path("/proc/mounts").read_text().splitlines():
        _, point, name, *_ = line.split()
        if resolved.is_relative_to(point) and len(point) >= len(best):
            best, kind = point, name
    return kind
