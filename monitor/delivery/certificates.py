"""When certificates end: read off the files in use, so that somebody is told before one does.

A certificate is DER (ITU-T X.690) in PEM; of it only the second moment of its validity (RFC 5280, 4.1.2.5) is read.
"""

from __future__ import annotations

import re
import ssl
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from monitor.core.moments import Moment, from_datetime

_PEM = re.compile(r"-----BEGIN CERTIFICATE-----.+?-----END CERTIFICATE-----", re.DOTALL)
_VERSION, _UTC_TIME = 0xA0, 0x17


def ends(paths: Iterable[Path]) -> dict[str, Moment]:
    """When each file's certificates end, the first of a file that does; files that cannot be read are left out, for they fail loudly where they are used."""
    found: dict[str, Moment] = {}
    for path in paths:
        try:
            # Between the certificates anything may stand, as the names of their issuers.
            text = path.read_text(encoding="latin-1")
            found[str(path)] = min(_end(one) for one in _PEM.findall(text))
        except (OSError, ValueError, IndexError):
            continue
    return found


def _end(pem: str) -> Moment:
    whole = _inside(ssl.PEM_cert_to_DER_cert(pem))[0][1]
    fields = _inside(_inside(whole)[0][1])
    if fields[0][0] == _VERSION:
        fields = fields[1:]
    # serial number, signature, issuer, validity
    tag, text = _inside(fields[3][1])[1]
    shape = "%y%m%d%H%M%SZ" if tag == _UTC_TIME else "%Y%m%d%H%M%SZ"
    when = datetime.strptime(text.decode("ascii"), shape).replace(tzinfo=UTC)
    return from_datetime(when)


def _inside(data: bytes) -> list[tuple[int, bytes]]:
    """The elements in *data*: tag and content of each."""
    found, at = [], 0
    while at < len(data):
        tag, length, at = data[at], data[at + 1], at + 2
        if length & 0x80:
            count = length & 0x7F
            length, at = int.from_bytes(data[at : at + count]), at + count
        found.append((tag, data[at : at + length]))
        at += length
    return found
