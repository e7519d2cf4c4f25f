"""Is this an xlsx workbook that may be opened? Asked of the bytes before a library parses them.

A workbook is a zip archive that says itself how large it is; it is inflated once, counted and thrown away.
"""

import io
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass
from typing import Final
from xml.etree.ElementTree import ParseError, XMLParser

from app.intake.text import OLD_WORKBOOK, WORKBOOK, UnreadableFileError

MOST_BYTES: Final = 200 * 1024 * 1024
"""Of all parts of a workbook together, inflated."""
MOST_PARTS: Final = 2_000
_DAMAGED: Final = "the workbook is cut off or damaged; send it again"
_LOCKED: Final = "the workbook is protected by a password; save it without one"


def check_workbook(content: bytes) -> bool:
    """Refuse what is no workbook, and one that is larger inside than it may be.

    Returns:
        True when a sheet of it holds formulas.

    Raises:
        UnreadableFileError: saying what is wrong and how to mend it.
    """
    if not content.strip():
        raise UnreadableFileError("the file is empty")
    if content.startswith(OLD_WORKBOOK):
        if "EncryptedPackage".encode("utf-16-le") in content:
            raise UnreadableFileError(_LOCKED)
        raise UnreadableFileError("this is a workbook of the old kind (.xls); save it as .xlsx or as CSV")
    if not content.startswith(WORKBOOK):
        raise UnreadableFileError(
            "this is no xlsx workbook; if it is CSV, the laboratory's profile must say so"
        )
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
        parts = archive.infolist()
    except (zipfile.BadZipFile, ValueError, struct.error, NotImplementedError, OverflowError):
        raise UnreadableFileError(_DAMAGED) from None
    _check_size(content, parts)
    return True in [_holds_formulas(archive, part) for part in parts if "sheet" in part.filename.casefold()]


def _check_size(content: bytes, parts: list[zipfile.ZipInfo]) -> None:
    if any(part.flag_bits & 1 for part in parts):
        raise UnreadableFileError(_LOCKED)
    if len(parts) > MOST_PARTS:
        raise UnreadableFileError(f"the workbook has {len(parts)} parts; at most {MOST_PARTS} are taken")
    if sum(part.file_size for part in parts) > MOST_BYTES:
        raise UnreadableFileError(_too_large())
    room = MOST_BYTES
    for part in parts:
        room -= _inflated_size(content, part, room)


def _too_large() -> str:
    return (
        f"the workbook is larger than {MOST_BYTES // 1024**2} MiB once unpacked, which is the limit;"
        " split it, or save it as CSV"
    )


def _inflated_size(content: bytes, part: zipfile.ZipInfo, room: int) -> int:
    """How large a part really is, whatever it says of itself; refused as soon as it is more than the room."""
    header = content[part.header_offset : part.header_offset + 30]
    if len(header) < 30 or not header.startswith(WORKBOOK):
        raise UnreadableFileError(_DAMAGED)
    name, extra = struct.unpack("<HH", header[26:30])
    begin = part.header_offset + 30 + name + extra
    packed = content[begin : begin + part.compress_size]
    if part.compress_type == zipfile.ZIP_STORED:
        return len(packed)
    if part.compress_type != zipfile.ZIP_DEFLATED:
        raise UnreadableFileError("the workbook is packed in a way that xlsx does not know; save it again")
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    size = 0
    while packed and not inflate.eof:
        try:
            size += len(inflate.decompress(packed, 1024 * 1024))
        except zlib.error:
            raise UnreadableFileError(_DAMAGED) from None
        if size > room:
            raise UnreadableFileError(_too_large())
        packed = inflate.unconsumed_tail
    return size


@dataclass
class _SheetOrder:
    """Looks at a sheet's rows and cells as they go by: a row or cell that stands twice would hide another."""

    row: int = 0
    column: int = 0
    formulas: bool = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition("}")[2]
        if name == "row":
            self.row, self.column = self._next(self.row, attributes.get("r"), "row"), 0
        elif name == "c":
            letters = re.fullmatch(r"([A-Z]{1,3})(\d+)", attributes.get("r", ""))
            if letters and int(letters[2]) != self.row:
                raise UnreadableFileError(f"cell {letters[0]} stands in row {self.row}; {_DAMAGED}")
            self.column = self._next(self.column, _number(letters[1]) if letters else None, "cell")
        elif name == "f":
            self.formulas = True

    def _next(self, before: int, told: str | int | None, what: str) -> int:
        number = before + 1 if told is None else int(told)
        if number <= before:
            where = f"row {self.row}" if what == "cell" else f"row {number}"
            raise UnreadableFileError(f"a {what} stands twice or out of order in {where}; {_DAMAGED}")
        return number

    def close(self) -> None:
        return None


def _number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def _holds_formulas(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    order = _SheetOrder()
    parser = XMLParser(target=order)
    try:
        with archive.open(part) as stream:
            while block := stream.read(1024 * 1024):
                parser.feed(block)
        parser.close()
    except (ParseError, zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError) as error:
        if isinstance(error, UnreadableFileError):
            raise
        if part.filename.casefold().endswith(".xml"):
            raise UnreadableFileError(_DAMAGED) from None
    return order.formulas
