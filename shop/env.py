"""Settings from the environment, typed and loud: a bad value stops the program with a sentence that names it.

Every variable read here must stand in the table of README.md; a test compares the two.
"""

import os
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

_TRUE = {"1", "true", "yes", "on"}
_FALSE = {"0", "false", "no", "off", ""}


def text(name: str, *, default: str = "") -> str:
    """The variable as it stands, without surrounding spaces."""
    return os.environ.get(name, default).strip()


def flag(name: str, *, default: bool = False) -> bool:
    """Yes or no, in a few usual spellings."""
    raw = os.environ.get(name)
    if raw is None:
        return default
    value = raw.strip().lower()
    if value in _TRUE:
        return True
    if value in _FALSE:
        return False
    raise ImproperlyConfigured(f"{name} must be 1 or 0 (or yes/no, true/false); it is {raw!r}.")


def whole(name: str, *, default: int, minimum: int = 0, maximum: int = 2**31) -> int:
    """A whole number inside a range."""
    raw = os.environ.get(name)
    if raw is None or not raw.strip():
        return default
    try:
        value = int(raw.strip())
    except ValueError:
        raise ImproperlyConfigured(f"{name} must be a whole number; it is {raw!r}.") from None
    if not minimum <= value <= maximum:
        raise ImproperlyConfigured(f"{name} must lie between {minimum} and {maximum}; it is {value}.")
    return value


def listing(name: str, *, default: tuple[str, ...] = ()) -> list[str]:
    """Values separated by commas."""
    raw = os.environ.get(name)
    if raw is None:
        return list(default)
    return [part.strip() for part in raw.split(",") if part.strip()]


def folder(name: str, *, default: Path) -> Path:
    """A folder, made for its owner alone if it is not there; a path that is a file stops the program."""
    raw = os.environ.get(name, "").strip()
    path = Path(raw).expanduser().resolve() if raw else default.resolve()
    if path.exists() and not path.is_dir():
        raise ImproperlyConfigured(f"{name} must be a folder; {path} is a file.")
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise ImproperlyConfigured(f"{name}: the folder {path} cannot be made: {error}.") from None
    return path


def choice(name: str, *, default: str, among: tuple[str, ...]) -> str:
    """One of a few words."""
    value = text(name, default=default) or default
    if value not in among:
        raise ImproperlyConfigured(f"{name} must be one of {', '.join(among)}; it is {value!r}.")
    return value
