"""Our writer and reader against cantools, on the examples and on files that others wrote."""

from __future__ import annotations

import os
import random
from fractions import Fraction
from pathlib import Path

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.binding import Binding, load_binding
from bus.dbc import load_dbc
from bus.map_file import load_map
from bus.placing import Scaling, place
from bus.receive import decoder
from bus.send import encoder
from controller.our_rules import OURS

OPEN_DATA = os.environ.get("TCCBENCH_OPEN_DATA")


@pytest.mark.parametrize("name", ["powertrain", "j1939"])
def test_every_signal_of_the_examples_reads_as_cantools_reads_it(name: str) -> None:
    binding = load_binding(name, OURS)
    database = cantools.database.load_file(f"dbc_examples/{name}.dbc")
    chance = random.Random(3)
    compared = 0
    names = _dbc_names(binding)
    for message in binding.messages:
        for _ in range(300):
            data = chance.randbytes(message.length)
            theirs = database.get_message_by_name(message.name).decode(data, decode_choices=False, scaling=False)
            little, big = int.from_bytes(data, "little"), int.from_bytes(data, "big")
            for one in message.signals:
                assert one.place.raw(little, big) == theirs[names[one.name]]
                compared += 1
    assert compared > 3000


def _dbc_names(binding: Binding) -> dict[str, str]:
    tables = load_map(binding.source).file.message.values()
    return {ours: one.name for table in tables for ours, one in table.signal.items()}


@pytest.mark.parametrize("name", ["powertrain", "j1939"])
def test_every_count_of_ours_comes_back_within_half_a_step(name: str) -> None:
    for message in load_binding(name, OURS).messages:
        for one in message.signals:
            encode, decode = encoder(one), decoder(one)
            step = 1 if one.codes else max(1, int(one.scaling.scale * one.scaling.per_unit))
            low, high = one.signal.low, one.signal.high
            if one.codes is None:
                low, high = max(low, one.scaling.ours(one.raw_low)), min(high, one.scaling.ours(one.raw_high))
            for value in range(low, high + 1, max(1, (high - low) // 2_000)):
                back = decode(encode(value))
                assert back is not None
                assert abs(back - value) <= step // 2


@given(st.integers(-(2**20), 2**20), st.sampled_from(["0.1", "0.25", "0.00390625", "0.03125", "0.4", "1", "-0.5"]),
       st.integers(-300, 300), st.sampled_from([1, 10, 100]))  # fmt: skip
def test_the_fast_conversion_equals_the_fractions(count: int, scale: str, offset: int, per_unit: int) -> None:
    scaling = Scaling(Fraction(scale), Fraction(offset), Fraction(per_unit))
    a, b, c = scaling.to_ours
    assert (count * a + b) // c == scaling.ours(count)
    a, b, c = scaling.to_raw
    assert (count * a + b) // c == scaling.raw(count)


@pytest.mark.skipif(OPEN_DATA is None, reason="TCCBENCH_OPEN_DATA names no folder of open data")
def test_dbc_files_of_others_load_and_read_as_cantools_reads_them() -> None:
    assert OPEN_DATA is not None
    chance = random.Random(5)
    files = sorted(Path(OPEN_DATA, "dbc").glob("*.dbc"))
    assert files
    compared = 0
    for path in files:
        for message in load_dbc(str(path)).messages:
            if message.is_multiplexed() or not 0 < message.length <= 8:
                continue
            data = chance.randbytes(message.length)
            little, big = int.from_bytes(data, "little"), int.from_bytes(data, "big")
            try:
                theirs = message.decode(data, decode_choices=False, scaling=False)
            except (ValueError, cantools.database.errors.Error):
                continue  # overlapping or overlong: not for cantools' decoder
            for one in message.signals:
                if one.is_float:
                    continue
                spot = place(one.start, one.length, one.byte_order == "big_endian", one.is_signed, message.length)
                assert spot.raw(little, big) == theirs[one.name], (path.name, message.name, one.name)
                compared += 1
    print(f"{len(files)} files, {compared} signals")
    assert compared > 1000
