"""What precedes the data set in a DICOM file: preamble and file meta information.

PS3.10 section 7.1, table 7.1-1 (from memory; the tests read it with pydicom). It is written for
every image, and making it from a data set object takes longer than all the rest of a file's start.
"""

import struct

from pynetdicom import PYNETDICOM_IMPLEMENTATION_UID, PYNETDICOM_IMPLEMENTATION_VERSION

from schemas.errors import InvalidInput

_PREAMBLE = b"\x00" * 128 + b"DICM"
_LONGEST_UID = 64
_NAMES = {
    0x0002: "SOPClassUID (0008,0016)",
    0x0003: "SOPInstanceUID (0008,0018)",
    0x0010: "TransferSyntaxUID (0002,0010)",
    0x0012: "ImplementationClassUID (0002,0012)",
}
_SHORT = struct.Struct("<HH2sH")  # explicit VR little endian, element with a length of 16 bits


def file_head(sop_class_uid: str, sop_instance_uid: str, transfer_syntax_uid: str) -> bytes:
    """Encode all that comes before the data set.

    Raises InvalidInput for what cannot be a UID by its length or characters.
    """
    meta = b"".join(
        (
            # OB has a length of 32 bits after two reserved bytes; version 1.
            struct.pack("<HH2sHL", 0x0002, 0x0001, b"OB", 0, 2) + b"\x00\x01",
            _uid(0x0002, sop_class_uid),
            _uid(0x0003, sop_instance_uid),
            _uid(0x0010, transfer_syntax_uid),
            _uid(0x0012, str(PYNETDICOM_IMPLEMENTATION_UID)),
            _element(0x0013, b"SH", PYNETDICOM_IMPLEMENTATION_VERSION.encode(), b" "),
        )
    )
    return _PREAMBLE + _element(0x0000, b"UL", struct.pack("<L", len(meta)), b"") + meta


def _uid(element: int, uid: str) -> bytes:
    if not 0 < len(uid) <= _LONGEST_UID or not set(uid) <= set("0123456789."):
        raise InvalidInput(_NAMES[element], uid, "a UID of digits and dots")
    return _element(element, b"UI", uid.encode(), b"\x00")


def _element(element: int, vr: bytes, value: bytes, padding: bytes) -> bytes:
    if len(value) % 2:
        value += padding
    return _SHORT.pack(0x0002, element, vr, len(value)) + value
