import base64
import json
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bench.pages.codec import FloatArray, embed, extract, pack, unpack

FINITE = st.floats(-1e9, 1e9, allow_nan=False, width=32)
SHAPES = st.integers(1, 300)


@given(arrays(np.float64, SHAPES, elements=FINITE))
def test_a_line_comes_back_to_within_half_a_step(values: FloatArray) -> None:
    packed = pack(values, exact=False)
    # One part in 1e12 of the values themselves is what the arithmetic of doubles may add.
    bound = 0.5 * packed["step"] + 1e-12 * float(np.abs(values).max())
    assert float(np.abs(unpack(packed) - values).max()) <= bound
    span = float(np.ptp(values))
    assert packed["step"] == 1.0 or packed["step"] == pytest.approx(span / 4095.0)


@given(arrays(np.float64, SHAPES, elements=FINITE | st.just(float("nan"))))
def test_gaps_stay_where_they_were(values: FloatArray) -> None:
    back = unpack(pack(values, exact=False))
    np.testing.assert_array_equal(np.isnan(back), np.isnan(values))


@given(arrays(np.float64, SHAPES, elements=FINITE | st.just(float("nan"))))
def test_a_stepped_trace_comes_back_exactly(values: FloatArray) -> None:
    np.testing.assert_array_equal(unpack(pack(values, exact=True)), values)


@given(arrays(np.float64, SHAPES, elements=st.integers(-30000, 35533).map(float)))
def test_whole_numbers_come_back_exactly_without_being_asked(values: FloatArray) -> None:
    np.testing.assert_array_equal(unpack(pack(values, exact=False)), values)


@pytest.mark.parametrize(("span", "step"), [(65534.0, 1.0), (65535.0, 65535.0 / 4095.0)])
def test_whole_numbers_are_exact_up_to_the_widest_span_that_leaves_room_for_a_gap(span: float, step: float) -> None:
    assert pack(np.array([0.0, 1.0, span]), exact=False)["step"] == pytest.approx(step)


def test_a_jump_over_the_whole_code_range_survives_the_folding() -> None:
    values = np.array([0.0, 65534.0, 0.0, 32768.0, 0.0, 32767.0, 65534.0, np.nan, 0.0])
    np.testing.assert_array_equal(unpack(pack(values, exact=False)), values)


def test_the_codes_are_a_zlib_stream_of_low_bytes_then_high_bytes() -> None:
    packed = pack(np.array([0.0, 300.0, 299.0]), exact=False)
    planes = zlib.decompress(base64.b64decode(packed["codes"]))
    assert list(planes) == [0, 600 & 0xFF, 1, 0, 600 >> 8, 0]


def test_an_infinite_value_is_refused() -> None:
    with pytest.raises(ValueError, match="infinite"):
        pack(np.array([0.0, np.inf]), exact=False)


@pytest.mark.parametrize("levels", [65534, 65535])
def test_too_many_levels_are_refused(levels: int) -> None:
    values = np.arange(levels) + 0.5
    values[0] = -1e6
    if levels < 65535:
        np.testing.assert_array_equal(unpack(pack(values, exact=True)), values)
    else:
        with pytest.raises(ValueError, match="65535 different values"):
            pack(values, exact=True)


@given(st.text())
def test_no_text_ends_the_element_that_carries_it(text: str) -> None:
    html = embed({"name": text, "other": "</script><script>alert(1)</script><!--"})
    assert html.count("<") == 2
    assert extract(f"<p>before</p>{html}<p>after</p>")["name"] == text


def test_a_page_without_traces_says_so() -> None:
    with pytest.raises(ValueError, match="no traces"):
        extract("<html></html>")


def test_the_same_values_give_the_same_bytes() -> None:
    values = np.sin(np.arange(5000) / 70.0)
    assert json.dumps(pack(values, exact=False)) == json.dumps(pack(values.copy(), exact=False))
