"""Columns packed into one block of text that a page's script can unpack by itself.

Enters: columns of whole numbers and texts, and plain values.
Leaves: text: a raw deflate stream (RFC 1951), each four bytes of it as five letters.
Does not do: know what a column means.

A block is: the length of its header (four bytes, low byte first), the header (JSON in UTF-8), the
bytes of all columns. A number is written as 0 where it is unknown, else as one more than its zigzag
code (0, -1, 1, -2 … become 0, 1, 2, 3 …), in the fewest bytes that hold the column's greatest; all
low bytes first, then all next ones, so that like stands beside like and deflates well.

Four bytes, high byte first, are a number of five digits to base 85, whose letters are those of
`LETTERS`: a quarter more than the bytes, where Base64 takes a third more. None of them means
anything in HTML. The first number is the length of the stream; zero bytes fill up the last one.
"""

from __future__ import annotations

import json
import zlib
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MOST = 2**31 - 2
"""Greatest number that a column may hold, by size; the script keeps 32 bits of each."""

LEVEL = 9

LETTERS = (
    "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%()*+,-./:;=?@[]^_{|}~"
)[:85]


class Pack:
    """A block in the making: columns are added, then `text` gives it whole."""

    def __init__(self) -> None:
        self._columns: dict[str, list[Any]] = {}
        self._words: dict[str, list[str]] = {}
        self._values: dict[str, Any] = {}
        self._body: list[bytes] = []
        self._size = 0

    def value(self, name: str, value: Any) -> None:
        """Add plain values for JSON, no NaN."""
        self._values[name] = value

    def numbers(
        self,
        name: str,
        values: npt.ArrayLike,
        known: BoolArray | None = None,
        *,
        steps: bool = False,
    ) -> None:
        """Add a column of whole numbers.

        Parameters
        ----------
        name : str
            Name of the column in this block.
        values : array_like of int64, shape (n,)
            At most `MOST` in size, and so their differences where `steps` is set.
        known : ndarray of bool, shape (n,), optional
            False where a value is unknown.
        steps : bool
            Whether each is written as its difference from the one before; all must be known.

        Raises
        ------
        ValueError
            If a number is too large, or steps are asked of unknown ones.
        """
        numbers = np.asarray(values, dtype=np.int64)
        if steps:
            if known is not None:
                message = f"column '{name}' cannot have steps and unknown values"
                raise ValueError(message)
            numbers = np.diff(numbers, prepend=0)
        if known is not None:
            numbers = np.where(known, numbers, 0)
        if len(numbers) and int(np.abs(numbers).max()) > MOST:
            message = f"column '{name}' holds numbers beyond {MOST}"
            raise ValueError(message)
        codes = ((numbers << 1) ^ (numbers >> 63)) + 1
        if known is not None:
            codes = np.where(known, codes, 0)
        width = max(1, (int(codes.max(initial=0)).bit_length() + 7) // 8)
        planes = codes.astype("<u8").view(np.uint8).reshape(len(codes), 8)[:, :width].T
        self._columns[name] = [len(codes), width, self._size, int(steps)]
        self._body.append(np.ascontiguousarray(planes).tobytes())
        self._size += len(codes) * width

    def texts(self, name: str, values: pd.Series) -> None:
        """Add a column of texts: the different ones once, and for each row which it is.

        Parameters
        ----------
        name : str
            Name of the column in this block.
        values : pandas.Series of str
            Nulls stay null.
        """
        codes, words = pd.factorize(values)
        self._words[name] = [str(word) for word in words]
        self.numbers(name, codes, codes >= 0)

    def text(self) -> str:
        """Return the block as text, the same for the same columns."""
        head = {"columns": self._columns, "words": self._words, "values": self._values}
        header = json.dumps(head, allow_nan=False, separators=(",", ":"), ensure_ascii=True)
        raw = header.encode("ascii")
        deflate = zlib.compressobj(LEVEL, zlib.DEFLATED, -15)
        parts = [deflate.compress(len(raw).to_bytes(4, "little") + raw)]
        parts += [deflate.compress(part) for part in self._body]
        parts.append(deflate.flush())
        return to_letters(b"".join(parts))


def to_letters(raw: bytes) -> str:
    """Write bytes, and their number before them, as text; see the module's notes."""
    filled = len(raw).to_bytes(4, "big") + raw + bytes(-len(raw) % 4)
    numbers = np.frombuffer(filled, ">u4").astype(np.int64)
    digits = numbers[:, None] // 85 ** np.arange(4, -1, -1) % 85
    letters = np.frombuffer(LETTERS.encode("ascii"), np.uint8)
    return str(letters[digits].tobytes(), "ascii")


def from_letters(text: str) -> bytes:
    """Read the bytes of a text again, the inverse of `to_letters`."""
    value = np.zeros(128, dtype=np.int64)
    value[np.frombuffer(LETTERS.encode("ascii"), np.uint8)] = np.arange(85)
    digits = value[np.frombuffer(text.encode("ascii"), np.uint8)].reshape(-1, 5)
    filled = (digits @ 85 ** np.arange(4, -1, -1)).astype(">u4").tobytes()
    return filled[4 : 4 + int.from_bytes(filled[:4], "big")]


def unpack(text: str) -> dict[str, Any]:
    """Read a block again, as the page's script does; for tests and for scripts on a written page.

    Parameters
    ----------
    text : str
        As from `Pack.text`.

    Returns
    -------
    dict
        Plain values by name; columns of numbers as lists of int or None, of texts as lists of str
        or None.
    """
    raw = zlib.decompress(from_letters(text), -15)
    length = int.from_bytes(raw[:4], "little")
    head, body = json.loads(raw[4 : 4 + length]), raw[4 + length :]
    found: dict[str, Any] = dict(head["values"])
    for name, (count, width, start, steps) in head["columns"].items():
        planes = np.frombuffer(body, np.uint8, count * width, start).reshape(width, count)
        codes = (planes.astype(np.int64) << (8 * np.arange(width))[:, None]).sum(axis=0)
        numbers = ((codes - 1) >> 1) ^ -((codes - 1) & 1)
        if steps:
            numbers = np.cumsum(numbers)
        words = head["words"].get(name)
        found[name] = [
            None if code == 0 else (words[number] if words is not None else number)
            for code, number in zip(codes.tolist(), numbers.tolist(), strict=True)
        ]
    return found
