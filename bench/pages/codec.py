"""Traces in a page: quantised, differenced, deflated and written as base64, and read back.

One channel of one run becomes one JSON object. Its codes are unsigned 16-bit numbers; the first code and then the
difference of each code to the one before are taken modulo 65536, folded so that small steps of either sign become
small numbers (0, -1, 1, -2 ... -> 0, 1, 2, 3 ...), split into all low bytes followed by all high bytes, and deflated
in the zlib format, which is what a browser's `DecompressionStream("deflate")` reads.

A code stands for `offset + step * code`, or for `levels[code]` where the channel's values must come back exactly.
The code `gap` stands for "no value".
"""

import base64
import json
import re
import zlib
from typing import Any, Final, TypedDict

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_CODE_BITS: Final = 12
_TOP_CODE: Final = 2**_CODE_BITS - 1
_TOP_EXACT_CODE: Final = 2**16 - 1
_ZLIB_LEVEL: Final = 6
_WRAP: Final = 2**16
_DATA_ID: Final = "report-data"


class Packed(TypedDict):
    """One encoded channel of one run, as it stands in the page."""

    offset: float
    step: float
    levels: list[float] | None
    gap: int | None
    codes: str


def _levels(values: FloatArray) -> list[float]:
    return [float(level) for level in np.unique(values)]


def pack(values: FloatArray, *, exact: bool) -> Packed:
    """Encode one channel.

    `values` has shape (samples,) in the channel's own unit; NaN means no value. Whole numbers over a span of fewer
    than 65535, and every channel with `exact`, come back exactly; all others to within half of `step`, which is the
    channel's range over 4095 (4094 where there are gaps). Raises `ValueError` for infinite values and for `exact`
    channels of more than 65535 different values.
    """
    values = np.asarray(values, dtype=np.float64)
    if np.isinf(values).any():
        raise ValueError("a trace holds an infinite value")
    is_gap = np.isnan(values)
    known = values[~is_gap]
    low = float(known.min()) if known.size else 0.0
    span = (float(known.max()) - low) if known.size else 0.0
    whole = bool(np.all(known == np.rint(known)))
    levels: list[float] | None = None
    if whole and span < _TOP_EXACT_CODE and abs(low) < 2**53:
        offset, step = low, 1.0
        known_codes = known - low
    elif exact:
        levels = _levels(known)
        if len(levels) >= _TOP_EXACT_CODE:
            raise ValueError(f"a stepped trace holds {len(levels)} different values; at most 65534 can be kept exactly")
        offset, step = 0.0, 1.0
        known_codes = np.searchsorted(np.array(levels), known).astype(np.float64)
    else:
        top = _TOP_CODE - 1 if is_gap.any() else _TOP_CODE
        offset, step = low, span / top
        # A span too small to be divided by the number of codes is no span.
        known_codes = np.rint((known - low) / step) if step > 0.0 else np.zeros_like(known)
    codes = np.zeros(values.shape, dtype=np.int64)
    codes[~is_gap] = known_codes.astype(np.int64)
    gap: int | None = None
    if is_gap.any():
        gap = int(codes.max()) + 1
        codes[is_gap] = gap
    return Packed(offset=offset, step=step, levels=levels, gap=gap, codes=_squeeze(codes))


def _squeeze(codes: npt.NDArray[np.int64]) -> str:
    deltas = np.diff(codes, prepend=0)
    signed = (deltas + _WRAP // 2) % _WRAP - _WRAP // 2
    folded = np.where(signed < 0, -2 * signed - 1, 2 * signed)
    planes = np.concatenate([folded & 0xFF, folded >> 8]).astype(np.uint8)
    return base64.b64encode(zlib.compress(planes.tobytes(), _ZLIB_LEVEL)).decode("ascii")


def unpack(packed: Packed) -> FloatArray:
    """Decode one channel: shape (samples,), NaN where there is no value."""
    planes = np.frombuffer(zlib.decompress(base64.b64decode(packed["codes"])), dtype=np.uint8).astype(np.int64)
    samples = planes.size // 2
    folded = planes[:samples] | planes[samples:] << 8
    signed = np.where(folded & 1, -(folded + 1) // 2, folded // 2)
    codes = np.cumsum(signed) % _WRAP
    is_gap = np.zeros(samples, dtype=np.bool_) if packed["gap"] is None else codes == packed["gap"]
    values = np.full(samples, np.nan)
    if packed["levels"] is not None:
        values[~is_gap] = np.array(packed["levels"])[codes[~is_gap]]
    else:
        values[~is_gap] = packed["offset"] + packed["step"] * codes[~is_gap]
    return values


def embed(data: dict[str, Any]) -> str:
    """The script element that carries `data`; no text in it can end the element or open another."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return f'<script type="application/json" id="{_DATA_ID}">{text}</script>'


def extract(html: str) -> dict[str, Any]:
    """The data that `embed` put into a page. Raises `ValueError` where the page carries none."""
    found = re.search(rf'<script type="application/json" id="{_DATA_ID}">(.*?)</script>', html, re.DOTALL)
    if found is None:
        raise ValueError("the page carries no traces")
    data: dict[str, Any] = json.loads(found.group(1))
    return data
