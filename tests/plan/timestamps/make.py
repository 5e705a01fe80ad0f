"""Make the test tokens beside this file: `python make.py` (needs openssl).

An invented authority (certificates by `cryptography`) answers requests over SHA-256("roadlog
test"); `openssl ts` makes the answers, so that reading and making are two programs' work.
"""

import datetime as dt
import hashlib
import subprocess
import tempfile
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

HERE = Path(__file__).parent
MESSAGE = b"roadlog test"
YEAR = dt.timedelta(days=365)
NOW = dt.datetime.now(dt.UTC)
CONFIG = """
[tsa]
default_tsa = one
[one]
serial = {folder}/serial
crypto_device = builtin
digests = sha256, sha512
default_policy = 1.3.6.1.4.1.99999.1
signer_digest = sha256
ess_cert_id_alg = sha256
accuracy = secs:1
ordering = no
tsa_name = no
ess_cert_id_chain = no
"""


def certificate(name, key, issuer=None, *, ca=False, stamping=True, start=NOW - YEAR, end=None):
    """A certificate, self-signed without an issuer (name, key)."""
    own = x509.Name(
        [
            x509.NameAttribute(NameOID.COUNTRY_NAME, "XX"),
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Invented for a test"),
            x509.NameAttribute(NameOID.COMMON_NAME, name),
        ]
    )
    signer_name, signer_key = issuer or (own, key)
    builder = (
        x509.CertificateBuilder()
        .subject_name(own)
        .issuer_name(signer_name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(end or NOW + 40 * YEAR)
        .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer_key.public_key()),
            critical=False,
        )
        .add_extension(
            x509.KeyUsage(
                digital_signature=not ca, content_commitment=False, key_encipherment=False,
                data_encipherment=False, key_agreement=False, key_cert_sign=ca, crl_sign=ca,
                encipher_only=False, decipher_only=False,
            ),
            critical=True,
        )
    )  # fmt: skip
    if not ca:
        purpose = (
            ExtendedKeyUsageOID.TIME_STAMPING if stamping else ExtendedKeyUsageOID.CODE_SIGNING
        )
        builder = builder.add_extension(x509.ExtendedKeyUsage([purpose]), critical=True)
    return builder.sign(signer_key, hashes.SHA256())


def pem(*certificates):
    return b"".join(c.public_bytes(serialization.Encoding.PEM) for c in certificates)


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "serial").write_text("01\n")
        (folder / "ts.cnf").write_text(CONFIG.format(folder=folder))
        keys = {n: ec.generate_private_key(ec.SECP256R1()) for n in ("root", "between", "tsa", "x")}
        root = certificate("Test root", keys["root"], ca=True)
        other = certificate("Another root", keys["x"], ca=True)
        by_root = (root.subject, keys["root"])
        between = certificate("Test intermediate", keys["between"], by_root, ca=True)
        by_between = (between.subject, keys["between"])
        tsa = certificate("Test time-stamps", keys["tsa"], by_between)
        expired = certificate(
            "Test time-stamps, expired", keys["tsa"], by_between, end=NOW - dt.timedelta(days=30)
        )
        (folder / "tsa.key").write_bytes(
            keys["tsa"].private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        (HERE / "root.pem").write_bytes(pem(root))
        (HERE / "other_root.pem").write_bytes(pem(other))

        def reply(name, signer, chain, digest="sha256", message=MESSAGE, more=()):
            (folder / "tsa.pem").write_bytes(pem(signer))
            (folder / "chain.pem").write_bytes(pem(*chain))
            (folder / "message").write_bytes(message)
            query, answer = folder / "q.tsq", HERE / f"{name}.tsr"
            subprocess.run(
                ["openssl", "ts", "-query", "-data", folder / "message", f"-{digest}", "-cert",
                 "-out", query],
                check=True, capture_output=True,
            )  # fmt: skip
            subprocess.run(
                ["openssl", "ts", "-reply", "-config", folder / "ts.cnf", "-queryfile", query,
                 "-signer", folder / "tsa.pem", "-inkey", folder / "tsa.key", "-chain",
                 folder / "chain.pem", "-out", answer, *more],
                check=True, capture_output=True,
            )  # fmt: skip

        reply("good", tsa, [between])
        reply("with_root", tsa, [between, root])
        reply("expired", expired, [between])
        reply("sha512", tsa, [between], digest="sha512")
        reply("other_message", tsa, [between], message=b"something else")
        (HERE / "token_only.tst").write_bytes(b"")
        reply("token_only", tsa, [between], more=["-token_out"])
        (HERE / "token_only.tsr").replace(HERE / "token_only.tst")
    print(hashlib.sha256(MESSAGE).hexdigest())


if __name__ == "__main__":
    main()
