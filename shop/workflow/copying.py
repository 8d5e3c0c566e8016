"""Photos and papers from the folder into the store that several computers share, and back."""

import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass, field

from django.core.exceptions import SuspiciousFileOperation
from django.core.files.base import File
from django.core.files.storage import Storage
from django.utils.translation import gettext as _


@dataclass
class Copied:
    """How many files were copied and read back, how many were there already and are the same; those that are not there
    now as they are at home, by name, with the sentence that says why."""

    copied: int = 0
    there: int = 0
    failed: dict[str, str] = field(default_factory=dict)


def files_copy(
    names: list[str], source: Storage, target: Storage, *, say: Callable[[int], object] = lambda done: None
) -> Copied:
    """Copies every file that the target has not. Nothing is written over and nothing in the source is changed, so it
    can be run again. say hears after each file how many are done.

    Raises StoreError where the store does not answer: what was copied until then stays and counts the next time.
    """
    found = Copied()
    for number, name in enumerate(names, start=1):
        try:
            _copy(name, source, target, found)
        except FileNotFoundError:
            found.failed[name] = _("It was taken away meanwhile.")
        except SuspiciousFileOperation:
            found.failed[name] = _("A file cannot have this name, or lies elsewhere.")
        say(number)
    return found


def _copy(name: str, source: Storage, target: Storage, found: Copied) -> None:
    with source.open(name) as file:
        data = file.read()
    if target.exists(name):
        if _sum(target, name) == hashlib.sha256(data).digest():
            found.there += 1
        else:
            found.failed[name] = _("Another file lies there under this name. It was left as it is.")
        return
    kept = target.save(name, File(io.BytesIO(data), name))
    if kept != name or _sum(target, name) != hashlib.sha256(data).digest():
        target.delete(kept)
        found.failed[name] = _("It did not arrive as it was.")
    else:
        found.copied += 1


def _sum(place: Storage, name: str) -> bytes:
    with place.open(name) as file:
        return hashlib.sha256(file.read()).digest()
