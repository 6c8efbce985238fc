"""Who may write in a note or sign it, and what a signature is bound to."""

from dataclasses import replace
from hashlib import sha256

import pytest

from schemas.conclusions import NoteState
from schemas.errors import InvalidInput
from schemas.group import Role
from services.notes.content import SignedNote, content_sha256, posting_digest
from services.notes.lifecycle import take_fact
from services.notes.note_now import note_now
from tests.assessed import GROUP, assessed, image, message, view
from tests.note_facts import SITE, addendum, amendment, opened, signature_under, standing, told_at


@pytest.mark.parametrize("by", ["tech-1", "nobody"])
def test_only_a_vet_of_the_site_signs(by: str) -> None:
    file = opened()

    with pytest.raises(InvalidInput) as caught:
        take_fact(file, signature_under(file, by=by), SITE)

    assert caught.value.field == "payload.signer"
    assert "role vet" in caught.value.expected


def test_nobody_signs_or_addends_in_anothers_name() -> None:
    file = opened()
    payload = signature_under(file).payload

    with pytest.raises(InvalidInput) as caught:
        take_fact(file, message(payload, person="vet-2"), SITE)

    assert caught.value.field == "payload.signer"
    assert "vet-2" in caught.value.expected


def test_a_machine_cannot_amend() -> None:
    payload = amendment("x").payload

    with pytest.raises(InvalidInput) as caught:
        take_fact(opened(), message(payload), SITE)

    assert caught.value.field == "source.kind"


def test_a_technician_cannot_amend() -> None:
    with pytest.raises(InvalidInput) as caught:
        take_fact(opened(), amendment("x", by="tech-1"), SITE)

    assert caught.value.field == "source.name"


def test_a_signature_for_other_content_is_refused_with_the_hash_of_what_stands_now() -> None:
    file = opened()
    read_before = signature_under(file)
    file = take_fact(file, amendment("Invented finding."), SITE)

    with pytest.raises(InvalidInput) as caught:
        take_fact(file, read_before, SITE)

    assert caught.value.field == "payload.note_sha256"
    assert standing(file).content_sha256 in caught.value.expected


def test_a_signature_for_an_earlier_revision_says_which_one_it_was() -> None:
    file = told_at(opened(), 1)
    read_before = signature_under(file)
    file = told_at(take_fact(file, amendment("Invented finding."), SITE), 2)

    with pytest.raises(InvalidInput, match="that was revision 1 of the note, which has changed"):
        take_fact(file, read_before, SITE)
    with pytest.raises(InvalidInput, match="never told with that content"):
        take_fact(file, signature_under(file, sha256="0" * 64), SITE)


@pytest.mark.parametrize("fact", ["signature", "addendum"])
def test_a_signature_without_proof_of_who_signs_is_refused(fact: str) -> None:
    file = opened()
    told = signature_under(file) if fact == "signature" else addendum()
    unproved = told.payload.model_copy(update={"reauthenticated_at": None})

    with pytest.raises(InvalidInput, match="sign again") as caught:
        take_fact(file, message(unproved, person="vet-1"), SITE)

    assert caught.value.field == "payload.reauthenticated_at"


def test_a_trainees_signature_leaves_a_draft_that_waits_for_a_vets() -> None:
    file = take_fact(opened(), amendment("Invented finding.", by="trainee-1"), SITE)
    file = take_fact(file, signature_under(file, by="trainee-1", minute=20), SITE)

    waiting = standing(file)
    assert (waiting.state, waiting.needs_cosign) == (NoteState.AMENDED, True)
    assert (waiting.signer, waiting.signed) == (None, None)
    signed = standing(take_fact(file, signature_under(file), SITE))
    assert (signed.state, signed.needs_cosign, signed.signer) == (NoteState.SIGNED, False, "vet-1")
    assert [(one.signer, one.final) for one in signed.signatures] == [
        ("trainee-1", False),
        ("vet-1", True),
    ]


