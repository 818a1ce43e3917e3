"""Bytes of a file to text: marks, UTF-8, UTF-16, Windows-1252, and what is not text at all."""

import codecs

from specmatch.errors import OptionError, ScanFileError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_NOT_TEXT = (
    (b"PK\x03\x04", "a zip or spreadsheet file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet file"),
    (b"\x89PNG", "a picture"),
    (b"%PDF", "a PDF page"),
    (b"\x1f\x8b", "a compressed file"),
    (b"\x80\x04", "a pickle"),
)


def decode_text(raw: bytes, *, name: str, encoding: str | None = None) -> tuple[str, str]:
    """Decode the bytes of a text file."""
    text, found = _decode(raw, name, encoding)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text, found


def _decode(raw: bytes, name: str, encoding: str | None) -> tuple[str, str]:
    if encoding is not None:
        try:
            return raw.decode(encoding), encoding
        except LookupError:
            raise OptionError(f"encoding {encoding!r} is not known; use a name such as 'utf-8' or 'cp1252'") from None
        except UnicodeError as error:
            raise ScanFileError(f"{name}: not {encoding} text ({error}); leave encoding=None") from None
    for start, kind in _NOT_TEXT:
        if raw.startswith(start):
            raise ScanFileError(f"{name}: this is {kind}, not text; export the scan as delimited text or JCAMP-DX")
    if raw.isascii() and b"\0" not in raw:
        return raw.decode("ascii"), "UTF-8"
    for mark, codec, words in _MARKS:
        if raw.startswith(mark):
            return _strict(raw, codec, words, name), words
    nulls = raw.count(0)
    if nulls:
        # text in UTF-16 has a zero in about every second byte, always on the same side
        for codec, side in (("utf-16-le", 1), ("utf-16-be", 0)):
            if raw[side::2].count(0) == nulls and nulls > len(raw) // 4:
                return _strict(raw, codec, "UTF-16", name), "UTF-16 without a mark"
        raise ScanFileError(f"{name}: {nulls} zero bytes: this is binary data, not text; export the scan as text")
    try:
        return raw.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        return _strict(raw, "cp1252", "Windows-1252", name), "Windows-1252"


def _strict(raw: bytes, codec: str, words: str, name: str) -> str:
    try:
        return raw.decode(codec)
    except UnicodeError as error:
        raise ScanFileError(
            f"{name}: begins like {words} but does not decode ({error}); the file may be cut or damaged: "
            ""
            "copy it again, or name its encoding=..."
        ) from None
