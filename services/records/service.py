"""The records service: a worker that puts postings in line, a poster, a listener, a reader."""

from schemas.channels import RECORDS
from services.records.adapters.choose import open_record
from services.records.line_reader import LineReader
from services.records.listener import Listener
from services.records.poster import Poster
from services.records.worker import handle
from services.runtime.service import Loop, Runtime, Service


def build(runtime: Runtime) -> Service:
    """Put the service together. Raises RecordError for a wrong adapter or option."""
    record = open_record(runtime.settings)
    poll_s = runtime.settings.records.poll_s
    poster = Poster(
        runtime.store,
        record,
        runtime.relay.wake,
        poll_s,
        per_minute=runtime.settings.records.postings_per_minute,
    )
    listener = Listener(runtime.store, record, runtime.relay.wake, runtime.group.name, poll_s)
    reader = LineReader(
        runtime.store,
        record,
        runtime.relay.wake,
        runtime.group,
        runtime.settings.records.read_back_s,
        runtime.settings.records.read_back_days,
    )
    return Service(
        runtime.service,
        [
            runtime.worker(RECORDS, handle),
            Loop("poster", poster.run),
            Loop("listener", listener.run),
            Loop("line-reader", reader.run),
        ],
        close=record.close,
    )
