"""Reading vehicle and drive files, with errors a user can act on."""

from __future__ import annotations

import tomllib
from importlib.resources import files as package_files
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from controller.errors import UserError
from controller.suggest import nearest

if TYPE_CHECKING:
    from pydantic import BaseModel

    Model = TypeVar("Model", bound=BaseModel)


def embedded_names(folder: str) -> list[str]:
    """Return the names of the embedded TOML files of a folder, sorted."""
    found = (item.name for item in package_files("sim").joinpath(folder).iterdir())
    return sorted(name.removesuffix(".toml") for name in found if name.endswith(".toml"))


def looks_like_path(name_or_path: str) -> bool:
    """Tell a path from an embedded name: a path has a suffix or a folder in it."""
    return any(mark in name_or_path for mark in ("/", "\\", ".")) or not name_or_path


def read_text(path: str, kind: str) -> str:
    """Return a user's file as text. Raises `UserError` when it cannot be read."""
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UserError(f"{path}: cannot read this {kind} file: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise UserError(f"{path}: this {kind} file is not UTF-8 text") from None


def read_toml(name_or_path: str, folder: str, kind: str) -> tuple[str, str, dict[str, Any]]:
    """Return (source for messages, text, data) of an embedded file by name or of a user's file by path."""
    if looks_like_path(name_or_path):
        source, text = name_or_path, read_text(name_or_path, kind)
    else:
        names = embedded_names(folder)
        if name_or_path not in names:
            raise UserError(f"unknown {kind} {name_or_path!r}; {nearest(name_or_path, names)}")
        source = name_or_path
        text = package_files("sim").joinpath(folder, f"{name_or_path}.toml").read_text(encoding="utf-8")
    try:
        return source, text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{source}: not TOML: {error}") from None


def parse(model: type[Model], data: dict[str, Any], source: str) -> Model:
    """Return the checked model. Raises `UserError` with the first thing that is wrong."""
    from pydantic import ValidationError

    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False)
        # A misspelt key also leaves the right one missing: the misspelling is what to tell.
        first = next((one for one in found if one["type"] == "extra_forbidden"), found[0])
        where = _place(first["loc"])
        raise UserError(f"{source}: {where}{_say(dict(first), model)}") from None


def _place(loc: tuple[int | str, ...]) -> str:
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return f"{text}: " if text else ""


def _say(first: dict[str, Any], model: type[BaseModel]) -> str:
    kind, given = first["type"], first["input"]
    if kind == "extra_forbidden":
        known = _keys(model, first["loc"][:-1])
        return f"unknown key; {nearest(str(first['loc'][-1]), known)}"
    if kind == "missing":
        return "this key is missing"
    message = str(first["msg"]).removeprefix("Value error, ")
    if kind == "value_error":
        return message
    return f"{message[0].lower()}{message[1:]}, but it is {given!r}"


def _keys(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    from typing import get_args, get_origin

    current: Any = model
    is_users_name = False
    for part in loc:
        if isinstance(part, int) or is_users_name:
            is_users_name = False
            continue
        field = current.model_fields[part].annotation
        is_users_name = get_origin(field) is dict
        current = next((inner for inner in (field, *get_args(field)) if hasattr(inner, "model_fields")), field)
    return list(current.model_fields)
