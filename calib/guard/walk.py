"""A look at all that an HDF5 file holds, before anything of it is used.

``guard`` runs this module as a program in a process of its own, since the library can crash, hang
or take all memory over a damaged file. For that it imports nothing of the package. Each line of
standard input asks about a file, each line of standard output answers, both JSON.
"""

from __future__ import annotations

import json
import math
import os
import signal
import sys
from contextlib import suppress
from typing import Any

import h5py

# Deflate, shuffle, Fletcher32 (the library's own) and LZF (h5py's): what recorders use.
FILTERS = frozenset([1, 2, 3, 32000])
MOST_OBJECTS = 100_000
BLOCK = 1 << 24  # bytes read at a time
# Real centroids take at least a tenth of their numbers' size in any compression, as their last
# digits are noise.
MOST_COMPRESSED = 100
SLACK = 1 << 20  # bytes that small files may claim beyond that
MEMORY = 1 << 30  # bytes that this process may take
CPU_S, CPU_BYTES_PER_S = 1.5, 5e7  # fifty times what is needed


# Of other types the library follows addresses that a damaged file makes up.
PLAIN = {h5py.h5t.INTEGER, h5py.h5t.FLOAT, h5py.h5t.ENUM, h5py.h5t.STRING}


class Refused(Exception):
    """What a file must not hold: where, expected, found, remedy."""


def walk(path: str, most_bytes: float) -> None:
    """Read the whole file block by block.

    Raises Refused for links to and data in other files, virtual datasets, filters that are not
    usual and sizes beyond ``most_bytes`` or what the file's own size makes likely; what h5py
    raises where the file is damaged.
    """
    n_bytes = os.path.getsize(path)
    claimed = 0

    def claim(place: str, shape: tuple[int, ...], item_bytes: int) -> None:
        nonlocal claimed
        claimed += math.prod(shape) * item_bytes
        if claimed > MOST_COMPRESSED * n_bytes + SLACK:
            raise Refused(
                place,
                f"data that {_size(n_bytes)} can hold",
                f"a claim of {_size(claimed)}",
                "It is damaged or no recording: copy or make it again.",
            )
        if claimed > most_bytes:
            raise Refused(
                place,
                f"at most {_size(most_bytes)} of data",
                f"{_size(claimed)}",
                "Take a part of it, or raise the limit: calib --max-points N COMMAND.",
            )

    with reading(path) as file:
        stack: list[tuple[str, Any]] = [("", file.id)]
        seen = {h5py.h5o.get_info(file.id).addr}
        while stack:
            place, node = stack.pop()
            _read_attributes(place, node, claim)
            if isinstance(node, h5py.h5d.DatasetID):
                _check_dataset(place, node)
                _read_dataset(place, node, claim)
            if not isinstance(node, h5py.h5g.GroupID):
                continue
            for name in node:
                inner = f"{place}/{name.decode('utf-8', 'backslashreplace')}"
                kind = node.links.get_info(name).type
                if kind not in (h5py.h5l.TYPE_HARD, h5py.h5l.TYPE_SOFT):
                    raise Refused(
                        inner,
                        "data in the file itself",
                        "a link to another file",
                        "Copy the data into the file.",
                    )
                if kind == h5py.h5l.TYPE_SOFT:  # leads to what is met by its own name
                    continue
                child = h5py.h5o.open(node, name)
                address = h5py.h5o.get_info(child).addr
                if address not in seen:
                    seen.add(address)
                    stack.append((inner, child))
                if len(seen) > MOST_OBJECTS:
                    raise Refused(inner, f"at most {MOST_OBJECTS} groups and datasets", "more", "")


def reading(path: str) -> h5py.File:
    """Open a file to read, also one that is still being written for readers to follow, or whose
    writer died; BlockingIOError where its writer lets nobody in.
    """
    try:
        return h5py.File(path, "r")
    except BlockingIOError:
        raise
    except OSError as error:
        if "already open for write" not in str(error):
            raise
        return h5py.File(path, "r", swmr=True)


def _check_type(place: str, kind: Any) -> None:
    if kind.get_class() in PLAIN:
        return
    raise Refused(
        place or "/",
        "numbers and text",
        "a type made of others, as of lists or references",
        "Copy or make it again, without what another program added to it.",
    )


def _check_dataset(place: str, node: Any) -> None:
    _check_type(place, node.get_type())
    made = node.get_create_plist()
    if made.get_layout() == h5py.h5d.VIRTUAL:
        found = "a virtual dataset"
    elif made.get_external_count():
        found = "data in another file"
    else:
        ids = {made.get_filter(k)[0] for k in range(made.get_nfilters())}
        if not ids - FILTERS:
            return
        raise Refused(
            place,
            "no filters but gzip, shuffle, fletcher32 and lzf",
            f"filter {min(ids - FILTERS)}",
            "Store it without.",
        )
    raise Refused(place, "data in the file itself", found, "Copy the data into the file.")


def _read_attributes(place: str, node: Any, claim: Any) -> None:
    for k in range(h5py.h5a.get_num_attrs(node)):
        attribute = h5py.h5a.open(node, index=k)
        _check_type(place, attribute.get_type())
        claim(place or "/", attribute.shape or (), attribute.get_type().get_size())
    if isinstance(node, h5py.h5d.DatasetID):
        dict(h5py.Dataset(node).attrs)
    elif isinstance(node, h5py.h5g.GroupID):  # the whole file is one as well
        dict(h5py.Group(node).attrs)


def _read_dataset(place: str, node: Any, claim: Any) -> None:
    values = h5py.Dataset(node)
    shape, item = values.shape, node.get_type().get_size()
    if shape is None:
        return
    claim(place, shape, item)
    if not shape:
        values[()]
        return
    rows = max(1, BLOCK // max(1, math.prod(shape[1:]) * item))
    for first in range(0, shape[0], rows):
        values[first : first + rows]


def _size(n_bytes: float) -> str:
    for unit in ("bytes", "kB", "MB"):
        if n_bytes < 1000:
            return f"{n_bytes:.0f} {unit}"
        n_bytes /= 1000
    return f"{n_bytes:.1f} GB"


def _limit_memory() -> None:
    """Give this process little more memory than it has, where the system can."""
    with suppress(ImportError, OSError, ValueError):
        import resource  # noqa: PLC0415 - not on Windows

        with open("/proc/self/statm") as stream:
            now = int(stream.read().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + MEMORY, now + MEMORY))


def _limit_time(seconds: float) -> None:
    """End this process, whatever it does, after so much work of the processor (0: no more)."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_PROF, seconds)


def answer(path: str, most_bytes: float) -> list[str]:
    """Return how ``walk`` ended: "good", "refused" with what is to be said, "memory", "locked", or
    "damaged" with the reason.
    """
    try:
        walk(path, most_bytes)
    except Refused as refusal:
        return ["refused", *refusal.args]
    except MemoryError:
        return ["memory"]
    except BlockingIOError:
        return ["locked"]
    except Exception as error:  # whatever h5py makes of damage
        return ["damaged", " ".join(str(error).split())[:300]]
    return ["good"]


def main() -> None:
    """Answer until standard input ends."""
    _limit_memory()
    for line in sys.stdin:
        path, most_bytes = json.loads(line)
        n_bytes = os.path.getsize(path) if os.path.exists(path) else 0
        _limit_time(CPU_S + n_bytes / CPU_BYTES_PER_S)
        told = answer(path, most_bytes)
        _limit_time(0)
        print(json.dumps(told), flush=True)


if __name__ == "__main__":
    main()
