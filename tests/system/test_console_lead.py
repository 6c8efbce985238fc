"""The lead's view over the real application: figures, teaching, files, and who may see names."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

import httpx
import openpyxl
import pytest
from sqlalchemy import insert

from schemas.group import Role
from services.console.access import RULES, Rule, Scope
from services.console.lead.asking import PEOPLE
from services.console.tables import COUNTS, FIGURES_MONTH
from services.console.views_lead import Asked, By, figures_by
from tests.console_support import RunningConsole, running_console
from tests.lead_year import FIRST, tell_a_half_year

PERIOD = {"first": "2026-01-01", "last": "2026-06-30"}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningConsole]:
    with running_console(tmp_path_factory.mktemp("console"), taps_per_minute=10_000) as one:
        tell_a_half_year(one.runtime.store, 120)
        yield one


@pytest.fixture
def lead(running: RunningConsole) -> Iterator[httpx.Client]:
    with running.browser("north", "lead-1") as client:
        yield client


def shown(client: httpx.Client, path: str, status: int = 200, **query: str) -> str:
    answer = client.get(path, params=PERIOD | query, follow_redirects=True)
    assert answer.status_code == status, answer.text
    return answer.text


def rows_of_csv(client: httpx.Client, **query: str) -> list[dict[str, str]]:
    text = shown(client, "/sites/north/lead/figures.csv", 200, **query)
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_csv_holds_what_the_read_model_sums(
    running: RunningConsole, lead: httpx.Client
) -> None:
    asked = Asked(FIRST.replace(day=1), FIRST.replace(month=6, day=30), ("north",))
    with running.runtime.store.read() as connection:
        expected = {line.name: line for line in figures_by(connection, asked, By.VIEW)}

    rows = rows_of_csv(lead)

    assert {row["code"] for row in rows} == set(expected)
    for row in rows:
        line = expected[row["code"]]
        assert int(row["images"]) == line.images
        assert int(row["rejected: count"]) == line.rejects.count
        if line.images:
            assert float(row["rejected: 95 % from"]) == pytest.approx(line.rejects.low, abs=1e-5)


def test_the_workbook_holds_cautions_sources_and_what_to_teach(lead: httpx.Client) -> None:
    answer = lead.get("/sites/north/lead/figures.xlsx", params=PERIOD | {"by": "operator"})

    book = openpyxl.load_workbook(io.BytesIO(answer.content), read_only=True)
    assert book.sheetnames == ["read first", "figures", "reasons", "doses", "to teach"]
    first = " ".join(str(cell) for row in book["read first"].values for cell in row)
    assert "no judgement of a person" in first
    assert "CGDent/PHE" in first
    assert "trainee-1" in {row[1] for row in book["figures"].values}
    assert ("operator", "trainee-1") in {row[1:3] for row in book["to teach"].values}


def test_a_name_that_a_table_program_would_run_is_text_in_both_files(
    running: RunningConsole, lead: httpx.Client
) -> None:
    # given
    hostile = '=HYPERLINK("http://invented.example";"x")'
    counts = dict.fromkeys(COUNTS, 0) | {"images": 5, "exposures": 5}
    row = {"by": "device", "site": "north", "month": FIRST.replace(day=1), "name": hostile}
    with running.runtime.store.begin() as connection:
        connection.execute(insert(FIGURES_MONTH), row | counts)

    # then
    assert f"'{hostile}" in {row["code"] for row in rows_of_csv(lead, by="device")}
    answer = lead.get("/sites/north/lead/figures.xlsx", params=PERIOD | {"by": "device"})
    sheet = openpyxl.load_workbook(io.BytesIO(answer.content))["figures"]
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value == hostile]
    assert cells
    assert {cell.data_type for cell in cells} == {"s"}
    assert hostile not in shown(lead, "/sites/north/lead", by="device")


def test_people_are_named_to_whoever_may_reach_their_page_alone(
    running: RunningConsole, lead: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: whoever may has them by name, at an address of its own
    assert "Invented Trainee (trainee-1)" in shown(lead, "/sites/north/lead", by="operator")
    assert "Invented Trainee (trainee-1)" in shown(lead, "/sites/north/lead/teach")

    # when
    monkeypatch.setitem(RULES, ("GET", PEOPLE), Rule(Scope.SITE, frozenset({Role.ADMIN})))

    # then
    for query in ({"by": "operator"}, {"operator": "trainee-1"}):
        assert "not for your role" in shown(lead, "/sites/north/lead", 403, **query)
        shown(lead, "/sites/north/lead/figures.csv", 403, **query)
        shown(lead, "/sites/north/lead/figures.xlsx", 403, **query)
    for path in ("/sites/north/lead", "/sites/north/lead/teach"):
        text = shown(lead, path)
        assert "trainee-1" not in text, path
        assert "Invented Trainee" not in text, path
    answer = lead.get("/sites/north/lead/figures.xlsx", params=PERIOD)
    book = openpyxl.load_workbook(io.BytesIO(answer.content), read_only=True)
    assert "operator" not in {row[1] for row in book["to teach"].values}


def test_what_is_too_dear_or_makes_no_sense_is_told_in_words(
    running: RunningConsole, lead: httpx.Client
) -> None:
    with running.browser("north", "lead-all") as all_sites:
        told = shown(all_sites, "/lead", 422, first="2026-01-02")
        assert "only whole months are summed" in told
        assert "first=2026-01-01&amp;last=2026-06-30" in told
        assert "one site at a time" in shown(all_sites, "/lead", 422, by="operator")
        assert "Nothing is shown" in shown(all_sites, "/lead", 422, last="1999-01-01")
        shown(all_sites, "/lead/figures.csv", 422, view="max-incisors")
    told = shown(lead, "/sites/north/lead", 422, first="2020-01-01", species="dog")
    assert "single days would have to be summed" in told
    assert "not one that a page gave" in shown(lead, "/sites/north/lead", 422, after="x")


def test_whoever_sees_one_site_has_that_sites_figures_without_naming_it(
    lead: httpx.Client,
) -> None:
    assert "Invented Hospital North: figures" in shown(lead, "/lead")
    assert "Invented Hospital North: what to teach" in shown(lead, "/lead/teach")


def test_a_narrowed_question_sums_the_days_of_that_line_alone(lead: httpx.Client) -> None:
    whole = {row["code"]: row["images"] for row in rows_of_csv(lead, by="species")}

    narrowed = rows_of_csv(lead, by="species", species="cat")

    assert [(row["code"], row["images"]) for row in narrowed] == [("cat", whole["cat"])]
