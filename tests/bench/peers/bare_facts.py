"""A bare HTTP door for facts: reads the same model, keeps a row for each, and does nothing else.

No token, no key of its own for what was told twice, no triage, no outbox, no bus. SQLite syncs each
commit as ours does (WAL, ``synchronous=FULL``), and a body is one transaction.
"""

from __future__ import annotations

import asyncio
import sqlite3
import sys
from threading import Lock
from typing import Literal

import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from pydantic import TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool

from schemas.base import Contract, UtcTime
from schemas.facts import ExposureEnded


class Told(Contract):
    """An exposure as a generator tells it."""

    kind: Literal["exposure_ended"]
    schema_version: int
    occurred_at: UtcTime
    payload: ExposureEnded


_BODY = TypeAdapter(list[Told])


def main(port: int, path: str) -> None:
    """Serve a loopback port until killed."""
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(
        "CREATE TABLE fact (natural_key TEXT PRIMARY KEY, occurred_at TEXT, body BLOB)"
    )
    lock = Lock()

    def keep(told: list[Told]) -> None:
        rows = [
            (
                one.payload.natural_key(one.occurred_at),
                one.occurred_at.isoformat(),
                one.model_dump_json(),
            )
            for one in told
        ]
        with lock:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany("INSERT INTO fact VALUES (?, ?, ?)", rows)
            connection.execute("COMMIT")

    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)

    @app.post("/facts")
    async def facts(request: Request) -> JSONResponse:
        try:
            told = _BODY.validate_json(await request.body())
        except ValidationError as error:
            return JSONResponse({"error": str(error)}, status_code=400)
        await run_in_threadpool(keep, told)
        return JSONResponse(
            [{"natural_key": one.payload.natural_key(one.occurred_at)} for one in told]
        )

    config = uvicorn.Config(
        app, host="127.0.0.1", port=port, log_config=None, access_log=False, lifespan="off"
    )
    asyncio.run(uvicorn.Server(config).serve())


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
