"""Where photos and papers are kept: a folder of this computer, or a store that several computers share.

Both give back only what they were given under a name, keep nothing under a name that is taken, and have kept a file
when they say so. Nothing is shown from them but through a view that looks who asks.
"""

import os
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured, SuspiciousFileOperation
from django.core.files import File
from django.core.files.storage import FileSystemStorage
from django.utils.translation import gettext as _


class StoreError(OSError):
    """The store does not answer, or refuses; str() is a sentence for whoever works here."""


def kept_in(*, bucket: str, endpoint: str, region: str, key: str, secret: str) -> dict[str, Any]:
    """The entry of STORAGES for these settings: a folder where no bucket is named.

    Raises ImproperlyConfigured, naming the variable, for a store that is named by half.
    """
    told = {"S3_ENDPOINT": endpoint, "S3_KEY": key, "S3_SECRET": secret}
    if not bucket:
        if given := [name for name, value in told.items() if value]:
            raise ImproperlyConfigured(f"{given[0]} is set, but S3_BUCKET is not: which bucket are files kept in?")
        return {"BACKEND": "shop.files.Folder"}
    if missing := [name for name in ("S3_KEY", "S3_SECRET") if not told[name]]:
        raise ImproperlyConfigured(f"S3_BUCKET is set, so {missing[0]} must be set too.")
    if endpoint and not endpoint.startswith(("http://", "https://")):
        raise ImproperlyConfigured(f"S3_ENDPOINT must begin with http:// or https://; it is {endpoint!r}.")
    options = {
        "bucket_name": bucket,
        "endpoint_url": endpoint or None,
        "region_name": region,
        "access_key": key,
        "secret_key": secret,
    }
    return {"BACKEND": "shop.bucket.Bucket", "OPTIONS": options}


class Folder(FileSystemStorage):
    """A folder of this computer."""

    @property
    def place(self) -> str:
        """Where it is, in words."""
        return str(self.location)

    def answers(self, *, held: bool) -> bool:
        """Whether it lets the program write; how much room there is, is asked of the whole disk. held: whether there
        were files in it before. A folder that is gone then is a disk that is away, not one that nobody needed yet."""
        return os.access(settings.DATA_DIR, os.W_OK) and (Path(self.location).is_dir() or not held)

    def names(self) -> list[str]:
        """Every file there is."""
        top = Path(self.location)
        found = (Path(folder, name) for folder, _folders, names in os.walk(top) for name in names)
        return sorted(path.relative_to(top).as_posix() for path in found)

    def _open(self, name: str, mode: str = "rb") -> File:
        """No link is followed out of the folder."""
        if not Path(self.path(name)).resolve().is_relative_to(Path(self.location).resolve()):
            raise SuspiciousFileOperation(_("This file lies elsewhere."))
        return super()._open(name, mode)  # type: ignore[misc]

    def _save(self, name: str, content: File) -> str:
        """Waits for the disk, so that what somebody was told is kept survives a power cut."""
        kept: str = super()._save(name, content)  # type: ignore[misc]
        path = Path(self.path(kept))
        for written in (path, path.parent):
            handle = os.open(written, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        return kept
