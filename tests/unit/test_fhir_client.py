"""The FHIR client's bounds: which addresses it asks, and how long it is told to wait."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import httpx
import pytest

from services.intake.fhir_client import FhirClient, FhirUnavailable, resources_of
from services.intake.fhir_json import FhirRefused
from services.runtime.fhir_http import retry_after_s
from services.runtime.settings import FhirSettings
from tests.servers.ports import free_port


def client() -> FhirClient:
    """A client of a server that is not there: whoever asks it gets FhirUnavailable."""
    base_url = f"http://127.0.0.1:{free_port()}/record/fhir"
    return FhirClient(FhirSettings(base_url=base_url, timeout_s=5))


@pytest.mark.parametrize(
    "reference",
    [
        "http://192.0.2.1/record/fhir/Patient/1",
        "https://127.0.0.1/record/fhir/Patient/1",
        "//192.0.2.1/Patient/1",
        "../../admin",
        "/admin",
        "http://[",
        "file:///etc/hostname",
    ],
)
def test_an_address_that_is_not_within_the_server_s_own_is_never_asked(reference: str) -> None:
    with pytest.raises(FhirRefused, match="address"):
        client().read(reference)


@pytest.mark.parametrize("reference", ["Patient/1", "Patient/1/_history/2"])
def test_a_reference_within_is_asked(reference: str) -> None:
    with pytest.raises(FhirUnavailable, match="not reached") as trouble:
        client().read(reference)

    assert not trouble.value.lasting


@pytest.mark.parametrize(
    ("told", "wait_s"),
    [
        ("120", 120.0),
        ("0", 0.0),
        ("99999999999", 3600.0),
        ("-5", None),
        ("soon", None),
        ("", None),
        ("Mon, 02 Mar 2026 09:00:00 GMT", 0.0),
    ],
)
def test_retry_after_is_read_within_bounds(told: str, wait_s: float | None) -> None:
    assert retry_after_s(httpx.Headers({"Retry-After": told})) == wait_s


def test_retry_after_may_be_a_date() -> None:
    at = datetime.now(UTC) + timedelta(seconds=600)

    wait_s = retry_after_s(httpx.Headers({"Retry-After": format_datetime(at, usegmt=True)}))

    assert wait_s is not None
    assert 0 < wait_s <= 600


def test_what_only_tells_of_the_search_is_no_resource_of_it() -> None:
    outcome = {"resource": {"resourceType": "OperationOutcome"}, "search": {"mode": "outcome"}}
    found = {"resource": {"resourceType": "Patient"}}

    assert resources_of({"entry": [outcome, found, {"fullUrl": "urn:uuid:1"}]}) == [
        {"resourceType": "Patient"}
    ]
