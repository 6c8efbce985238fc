"""What a revision says that it changed, lent sensors on a real store, and ``gomphosis room``."""

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from schemas.conclusions import ExposureUse, StudyAssessed
from schemas.facts import LinkDecided, SensorHanded
from services.assessment.room_commands import show_room
from services.runtime.store import Store
from tests.contract.test_assessment_worker import content, empty, fresh, handle, newest, sent
from tests.room_facts import GROUP, ROOM, STUDY, VIEWS, after, exposure, image, order, told

TIMES = [0.0, 61.0, 152.0, 200.0, 311.0]


def revisions(store: Store) -> list[StudyAssessed]:
    return [m.payload for m in sent(store) if isinstance(m.payload, StudyAssessed)]


def test_a_link_that_a_later_fact_takes_back_is_named_in_the_new_revision(store: Store) -> None:
    # given: one exposure and one image near it
    handle(store, [order(), exposure(1, 0.0), image(1, 4.0, view=VIEWS[0])], fresh())
    first = newest(store)[STUDY]
    assert first.images[0].exposure_key == exposure(1, 0.0).natural_key
    assert first.changes == ()
    # when: a person says that it was none of these
    decided = LinkDecided(
        study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.1", exposure_key=None
    )
    handle(store, [told(decided, after(100.0))], fresh())
    # then
    second = newest(store)[STUDY]
    assert second.revision == 2
    key = exposure(1, 0.0).natural_key
    assert second.changes[0] == (
        f"Image {STUDY}.1.1 was linked to {key} at revision 1, now to none."
    )


def test_a_link_that_is_new_is_no_change_of_what_was_said(store: Store) -> None:
    # From the third on: of two exposures and one image the one link is not sure any more.
    handler = fresh()
    begun = [exposure(n, TIMES[n]) for n in (0, 1)]
    begun += [image(n, TIMES[n] + 4.0, view=VIEWS[n]) for n in (0, 1)]
    handle(store, [order(), *begun], handler)
    for number, seconds in list(enumerate(TIMES))[2:]:
        handle(store, [exposure(number, seconds)], handler)
        handle(store, [image(number, seconds + 4.0, view=VIEWS[number])], handler)
    assert all(study.changes == () for study in revisions(store))


@pytest.mark.parametrize("reverse", [False, True])
def test_a_handover_before_or_after_its_images_ends_in_the_same_room(
    store: Store, reverse: bool
) -> None:
    lent = {"room": "dental-2", "station": "station-2", "sensor": "sensor-a"}
    facts = [order(room="dental-2")]
    facts.append(
        told(SensorHanded(sensor="sensor-a", from_room="dental-2", to_room=ROOM), after(-60.0))
    )
    for number, seconds in enumerate(TIMES):
        facts.append(exposure(number, seconds))
        facts.append(image(number, seconds + 4.0, view=VIEWS[number], **lent))
    for fact in reversed(facts) if reverse else facts:
        handle(store, [fact], fresh())
    one_by_one = newest(store)
    assert one_by_one[STUDY].room == ROOM
    assert [e.use for e in one_by_one[STUDY].exposures] == [ExposureUse.IMAGE] * 5
    empty(store)
    handle(store, facts, fresh())
    assert content(newest(store)) == content(one_by_one)


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
class TestShowRoom:
    """The command ``room`` on a store with one room-day."""

    def run(
        self, store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch, *arguments: str
    ) -> tuple[int, str]:
        (folder / "group.yaml").write_text(GROUP.model_dump_json(), encoding="utf-8")
        monkeypatch.setenv("GOMPHOSIS_STORE__URL", store.url.render_as_string(hide_password=False))
        monkeypatch.setenv("GOMPHOSIS_GROUP_DIR", str(folder))
        monkeypatch.setenv("COLUMNS", "300")
        app = typer.Typer()
        app.command()(show_room)
        result = CliRunner().invoke(app, list(arguments))
        return result.exit_code, result.output

    def test_tells_what_belongs_to_nobody_and_where_the_clocks_stand(
        self, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        facts = [order(), exposure(90, 5000.0), image(91, 9000.0)]
        for number, seconds in enumerate(TIMES):
            facts += [exposure(number, seconds), image(number, seconds + 64.0, view=VIEWS[number])]
        handle(store, facts, fresh())
        code, output = self.run(store, tmp_path, monkeypatch, "north", ROOM, "2026-03-02", "--json")
        assert code == 0
        shown = json.loads(output)
        assert [one["exposure"] for one in shown["of_no_study"]] == [facts[1].natural_key]
        assert [one["image"] for one in shown["without_exposure"]] == [f"{STUDY}.1.91"]
        assert shown["linked"] == 5
        assert shown["clocks"][0]["ahead_s"] == pytest.approx(64.0, abs=1.0)
        assert shown["clocks"][0]["exposures that speak for it"] == pytest.approx(5.0, abs=0.2)

    def test_is_readable(
        self, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        handle(store, [order(), exposure(90, 5000.0)], fresh())
        code, output = self.run(store, tmp_path, monkeypatch, "north", ROOM, "2026-03-02")
        assert code == 0
        assert "exposures that belong to no study" in output
        assert "No image" in output

    @pytest.mark.parametrize(
        "arguments",
        [
            ("south", ROOM, "2026-03-02"),
            ("north", "attic", "2026-03-02"),
            ("north", ROOM, "2027-01-01"),
        ],
    )
    def test_ends_with_3_where_nothing_is_known(
        self,
        store: Store,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        arguments: tuple[str, str, str],
    ) -> None:
        handle(store, [order()], fresh())
        code, _ = self.run(store, tmp_path, monkeypatch, *arguments)
        assert code == 3
