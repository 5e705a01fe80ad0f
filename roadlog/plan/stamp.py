"""RFC 3161 time-stamps: an authority's word that the plan's fingerprint existed at a time.

The answer of an authority (a response, or the bare token) and the fingerprint go in; the time and
the authority's name come out once imprint, signature and chain of certificates hold, offline and
as of the token's own time. Revocation isn't asked for: that takes a network. Whether an authority
is to be believed is the reader's affair: its root comes from the user, or only from the token.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import rfc3161_client as rfc3161
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.x509.oid import NameOID

from roadlog.errors import InputError
from roadlog.plan.register import canonical
from roadlog.plan.result import Stamped
from roadlog.wording.screen import one_line

SHA256_OID = "2.16.840.1.101.3.4.2.1"
LARGEST = 1_000_000  # bytes of a file
_CERTIFICATES = 0xA0  # [0] of SignedData
_NOT_READ = (
    "can't be read as a time-stamp (RFC 3161): give the authority's answer (.tsr) or its token, in "
    "binary as it came"
)


@dataclass(frozen=True)
class Token:
    """An answer as it was read, before anything of it is believed."""

    response: rfc3161.TimeStampResponse
    sha256: str | None  # of the imprint, None where it is by another hash algorithm
    nonce: int | None


def request_for(choices: dict[str, Any]) -> tuple[bytes, int | None]:
    """A request (.tsq) over the fingerprint of these choices, and its nonce.

    Only the hash goes to the authority.

    References
    ----------
    RFC 3161 (2001), Internet X.509 Public Key Infrastructure Time-Stamp Protocol.
    """
    builder = rfc3161.TimestampRequestBuilder(data=canonical(choices))
    request = (
        builder.hash_algorithm(rfc3161.HashAlgorithm.SHA256)
        .nonce(nonce=True)
        .cert_request(cert_request=True)
        .build()
    )
    return bytes(request.as_bytes()), request.nonce


def read_token(data: bytes, name: str) -> Token:
    """Read an answer of an authority.

    Raises
    ------
    InputError
        If it is none, or a refusal.
    """
    if len(data) > LARGEST:
        raise InputError(f"{name} {_NOT_READ}")
    response = _decoded(data, 1) or _decoded(_as_response(data), 1)
    if response is None:
        raise InputError(f"{name} {_NOT_READ}")
    if response.status != rfc3161.tsp.PKIStatus.GRANTED:
        why = "; ".join(response.status_string) or f"status {response.status}"
        raise InputError(f"{name}: the authority granted no time-stamp ({why}): ask again")
    try:
        imprint, nonce = response.tst_info.message_imprint, response.tst_info.nonce
        by_sha256 = imprint.hash_algorithm.dotted_string == SHA256_OID
        return Token(response, imprint.message.hex() if by_sha256 else None, nonce)
    except ValueError as e:
        raise InputError(f"{name} {_NOT_READ}") from e


def verified(token: Token, sha256: str, roots: Sequence[x509.Certificate], name: str) -> Stamped:
    """What an answer proves of a fingerprint.

    Parameters
    ----------
    roots : certificates that the user trusts; empty: those that came with the token

    Raises
    ------
    InputError
        If imprint, signature, or chain of certificates doesn't hold.
    """
    if token.sha256 is None:
        raise InputError(
            f"{name}: its imprint is by another hash algorithm than SHA-256: ask for a time-stamp "
            "of the request that roadlog timestamp --request writes"
        )
    if token.sha256 != sha256:
        raise InputError(
            f"{name} is the time-stamp of something else: its imprint is {token.sha256[:16]}…, the "
            f"plan's fingerprint {sha256[:16]}…"
        )
    try:
        return _verified(token, sha256, roots, name)
    except (ValueError, KeyError, x509.InvalidVersion) as e:  # KeyError: cryptography to 48
        raise InputError(f"{name}: a certificate in it can't be read: ask for a new one") from e


def _verified(token: Token, sha256: str, roots: Sequence[x509.Certificate], name: str) -> Stamped:
    certificates = _certificates(token)
    given: Literal["given", "embedded"] = "given" if roots else "embedded"
    trusted = list(roots) or [c for c in certificates if c.subject == c.issuer]
    if not trusted:
        raise InputError(
            f"{name}: the token brings no root certificate: get the authority's own (PEM) and name "
            "it with --roots"
        )
    root = _root_that_holds(token, trusted, certificates, name)
    info = token.response.tst_info
    return Stamped(
        at=info.gen_time.astimezone(dt.UTC).isoformat(timespec="seconds"),
        authority=_authority(token, certificates),
        root=_name_of(root),
        root_sha256=root.fingerprint(hashes.SHA256()).hex(),
        root_from=given,
        sha256=sha256,
    )


def _root_that_holds(
    token: Token,
    trusted: Sequence[x509.Certificate],
    certificates: Sequence[x509.Certificate],
    name: str,
) -> x509.Certificate:
    """The root that the token's chain ends in, all checks done as of the token's time."""
    between = [c for c in certificates if c.subject != c.issuer]
    assert token.sha256 is not None
    why = ""
    for root in trusted:
        try:
            rfc3161.VerifierBuilder(roots=[root], intermediates=list(between)).build().verify(
                token.response, bytes.fromhex(token.sha256)
            )
        except (rfc3161.VerificationError, ValueError) as e:
            why = why or str(e)
            continue
        return root
    raise InputError(f"{name} doesn't hold: {_reason(why)}")


def roots_of(pem: bytes, name: str) -> list[x509.Certificate]:
    """Certificates of a PEM or DER file.

    Raises
    ------
    InputError
        If it holds none.
    """
    try:
        if b"-----BEGIN" in pem:
            return list(x509.load_pem_x509_certificates(pem))
        return [x509.load_der_x509_certificate(pem)]
    except ValueError as e:
        raise InputError(f"{name} holds no certificate: give the root as PEM or DER") from e


def _certificates(token: Token) -> list[x509.Certificate]:
    return [x509.load_der_x509_certificate(c) for c in token.response.signed_data.certificates]


def _authority(token: Token, certificates: Sequence[x509.Certificate]) -> str:
    """The name of the certificate that signed."""
    (signer,) = token.response.signed_data.signer_infos
    own = next(
        c
        for c in certificates
        if c.issuer == signer.issuer and c.serial_number == signer.serial_number
    )
    return _name_of(own)


def _name_of(certificate: x509.Certificate) -> str:
    parts = [
        one_line(str(found[0].value))
        for oid in (NameOID.COMMON_NAME, NameOID.ORGANIZATION_NAME, NameOID.COUNTRY_NAME)
        if (found := certificate.subject.get_attributes_for_oid(oid))
    ]
    return ", ".join(dict.fromkeys(parts)) or certificate.subject.rfc4514_string()


def _decoded(data: bytes, token_at: int) -> rfc3161.TimeStampResponse | None:
    """A response, with its certificates put in the order that DER asks of a set.

    Authorities that run `openssl ts` don't sort them, and the library then refuses to read; no
    signature covers their order.
    """
    try:
        return rfc3161.decode_timestamp_response(_certificates_sorted(data, token_at))
    except (ValueError, IndexError):
        return None


def _certificates_sorted(data: bytes, token_at: int) -> bytes:
    response = _parts(data, *_body(data, 0))
    if len(response) <= token_at:
        return data  # a refusal brings no token
    content = _parts(data, *_body(data, response[token_at][0]))[1]
    (signed_data,) = _parts(data, *_body(data, content[0]))
    for start, _ in _parts(data, *_body(data, signed_data[0])):
        if data[start] == _CERTIFICATES:
            begin, end = _body(data, start)
            each = sorted(data[a:b] for a, b in _parts(data, begin, end))
            return data[:begin] + b"".join(each) + data[end:]
    return data


def _body(data: bytes, start: int) -> tuple[int, int]:
    """Begin and end of the contents of the DER element at `start`."""
    first = data[start + 1]
    if first < 0x80:
        return start + 2, start + 2 + first
    size = first & 0x7F
    begin = start + 2 + size
    return begin, begin + int.from_bytes(data[start + 2 : begin], "big")


def _parts(data: bytes, begin: int, end: int) -> list[tuple[int, int]]:
    """Begin and end of each DER element between two places."""
    found = []
    if end > len(data):
        raise ValueError("an element ends beyond the data")
    while begin < end:
        after = _body(data, begin)[1]
        found.append((begin, after))
        begin = after
    return found


def _as_response(token: bytes) -> bytes:
    """A bare token as a granted response: PKIStatusInfo with status 0, then the token (DER)."""
    body = b"\x30\x03\x02\x01\x00" + token
    n = len(body)
    length = bytes([n]) if n < 128 else bytes([0x80 | len(_big(n))]) + _big(n)
    return b"\x30" + length + body


def _big(n: int) -> bytes:
    return n.to_bytes((n.bit_length() + 7) // 8, "big")


def _reason(text: str) -> str:
    """The library's words in the project's."""
    low = text.lower()
    if "expired" in low or "not yet valid" in low:
        return "a certificate wasn't valid at the time that it states"
    if "eku" in low:
        return "the certificate that signed isn't one for time-stamps"
    if "certificate" in low and ("issuer" in low or "self" in low or "root" in low):
        return "its chain of certificates doesn't end in a root that was given (--roots)"
    return "signature or certificates are wrong, so it was changed or isn't of that authority"
