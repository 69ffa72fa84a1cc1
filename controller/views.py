"""What a rule sees while it is traced: values by name, read only."""

from __future__ import annotations

from typing import Any

from controller.suggest import nearest
from controller.terms import refuse


class Names:
    """A view on traced values by attribute; an unknown name is an error with the nearest known one."""

    def __init__(self, what: str, values: dict[str, Any], may_change: bool = False) -> None:
        object.__setattr__(self, "_values", values)
        object.__setattr__(self, "_what", what)
        object.__setattr__(self, "_may_change", may_change)

    def __getattr__(self, name: str) -> Any:
        """Return the value of that name."""
        values: dict[str, Any] = object.__getattribute__(self, "_values")
        if name not in values:
            what = object.__getattribute__(self, "_what")
            refuse(f"{name!r} is not a {what}", nearest(name, sorted(values)))
        return values[name]

    def __setattr__(self, name: str, value: Any) -> None:
        """Keep a value where the step itself does; a rule only returns."""
        if not object.__getattribute__(self, "_may_change"):
            refuse(f"a rule sets {name!r}", "return the value; declare memory of your own with Memory(...)")
        object.__getattribute__(self, "_values")[name] = value


def read_only(view: Names) -> Names:
    """Return a view of the same values that nothing can be set on, for the rules of a tick."""
    return Names(object.__getattribute__(view, "_what"), object.__getattribute__(view, "_values"))
