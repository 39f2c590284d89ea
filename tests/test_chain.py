"""The chain and the seal: published vectors, and a verifier of fifty lines that knows nothing of our code.

The vectors are typed from memory of the RFCs named beside them; a slip would fail as a wrong library would.
"""

import hashlib
import json
import struct
from pathlib import Path

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from auditor import audit
from commands import steadypoint
from ingest_figures import invented_job
from meterlink.record.chain import Line, canonical, digest, read_line, with_hash, without_hash
from meterlink.record.device_key import DeviceKey, device_key
from meterlink.record.seal import Seal, fingerprint, seal
from meterlink.record.written import read_job, read_seal, seal_line, written_job
from sealed_job import sealed_job

# RFC 8785, section 3.2.2 (input) and 3.2.4 (its bytes in hex), as published.
SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SAMPLE_BYTES = """
7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c 22 6e 75 6d 62 65 72 73 22 3a
5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31 65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37
5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24 5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d
"""

# RFC 8785, section 3.2.3: the property names in the order in which they must come out.
UNSORTED = r"""{
  "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
  "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis"
}"""
SORTED = [
    "Carriage Return",
    "One",
    "Control",
    "Latin Small Letter O With Diaeresis",
    "Euro Sign",
    "Emoji: Grinning Face",
    "Hebrew Letter Dalet With Dagesh",
]

# RFC 8785, appendix B: IEEE 754 bits and the JSON number.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]

# RFC 8032, section 7.1: secret key, public key, message, signature; tests 1 to 3 and SHA(abc).
SIGNATURES = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
        "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b589"
        "09351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ),
]


def test_the_sample_of_rfc_8785_comes_out_byte_for_byte() -> None:
    assert canonical(json.loads(SAMPLE)) == bytes.fromhex(SAMPLE_BYTES)


def test_keys_are_sorted_as_rfc_8785_has_it() -> None:
    assert list(json.loads(canonical(json.loads(UNSORTED))).values()) == SORTED


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_are_written_as_rfc_8785_has_it(bits: str, text: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical({"n": number}) == b'{"n":%b}' % text.encode()


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000"])
def test_no_number_and_infinity_are_refused_as_rfc_8785_has_it(bits: str) -> None:
    with pytest.raises(ValueError, match="not representable"):
        canonical({"n": struct.unpack(">d", bytes.fromhex(bits))[0]})


@pytest.mark.parametrize(("secret", "public", "message", "signature"), SIGNATURES)
def test_the_key_signs_as_rfc_8032_has_it(secret: str, public: str, message: str, signature: str) -> None:
    key = DeviceKey(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)))
    assert key.public_key.hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), bytes.fromhex(message))


def test_the_text_of_a_line_is_canonical_json_whatever_the_body_holds() -> None:
    body = canonical({"b": [1.0, 1e-7, "\u20ac\n\x7f"], "\U0001f600": None, "\ufb33": {}})
    line = Line(7, b"-5", b"1795598400000000005", b"reading", body, b"\x00\xff", b"0" * 64, b"")
    assert line.text == rfc8785.dumps(json.loads(line.text))
    assert json.loads(line.text) == {
        "at": {"monotonic_ns": "-5", "utc_ns": "1795598400000000005"},
        "body": json.loads(body),
        "kind": "reading",
        "prev": "0" * 64,
        "raw": "00ff",
        "seq": 7,
    }


def test_a_written_line_is_read_back_and_its_hash_can_be_taken_out() -> None:
    body = canonical({"text": 'a "prev":"0" and ,"kind":"cue", inside'})
    line = Line(7, b"5", b"6", b"cue", body, b"", b"a" * 64, b"")
    line = line._replace(sha256=digest(line.text))
    assert read_line(line.written) == line
    assert without_hash(line.written) == (line.text, line.sha256)
    assert line.written == rfc8785.dumps(json.loads(line.written))
    assert line.fits
    assert without_hash(line.text) is None


