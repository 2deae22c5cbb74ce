"""Who was forgotten: a list of digests in the data set, so that no older copy brings them back.

``derivatives/palmwatt/forgotten.json`` is a list in JSON of the SHA-256 of pseudonyms. A digest
does not hide a pseudonym from somebody who tries them all; it only does not write it down again.
Merging joins the lists and leaves out those who are on them, and their pseudonyms are not given
again.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from capture.tsv_tables import alone_in
from runtime.errors import FormatError
from runtime.files import read_limited, write_whole

__all__ = ["FORGOTTEN", "digest_of", "forgotten_in", "note_forgotten"]

FORGOTTEN = "derivatives/palmwatt/forgotten.json"
"""The list, below the data set's folder."""


def digest_of(participant_id: str) -> str:
    """Return what stands in the list for a pseudonym."""
    return hashlib.sha256(participant_id.encode()).hexdigest()


def forgotten_in(root: Path) -> frozenset[str]:
    """Return the digests of those who were forgotten in a data set.

    Raises
    ------
    UsageError, FormatError
        The list cannot be read, or is none: nobody may come back for that.
    """
    path = root / FORGOTTEN
    if not path.exists():
        return frozenset()
    try:
        content = json.loads(read_limited(path))
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, list) or not all(isinstance(entry, str) for entry in content):
        raise FormatError(str(path), "the list of who was forgotten", "damaged", "texts in JSON")
    return frozenset(content)


def note_forgotten(root: Path, participant_id: str) -> None:
    """Write down that somebody is forgotten; once is enough.

    Raises
    ------
    UsageError, FormatError
        As of :func:`forgotten_in`.
    """
    path = root / FORGOTTEN
    path.parent.mkdir(parents=True, exist_ok=True)
    with alone_in(root):
        known = forgotten_in(root) | {digest_of(participant_id)}
        write_whole(path, (json.dumps(sorted(known), indent=0) + "\n").encode())
