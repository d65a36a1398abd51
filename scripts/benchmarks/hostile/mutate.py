"""Files spoiled at random, by bytes, by words where they are text, by what they hold where they are
HDF5; all drawn from a seed.
"""

from __future__ import annotations

import io
import re
import struct
from typing import Any

import h5py
import numpy as np

NUMBERS = (
    "nan",
    "inf",
    "-inf",
    "1e308",
    "-1e308",
    "1e-320",
    "9" * 30,
    "-" + "9" * 30,
    "0",
    "-1",
    "1",
    "-0.0",
    "2147483648",
    "9223372036854775808",
    "1e5",
    "65536",
    '""',
    "true",
    "[]",
    "1_0",
    "9" * 5000,
    "1979-05-27",
)
WORDS = (
    "",
    " ",
    "a/b",
    "..",
    "\x00",
    "\\u0000",
    "\\u001b[2J",
    "é" * 300,
    "a" * 5000,
    "\\ud800",
    "\n",
    "]",
    "[[x]]",
    "=",
    '"',
    "'",
    "#",
    ",",
    "{camera}",
    "*",
    "(",
    "\ufeff",
    "\r",
    "\u202e",
)
COUNTS = (0, 1, 2, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, 1 << 62, (1 << 64) - 1)


def mutated(data: bytes, rng: np.random.Generator, is_text: bool) -> bytes:
    """Return the data with one thing spoiled, or a few."""
    is_hdf5 = data.startswith(b"\x89HDF") and rng.random() < 0.6
    for _ in range(int(rng.geometric(0.7))):
        if is_hdf5:
            data = _held(data, rng)
        else:
            data = _words(data, rng) if is_text and rng.random() < 0.9 else _bytes(data, rng)
    return data


def _held(data: bytes, rng: np.random.Generator) -> bytes:
    """Spoil one thing that an HDF5 file holds."""
    buffer = io.BytesIO(data)
    with h5py.File(buffer, "r+") as file:
        places: list[tuple[Any, str | None]] = []

        def collect(name: str, node: Any) -> None:
            places.extend((node, key) for key in node.attrs)
            places.append((node, None))

        file.visititems(collect)
        places.extend((file, key) for key in file.attrs)
        node, key = places[int(rng.integers(len(places)))]
        if key is not None:
            value = node.attrs[key]
            del node.attrs[key]
            if rng.random() < 0.9:
                node.attrs[key] = _other(value, rng)
        else:
            name, parent = node.name, node.parent
            value = node[()] if isinstance(node, h5py.Dataset) else None
            del parent[name]
            if value is not None and rng.random() < 0.9:
                other = _other(value, rng)
                is_text = isinstance(other, np.ndarray) and other.dtype.kind == "O"
                kind = h5py.string_dtype() if is_text else None
                parent.create_dataset(name, data=other, dtype=kind)
            elif rng.random() < 0.3:
                parent[name] = 1
    return buffer.getvalue()


HARD = (np.nan, np.inf, -np.inf, 1e308, -1e308, 1e-310, 0.0, -1.0, 1e6, 2.0**63)
HARD_WHOLE = (0, -1, 1, 7, 255, 65536, 2**31 - 1, -(2**31), 2**62, -(2**63), 2**63 - 1)


