"""Calibration images byte by byte, as `controller.port.image` and the port's README describe them."""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import replace

import pytest
from rule_pieces import small

from controller.declare import Key, Lamp, Memory, Relation, Signal
from controller.errors import UserError
from controller.port.image import read_image, write_image
from controller.port.signature import layout_signature

_KEYS = (
    Key("top_ckmh", "speed.top", 100, -500, 20_000, 0, "a speed"),
    Key("eager", "speed.eager", 1, 0, 1, 0, "a truth value", is_flag=True),
    Key("least_ms", "wait.least_ms", 1, 10, 20, 10, "a time"),
    Key("most_ms", "wait.most_ms", 1, 10, 20, 20, "a time"),
)
_RULES = small(
    keys=_KEYS, relations=[Relation("wait.most_ms", "at least wait.least_ms", lambda k: k.most_ms >= k.least_ms)]
)
_GOOD = (1_234, 1, 12, 15)
_SIZE = 36
"""4 bytes each: magic, format and bytes before the values, signature, count, four values, checksum."""


def _image(
    *values: int, magic: bytes = b"TCBC", version: int = 1, head: int = 16, count: int = 4, signature: int | None = None
) -> bytes:
    signature = layout_signature(_RULES) if signature is None else signature
    body = magic + struct.pack("<HHII", version, head, signature, count)
    body += b"".join(value.to_bytes(4, "little", signed=True) for value in values)
    return body + zlib.crc32(body).to_bytes(4, "little")


def test_an_image_is_written_as_it_is_described() -> None:
    image = write_image(_RULES, _GOOD)
    assert image == _image(*_GOOD)
    assert len(image) == _SIZE
    assert write_image(_RULES, (-1, 0, 10, 20))[16:20] == b"\xff\xff\xff\xff"


def test_an_image_reads_as_numbers_and_truth_values_in_the_order_of_the_keys() -> None:
    k = read_image(_RULES, _image(*_GOOD), "a.bin")
    assert (k.top_ckmh, k.least_ms, k.most_ms) == (1_234, 12, 15)
    assert k.eager is True
    assert read_image(_RULES, _image(-500, 0, 10, 10), "a.bin").eager is False
    assert read_image(_RULES, _image(20_000, 0, 20, 20), "a.bin") == (20_000, False, 20, 20)


_SIGNED = layout_signature(_RULES)
_WRONG = {
    "nothing": (b"", "0 bytes are too few for a calibration image; this one has 36"),
    "less than a head": (_image(*_GOOD)[:15], "15 bytes are too few"),
    "a head of something else": (b"TCBD" + _image(*_GOOD)[4:16], r"starts with b'TCBD'; .* starts with b'TCBC'"),
    "a head alone": (_image(*_GOOD)[:16], "16 bytes and 4 values; it should be 36 and 4"),
    "format before": (_image(*_GOOD, version=0), "image format 0; this firmware reads format 1"),
    "format after": (_image(*_GOOD, version=2), "image format 2; this firmware reads format 1"),
    "other rules": (_image(*_GOOD, signature=_SIGNED ^ 1), f"signature {_SIGNED ^ 1:08X}; these have {_SIGNED:08X}"),
    "another head": (_image(*_GOOD, head=20), "36 bytes and 4 values"),
    "a value less": (_image(*_GOOD[:3], count=3), "32 bytes and 3 values; it should be 36 and 4"),
    "a value more": (_image(*_GOOD, 0, count=5), "40 bytes and 5 values"),
    "counted as less": (_image(*_GOOD, count=3), "36 bytes and 3 values"),
    "counted as more": (_image(*_GOOD, count=5), "36 bytes and 5 values"),
    "a byte less": (_image(*_GOOD)[:-1], "35 bytes and 4 values"),
    "a byte more": (_image(*_GOOD) + b"\0", "37 bytes and 4 values"),
    "a bit of a value": (_image(*_GOOD)[:20] + b"\0" + _image(*_GOOD)[21:], "its checksum does not match"),
    "a bit of the checksum": (_image(*_GOOD)[:-1] + bytes([_image(*_GOOD)[-1] ^ 1]), "its checksum does not match"),
    "under its range": (_image(-501, 1, 12, 15), "speed.top = -5.01 is out of range; it must be from -5 to 200"),
    "over its range": (_image(20_001, 1, 12, 15), "speed.top = 200.01 is out of range"),
    "last under its range": (_image(0, 1, 12, 9), "wait.most_ms = 9 is out of range; it must be from 10 to 20"),
    "no truth value": (_image(0, 2, 12, 15), "speed.eager = 2 is neither 0 nor 1"),
    "a negative truth value": (_image(0, -1, 12, 15), "speed.eager = -1 is neither 0 nor 1"),
    "relation": (_image(0, 1, 16, 15), "wait.most_ms must be at least wait.least_ms"),
}


@pytest.mark.parametrize("name", list(_WRONG))
def test_each_wrong_is_refused_with_what_would_be_right(name: str) -> None:
    image, words = _WRONG[name]
    with pytest.raises(UserError, match=rf"^a\.bin: .*{words}"):
        read_image(_RULES, image, "a.bin")


def test_the_signature_is_the_checksum_of_all_that_the_bytes_hang_on() -> None:
    signals = [[one.name, one.unit, one.low, one.high, one.is_flag] for one in _RULES.signals]
    told = [
        '{"rules":["small","1"]',
        f'"signals":{json.dumps(signals, separators=(",", ":"))}',
        '"keys":[["top_ckmh","speed.top",100,-500,20000,false],["eager","speed.eager",1,0,1,true],'
        '["least_ms","wait.least_ms",1,10,20,false],["most_ms","wait.most_ms",1,10,20,false]]',
        '"relations":[["wait.most_ms","at least wait.least_ms"]]',
        '"memory":[["now_ms",0,2147483647,0,false],["state",0,3,0,false],["reason",0,5,1,false],'
        '["band",0,2,0,false],["duty_ppm",0,1000000,0,false]]',
        '"reasons":["none","start","no_band","band_on","ready","goes_in"]',
        '"lamps":[]}',
    ]
    text = ",".join(told)
    # A unit is plain ASCII there, its signs escaped: a signature must not hang on how a file is encoded.
    assert '["level","0.1 \\u00b0C",-20,20,false]' in text
    assert layout_signature(_RULES) == zlib.crc32(text.encode("ascii"))


@pytest.mark.parametrize(
    "other",
    [
        replace(_RULES, name="others"),
        replace(_RULES, version="2"),
        replace(_RULES, signals=(*_RULES.signals, Signal("more", "", 0, 1, 0, "more"))),
        replace(_RULES, keys=(*_KEYS[:3], replace(_KEYS[3], high=21))),
        replace(_RULES, keys=(_KEYS[1], _KEYS[0], *_KEYS[2:])),
        replace(_RULES, relations=()),
        replace(_RULES, early=(*_RULES.early, Memory("more", 0, 1, 0, lambda _x, _k, m: m.more, "more"))),
        replace(_RULES, lamps=(Lamp("lit", lambda _x, _k, m: m.band > 0, "lit"),)),
    ],
)
def test_rules_that_read_other_bytes_have_another_signature(other: object) -> None:
    assert layout_signature(other) != layout_signature(_RULES)  # type: ignore[arg-type]  # a rule set