def test_a_trainees_signature_covers_a_changed_note_no_more() -> None:
    file = take_fact(opened(), signature_under(opened(), by="trainee-1", minute=20), SITE)
    before = standing(file).content_sha256
    file = take_fact(file, amendment("Invented finding."), SITE)

    assert not standing(file).needs_cosign
    signed = standing(take_fact(file, signature_under(file), SITE))
    trainee, vet = signed.signatures
    assert trainee.content_sha256 == before
    assert vet.content_sha256 == signed.content_sha256 != before


def test_a_trainee_signs_neither_other_content_nor_a_signed_note_nor_an_addendum() -> None:
    file = opened()

    with pytest.raises(InvalidInput, match="read it again"):
        take_fact(file, signature_under(file, by="trainee-1", sha256="0" * 64), SITE)
    file = take_fact(file, signature_under(file), SITE)
    with pytest.raises(InvalidInput, match="has signed it"):
        take_fact(file, signature_under(file, by="trainee-1"), SITE)
    with pytest.raises(InvalidInput, match="addendum is told by a vet"):
        take_fact(file, addendum(by="trainee-1"), SITE)


def test_a_signature_counts_once_the_note_says_again_what_was_signed() -> None:
    other = assessed(2, [image(1), image(2)], views=(view(1), view(2)))
    back = assessed(3, [image(1)], views=(view(1),))
    file = opened()
    read_before = signature_under(file)
    file = opened(file, other)
    with pytest.raises(InvalidInput, match="read it again"):
        take_fact(file, read_before, SITE)

    file = opened(file, back)
    file = take_fact(file, signature_under(file, minute=35), SITE)

    assert standing(file).state is NoteState.SIGNED


def test_who_signs_the_same_content_again_has_signed_it_once() -> None:
    file = take_fact(opened(), signature_under(opened(), by="trainee-1", minute=20), SITE)
    file = take_fact(file, signature_under(file, by="trainee-1", minute=21), SITE)
    assert len(standing(file).signatures) == 1

    signed = take_fact(file, signature_under(file), SITE)
    assert take_fact(signed, signature_under(signed, minute=45), SITE) == signed
    assert [one.signer for one in standing(signed).signatures] == ["trainee-1", "vet-1"]


def test_a_vet_in_training_signs_as_a_trainee() -> None:
    both = GROUP.sites[0].people[0].model_copy(update={"roles": (Role.VET, Role.TRAINEE)})
    site = SITE.model_copy(update={"people": (both,)})

    note = note_now(take_fact(opened(), signature_under(opened()), site), site)

    assert note is not None
    assert note.needs_cosign


def test_a_note_signed_before_signatures_were_kept_one_by_one_shows_its_own() -> None:
    file = take_fact(opened(), signature_under(opened()), SITE)
    assert file.signed is not None
    old = SignedNote.model_validate(
        file.signed.model_dump(exclude={"signatures", "differences"}) | {"signatures": ()}
    )

    (only,) = standing(replace(file, signed=old)).signatures

    assert (only.signer, only.final, only.reauthenticated_at) == ("vet-1", True, None)


def test_what_a_note_shows_is_kept_as_it_was_at_its_signature() -> None:
    signed = take_fact(opened(), signature_under(opened()), SITE).signed

    assert signed is not None
    assert signed.shown is not None
    assert signed.shown.at_signature


def test_the_digest_of_what_the_record_holds_is_that_of_earlier_versions() -> None:
    # given: sha256 of the JSON written by hand; another digest would post every note once more
    plain = '["ab","P-1",null,"vet-1",[]]'
    with_trainee = '["ab","P-1",null,null,[],["trainee-1"]]'

    assert posting_digest("ab", "P-1", None, "vet-1", []) == sha256(plain.encode()).hexdigest()
    assert (
        posting_digest("ab", "P-1", None, None, [], ["trainee-1"])
        == sha256(with_trainee.encode()).hexdigest()
    )


def test_the_hash_covers_text_title_order_and_prompt() -> None:
    sections = standing(opened()).sections
    first = sections[0]
    variants = [
        sections,
        sections[::-1],
        (first.model_copy(update={"text": "other"}), *sections[1:]),
        (first.model_copy(update={"title": "other"}), *sections[1:]),
        (first.model_copy(update={"for_vet": True}), *sections[1:]),
    ]

    assert len({content_sha256(variant) for variant in variants}) == len(variants)