def _other(value: Any, rng: np.random.Generator) -> Any:
    """Return a value of HDF5 changed in one number, in all, in shape or in type."""
    if isinstance(value, bytes | str):
        text = value if isinstance(value, bytes) else value.encode("utf-8", "surrogateescape")
        spoiled = _words(text, rng).decode("utf-8", "replace").replace("\0", "")
        return spoiled if rng.random() < 0.9 else 3.5
    array = np.array(value)
    if array.dtype.kind == "O":
        flat = [v if isinstance(v, bytes) else str(v).encode() for v in array.ravel()]
        if flat:
            k = int(rng.integers(len(flat)))
            flat[k] = _words(flat[k], rng).replace(b"\0", b"")
        return np.array([v.decode("utf-8", "replace") for v in flat], dtype=object).reshape(
            array.shape
        )
    hard: Any = HARD if array.dtype.kind == "f" else HARD_WHOLE
    one = hard[int(rng.integers(len(hard)))]
    match int(rng.integers(6)):
        case 0 | 1 | 2 if array.size:
            limits = np.iinfo(array.dtype) if array.dtype.kind in "iu" else None
            fits = one if limits is None else min(max(one, limits.min), limits.max)
            flat_array = array.reshape(-1)
            at = int(rng.integers(array.size))
            flat_array[at : at + 1 + int(rng.random() < 0.3) * array.size] = fits
            return flat_array.reshape(array.shape)
        case 3:
            return array.astype([np.float32, np.int64, np.int8, np.bool_][int(rng.integers(4))])
        case 4:
            return array[: max(0, array.shape[0] - 1)] if array.ndim else np.stack([array] * 2)
        case _:
            return [array.T, array[None], "text", np.empty((0, 3)), one][int(rng.integers(5))]


def _bytes(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    n = len(out)
    if not n:
        return bytes(rng.integers(0, 256, 8, dtype=np.uint8))
    # Headers lie near the beginning, and the rest is mostly numbers.
    at = int(n * rng.random() ** rng.choice([1.0, 4.0]))
    to = min(n, at + 1 + int(rng.geometric(0.02)))
    # A change of length is soon noticed.
    kinds = (4, 5, 6) if rng.random() < 0.15 else (0, 1, 2, 3, 7, 8)
    match int(rng.choice(kinds)):
        case 0:
            for k in rng.integers(at, to, int(rng.integers(1, 9))):
                out[k] ^= 1 << int(rng.integers(8))
        case 1:
            out[at] = int(rng.choice([0, 1, 0x7F, 0x80, 0xFE, 0xFF]))
        case 2:
            out[at:to] = rng.integers(0, 256, to - at, dtype=np.uint8).tobytes()
        case 3:
            out[at:to] = bytes([int(rng.choice([0, 0xFF]))]) * (to - at)
        case 4:
            del out[at:to]
        case 5:
            out[at:at] = out[at:to]
        case 6:
            del out[at:]
        case 7:
            width = int(rng.choice([1, 2, 4, 8]))
            value = COUNTS[int(rng.integers(len(COUNTS)))] & ((1 << 8 * width) - 1)
            order = "<" if rng.random() < 0.8 else ">"
            packed = struct.pack(f"{order}{'_BH_I___Q'[width]}", value)
            out[at : at + width] = packed
        case _:
            other = int(rng.integers(n))
            out[at:to] = out[other : other + to - at]
    return bytes(out)


def _words(data: bytes, rng: np.random.Generator) -> bytes:
    text = data.decode("utf-8", "surrogateescape")
    lines = text.split("\n")
    k = int(rng.integers(len(lines)))

    def draw(words: tuple[str, ...]) -> str:
        return words[int(rng.integers(len(words)))]

    match int(rng.integers(7)):
        case 0:
            lines.insert(k, lines[k])
        case 1:
            del lines[k]
        case 2:
            other = int(rng.integers(len(lines)))
            lines[k], lines[other] = lines[other], lines[k]
        case 3:
            parts = re.split(r"(\s+|,|=)", lines[k])
            parts[int(rng.integers(len(parts)))] = draw(WORDS)
            lines[k] = "".join(parts)
        case 4:
            lines[k] = lines[k] * int(rng.choice([0, 2, 2000]))
        case _:
            found = list(re.finditer(r"-?\d+(\.\d+)?", text))
            if found:
                one = found[int(rng.integers(len(found)))]
                text = text[: one.start()] + draw(NUMBERS) + text[one.end() :]
            lines = text.split("\n")
    return "\n".join(lines).encode("utf-8", "surrogateescape")
