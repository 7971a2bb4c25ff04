"""Time stamps of RFC 3161: asks an authority for one, and checks one. What is stamped is the caller's affair.

A stamp says that the bytes were there at a time which a third party put its name to; so neither the bench's clock nor
whoever owns the bench can move it. Section 2.4 of the RFC is the form, 3.4 how it goes over HTTP.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

_WAIT_S: Final = 30.0
_LONGEST: Final = 1 << 20  # a stamp is some kilobytes: what is longer is none


class StampError(Exception):
    """There is no stamp, or it is not worth anything. The text says why."""


def _parts(data: bytes, start: int, end: int) -> list[tuple[int, int, int, int]]:
    """Return the elements of DER between `start` and `end`: tag, where it starts, where its contents do, its end."""
    found = []
    while start < end:
        tag, length, at = data[start], data[start + 1], start + 2
        if length & 0x80:
            digits = length & 0x7F
            length, at = int.from_bytes(data[at : at + digits]), at + digits
        if at + length > end:
            raise ValueError("it ends too soon")
        found.append((tag, start, at, at + length))
        start = at + length
    return found


def _in_order(answer: bytes) -> bytes:
    """Return an answer with its certificates in the order that DER asks for in a set (X.690, 11.6).

    Services built on OpenSSL send them as they come, which the library refuses. No signature covers their order.
    Raises ValueError for what is no answer.
    """
    try:
        response = _parts(answer, 0, len(answer))[0]
        if len(there := _parts(answer, *response[2:])) < 2:  # a refusal, without a stamp
            return answer
        content = _parts(answer, *there[1][2:])[1]  # RFC 5652, section 3: ContentInfo, its content explicit
        signed = _parts(answer, *content[2:])[0]
        for tag, _, start, end in _parts(answer, *signed[2:]):
            if tag == 0xA0:  # certificates [0] of SignedData (RFC 5652, 5.1)
                certificates = sorted(answer[one[1] : one[3]] for one in _parts(answer, start, end))
                return answer[:start] + b"".join(certificates) + answer[end:]
    except IndexError as error:
        raise ValueError("no DER") from error
    return answer


def ask_for_stamp(url: str, data: bytes) -> bytes:
    """Return the authority's answer to `data`, in DER: it is granted and of these bytes. Blocks. Raises StampError."""
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder, decode_timestamp_response

    if urlsplit(url).scheme not in ("http", "https"):
        raise StampError(f"{url} is no address of a time-stamping service; expected http:// or https://")
    wanted = TimestampRequestBuilder().data(data).hash_algorithm(HashAlgorithm.SHA256).build()
    request = Request(url, wanted.as_bytes(), {"Content-Type": "application/timestamp-query"})
    try:
        with urlopen(request, timeout=_WAIT_S) as answer:
            found: bytes = answer.read(_LONGEST + 1)
    except (OSError, URLError) as error:
        raise StampError(f"no answer from {url}: {getattr(error, 'reason', None) or error}") from error
    try:
        response = decode_timestamp_response(_in_order(found[:_LONGEST]))
        if response.status not in (0, 1):  # granted, or granted with changes
            raise StampError(f"{url} refused a stamp: {', '.join(response.status_string) or response.status}")
        told = response.tst_info
    except ValueError as error:
        raise StampError(f"{url} answered no time stamp: {error}") from error
    if told.nonce != wanted.nonce or told.message_imprint.message != wanted.message_imprint.message:
        raise StampError(f"{url} stamped something else than what it was sent")
    return found


def stamped_at(stamp: bytes, data: bytes, authority: Path) -> datetime:
    """Return when `data` was stamped, as an authority says whose certificate (PEM, its own or its root's, and those
    between) is in the file `authority`. Raises StampError unless the stamp is of these bytes and by that authority."""
    from cryptography.x509 import load_pem_x509_certificates
    from rfc3161_client import VerificationError, VerifierBuilder, decode_timestamp_response

    try:
        certificates = load_pem_x509_certificates(authority.read_bytes())
    except (OSError, ValueError) as error:
        raise StampError(f"{authority} holds no certificate in PEM form: {error}") from error
    try:
        response = decode_timestamp_response(_in_order(stamp))
        if not VerifierBuilder(roots=certificates).build().verify_message(response, data):
            raise StampError("the stamp is not sound")
        return response.tst_info.gen_time.astimezone(UTC)
    except (VerificationError, ValueError) as error:
        raise StampError(f"the stamp is not of this head, or not by that authority: {error}") from error
