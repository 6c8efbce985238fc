"""Any identifier as one safe file name, different for every identifier."""

from hashlib import sha256

_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
_LONGEST = 160
_KEPT = 100


def file_name(identifier: str) -> str:
    """Write an identifier as a file name: plain characters stay, others become ``%XX`` of UTF-8.

    A leading dot and the dot of ``.answer`` are written ``%2E``, so that a name is never hidden,
    never ``..`` and never that of an answer. Beyond 160 characters a digest (after ``~``) takes
    the place of the end. Raises ValueError for an empty identifier.
    """
    if not identifier:
        raise ValueError("file name: expected an identifier, got an empty text")
    encoded = "".join(_encoded(character) for character in identifier)
    if encoded.startswith("."):
        encoded = "%2E" + encoded[1:]
    encoded = encoded.replace(".answer", "%2Eanswer")
    if len(encoded) <= _LONGEST:
        return encoded
    digest = sha256(identifier.encode("utf-8", "surrogatepass")).hexdigest()[:32]
    return f"{encoded[:_KEPT]}~{digest}"


def _encoded(character: str) -> str:
    if character in _PLAIN:
        return character
    return "".join(f"%{byte:02X}" for byte in character.encode("utf-8", "surrogatepass"))
