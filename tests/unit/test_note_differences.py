"""How a person's words differ from the draft, word by word."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import WordsOp
from schemas.facts.desk import NoteAmended
from services.notes.sections import written_sections
from services.runtime.differences import MOST_PAIRS, words_runs
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view

SITE = GROUP.site("north")
PROSE = st.lists(st.sampled_from(["one ", "view", " ", "tooth 309. ", "\n", "is"])).map("".join)


def _joined(before: str, after: str, *ops: WordsOp) -> str:
    return "".join(run.text for run in words_runs(before, after) if run.op in ops)


@given(PROSE, PROSE)
def test_the_runs_give_back_both_texts(before: str, after: str) -> None:
    assert _joined(before, after, WordsOp.SAME, WordsOp.REMOVED) == before
    assert _joined(before, after, WordsOp.SAME, WordsOp.ADDED) == after


@given(PROSE, PROSE)
def test_neighbouring_runs_are_never_of_one_kind(before: str, after: str) -> None:
    ops = [run.op for run in words_runs(before, after)]

    assert all(one is not other for one, other in pairwise(ops))


def test_a_changed_word_alone_is_told() -> None:
    runs = words_runs("1 of 2 planned views obtained.", "2 of 2 planned views obtained.")

    assert [(run.op.value, run.text) for run in runs] == [
        ("removed", "1 "),
        ("added", "2 "),
        ("same", "of 2 planned views obtained."),
    ]


def test_equal_texts_are_one_run_and_empty_ones_none() -> None:
    assert [run.op for run in words_runs("as it was", "as it was")] == [WordsOp.SAME]
    assert words_runs("", "") == ()


def test_texts_too_long_to_be_searched_are_told_as_replaced() -> None:
    before, after = "x a " * 2_500 + "y", "z b " * 2_500 + "w"
    assert MOST_PAIRS < 5_001 * 5_001

    runs = words_runs(before, after)

    assert [run.op for run in runs] == [WordsOp.REMOVED, WordsOp.ADDED]


def test_a_corrected_section_differs_by_its_words_and_a_filled_prompt_is_all_new() -> None:
    study = assessed(images=[image(1)], views=(view(1),))
    views = next(
        one.text for one in written_sections(study, (), SITE).sections if one.section == "views"
    )
    told = [("views", views.replace("obtained", "blurred", 1)), ("interpretation", "Invented.")]
    facts = [
        message(
            NoteAmended(study_instance_uid=STUDY, section=name, text=text),
            person="vet-1",
            at=START,
        )
        for name, text in told
    ]

    corrected, filled = written_sections(study, facts, SITE).differences

    assert (corrected.section, corrected.author) == ("views", "vet-1")
    changed = [(run.op.value, run.text) for run in corrected.runs if run.op is not WordsOp.SAME]
    assert changed == [("removed", "obtained "), ("added", "blurred ")]
    assert [(run.op, run.text) for run in filled.runs] == [(WordsOp.ADDED, "Invented.")]