@pytest.mark.parametrize("time", [b"007", b"-0", b"00", b"-07", b"+7"])
def test_a_time_that_a_record_would_write_otherwise_is_no_line(time: bytes) -> None:
    for name in ("monotonic_ns", "utc_ns"):
        line = Line(7, b"5", b"6", b"cue", b"{}", b"", b"a" * 64, b"")
        line = line._replace(**{name: time})  # type: ignore[arg-type] # a name of bytes
        assert read_line(line._replace(sha256=digest(line.text)).written) is None
    for kept in (b"0", b"-5", b"10"):
        line = Line(7, kept, kept, b"cue", b"{}", b"", b"a" * 64, b"a" * 64)
        assert read_line(line.written) == line


def test_bytes_moved_between_body_and_kind_do_not_fit_though_the_text_is_the_same() -> None:
    whole = Line(1, b"5", b"6", b"cue", b'{"x":{"y":1},"kind":"a","prev":"b"}', b"", b"a" * 64, b"")
    whole = whole._replace(sha256=digest(whole.text))
    moved = whole._replace(body=b'{"x":{"y":1}', kind=b'a","prev":"b"},"kind":"cue')
    assert moved.text == whole.text
    assert whole.fits
    assert not moved.fits


def test_a_seal_holds_for_its_very_text() -> None:
    key = DeviceKey(Ed25519PrivateKey.generate())
    made = seal("20261125-k7m4", 5, "a" * 64, 17, key)
    assert made.holds
    changes = ("20261125-k7m5", 6, "b" * 64, 18, "00" * 32, made.signature[2:] + "00")
    for field, other in zip(Seal.__dataclass_fields__, changes, strict=True):
        values = {name: getattr(made, name) for name in Seal.__dataclass_fields__}
        assert not Seal(**{**values, field: other}).holds, field


def test_a_fingerprint_is_that_of_the_key_s_bytes() -> None:
    key = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    assert fingerprint(key).replace("-", "") == hashlib.sha256(bytes.fromhex(key)).hexdigest()[:16]


def test_an_auditor_s_own_verifier_agrees(tmp_path: Path) -> None:
    job = sealed_job(tmp_path)
    archive = tmp_path / "job.zip"
    assert steadypoint(tmp_path, "export", job, "--as", "archive", "-o", str(archive)).returncode == 0
    public = device_key(tmp_path).public_key.hex()
    assert audit(archive) == (37, [(37, public)])


def test_text_goes_with_the_hash_as_its_last_key() -> None:
    assert with_hash(b'{"a":1}', b"00") == b'{"a":1,"sha256":"00"}'


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("events", "5"),
        ("events", None),
        ("events", True),
        ("events", 0),
        ("events", -5),
        ("events", 1.5),
        ("job", 5),
        ("head", None),
        ("public_key", 7),
        ("signature", 5),
        ("signature", None),
    ],
)
def test_a_seal_of_other_types_holds_for_nothing(field: str, value: object) -> None:
    made = seal("20261125-k7m4", 5, "a" * 64, 17, DeviceKey(Ed25519PrivateKey.generate()))
    written = json.loads(seal_line(made))
    assert read_seal(canonical(written)) == made
    assert read_seal(canonical({**written, field: value})) == Seal("", 0, "", 0, "", "")


@pytest.mark.parametrize(
    ("field", "value"),
    [("title", None), ("title", 5), ("lift", False), ("operator", 1.5), ("id", None), ("source", []), ("meter", {})],
)
def test_a_job_s_own_line_of_other_types_is_none(field: str, value: object) -> None:
    written = json.loads(written_job(invented_job(1)))
    assert read_job(written_job(invented_job(1))) == invented_job(1)
    text = canonical({"chain": 1, "job": {**written["job"], field: value}})
    with pytest.raises(TypeError, match=field):
        read_job(with_hash(text, digest(text)))
