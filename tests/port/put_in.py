"""Terms of the solver with values put in for their variables."""

from __future__ import annotations

from typing import Any

import z3


def value_at(term: Any, **values: int) -> int | bool:
    """Return what a term is where its variables have these values; every one that it hangs on has to be given."""
    named = [
        (z3.Bool(name), z3.BoolVal(value))
        if isinstance(value, bool)
        else (z3.BitVec(name, 32), z3.BitVecVal(value, 32))
        for name, value in values.items()
    ]
    found = z3.simplify(z3.substitute(term, *named))
    return found.as_signed_long() if z3.is_bv_value(found) else {"True": True, "False": False}[str(found)]
