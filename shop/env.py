"""Settings from the environment or, where it does not say, from the file settings.env beside the program, so that a
command typed by hand has those of the service. Typed and loud: a bad value stops the program with a sentence that
names it.

Every variable read here must stand in the table of README.md; a test compares the two.
"""

import os
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

FILE = Path(os.environ.get("SETTINGS_FILE") or Path(__file__).resolve().parent.parent / "settings.env")
_TRUE = {"1", "true", "yes", "on"}
_FALSE = {"0", "false", "no", "off", ""}


def _written() -> dict[str, str]:
    """What the file says: a line a setting, NAME=value, in quotes or not; # begins a remark."""
    try:
        lines = FILE.read_text().splitlines()
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise ImproperlyConfigured(f"{FILE.name} cannot be read: {error}.") from None
    said = {}
    for number, line in enumerate(lines, start=1):
        name, equals, value = (part.strip() for part in line.partition("="))
        if name.startswith("#") or not line.strip():
            continue
        if not equals or not name.isidentifier():
            raise ImproperlyConfigured(f"{FILE.name}, line {number}: write NAME=value.")
        said[name] = value[1:-1] if value[:1] in ('"', "'") and value[-1:] == value[:1] and value[1:] else value
    return said


def _said(name: str) -> str | None:
    return os.environ.get(name, _written().get(name))


def text(name: str, *, default: str = "") -> str:
    """The variable as it stands, without surrounding spaces."""
    raw = _said(name)
    return default if raw is None else raw.strip()


def flag(name: str, *, default: bool = False) -> bool:
    """Yes or no, in a few usual spellings."""
    raw = _said(name)
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
    raw = _said(name)
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
    raw = _said(name)
    if raw is None:
        return list(default)
    return [part.strip() for part in raw.split(",") if part.strip()]


def folder(name: str, *, default: Path) -> Path:
    """A folder, made for its owner alone if it is not there; a path that is a file stops the program."""
    raw = (_said(name) or "").strip()
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
