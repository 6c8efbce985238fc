"""What a worker remembers saves time and changes no answer."""

import random
from datetime import date

from hypothesis import given, settings
from hypothesis import strategies as st

from services.assessment.memory import Remembered
from services.assessment.room_day import RoomDay
from services.assessment.study import Memory, assess_room_day
from tests.room_days import two_cats
from tests.room_facts import ROOM, rules, site

DAY = RoomDay("north", ROOM, date(2026, 3, 2))
RULES = rules()


def test_a_value_is_given_back_only_for_the_same_inputs() -> None:
    remembered: Remembered[str, int, str] = Remembered()
    assert remembered.get("a", 1, lambda: "one") == "one"
    assert remembered.get("a", 1, lambda: "never computed") == "one"
    assert remembered.get("a", 2, lambda: "two") == "two"
    assert remembered.get("a", 1, lambda: "anew") == "anew"


def test_the_oldest_are_forgotten() -> None:
    remembered: Remembered[int, int, str] = Remembered(most=2)
    for key in (1, 2, 3):
        remembered.get(key, 0, lambda: "first")
    assert remembered.get(1, 0, lambda: "again") == "again"
    assert remembered.get(3, 0, lambda: "again") == "first"


@settings(deadline=None, max_examples=25)
@given(data=st.data())
def test_assessing_with_a_memory_through_any_history_ends_as_without(data: st.DataObject) -> None:
    facts = data.draw(st.permutations(two_cats()))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(facts)), max_size=6)))
    memory = Memory()
    for cut in cuts:
        part = facts[:cut]
        assert assess_room_day(part, site(), DAY, RULES, memory) == assess_room_day(
            part, site(), DAY, RULES
        )


def test_a_fact_of_one_study_leaves_the_other_as_it_was_computed() -> None:
    facts = two_cats()
    random.Random(1).shuffle(facts)
    memory = Memory()
    before = assess_room_day(facts, site(), DAY, RULES, memory)
    last = [fact for fact in facts if fact.kind == "study_closed"]
    after = assess_room_day(
        [fact for fact in facts if fact not in last], site(), DAY, RULES, memory
    )
    changed = {uid for uid in before if after[uid] is not before[uid]}
    # The other one is the very same object, so it was not computed again.
    assert len(before) == 2
    assert len(changed) == 1
