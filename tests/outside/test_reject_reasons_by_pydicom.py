"""Our table of reasons for a reject against pydicom's copy of DICOM PS3.16 CID 7011."""

from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr.codedict import codes

from schemas.reject_reasons import REJECT_REASONS, reject_meaning


def test_the_reasons_are_those_of_the_table_with_its_codes_and_words() -> None:
    names = cid_concepts[7011]["DCM"]
    table = {(getattr(codes.DCM, name).value, getattr(codes.DCM, name).meaning) for name in names}

    assert {(code.value, code.meaning) for code in REJECT_REASONS} == table
    assert len(REJECT_REASONS) == len(names)
    assert {code.scheme for code in REJECT_REASONS} == {"DCM"}


def test_a_code_that_the_table_does_not_have_has_no_words() -> None:
    assert reject_meaning("111209") == "Positioning"
    assert reject_meaning("999999") is None
