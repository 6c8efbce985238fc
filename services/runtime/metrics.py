"""What each service counts, for Prometheus."""

from prometheus_client import Counter, Gauge, Histogram

MESSAGES = Counter(
    "gomphosis_messages_total", "Messages by outcome", ["service", "kind", "outcome"]
)
BATCH_SECONDS = Histogram(
    "gomphosis_batch_seconds",
    "Time to handle and commit one batch",
    ["service"],
    buckets=(0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0),
)
OUTBOX_WAITING = Gauge("gomphosis_outbox_waiting", "Messages not confirmed yet", ["service"])
GROUP_REFUSED = Gauge(
    "gomphosis_group_refused", "1 while group.yaml holds a content that was not taken up"
)
TRIAGE_OPEN = Gauge("gomphosis_triage_open", "Entries that wait for a person")
QUEUE_DEPTH = Gauge("gomphosis_queue_depth", "Messages that wait in a worker's queue", ["queue"])
DICOM_REQUESTS = Counter(
    "gomphosis_dicom_requests_total", "DICOM requests by kind and status", ["request", "status"]
)
FACTS_KEPT = Counter("gomphosis_facts_total", "Facts that intake has kept", ["kind", "outcome"])
POSTINGS_WAITING = Gauge("gomphosis_postings_waiting", "Postings that the record has not answered")
POSTINGS_OLDEST_SECONDS = Gauge(
    "gomphosis_postings_oldest_seconds", "Age of the posting that is first in line"
)
RECORD_NEEDS_PERSON = Gauge(
    "gomphosis_record_needs_person",
    "1 while TLS or credentials bar every posting until a person acts",
)
RECORD_BREAKER_OPEN = Gauge(
    "gomphosis_record_breaker_open", "1 while the record is spared after failures"
)
DISK_FREE = Gauge("gomphosis_disk_free_bytes", "Free bytes where the data folder lies")
LAST_BACKUP = Gauge(
    "gomphosis_last_backup_timestamp_seconds", "When the last whole backup was taken; 0: never"
)
