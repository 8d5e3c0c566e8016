"""A store that speaks the protocol S3: one bucket, private, the same for every computer that names it."""

import time
from collections.abc import Callable
from functools import wraps
from typing import Any

from boto3.exceptions import Boto3Error
from boto3.s3.transfer import TransferConfig
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError
from django.core.files.base import ContentFile, File
from django.utils.translation import gettext as _
from storages.backends.s3 import S3Storage

from shop.files import StoreError

# A click waits for a store that is away about so long (seconds, tried twice), no longer.
_CONNECT, _ANSWER, _TRIES = 3, 20, 2
# And the next click not at all: a page of photos would otherwise hold every process up.
REST = 5
_rests_until = 0.0


def _in_words(ask: Callable[..., Any]) -> Callable[..., Any]:
    """Whatever the store or the way to it makes of a request, as a StoreError."""

    @wraps(ask)
    def asked(*args: Any, **options: Any) -> Any:
        global _rests_until
        if time.monotonic() < _rests_until:
            raise StoreError(_away())
        try:
            return ask(*args, **options)
        except ClientError as error:
            if error.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 500) >= 500:
                raise StoreError(_away()) from error
            raise StoreError(
                _("The store of photos and papers refuses the program. Tell the owner: see S3_BUCKET and S3_KEY.")
            ) from error
        except (BotoCoreError, Boto3Error) as error:
            _rests_until = time.monotonic() + REST
            raise StoreError(_away()) from error

    return asked


def _away() -> str:
    return _("The store of photos and papers does not answer. Tell the owner.")


class Bucket(S3Storage):
    """Files under their names in one bucket."""

    def __init__(self, **options: Any):
        # Many stores beside the first one know neither names of buckets in front of theirs nor the newer checksums.
        plain: dict[str, Any] = {}
        if options.get("endpoint_url"):
            plain = {
                "s3": {"addressing_style": "path"},
                "request_checksum_calculation": "when_required",
                "response_checksum_validation": "when_required",
            }
        super().__init__(
            **options,
            file_overwrite=False,
            transfer_config=TransferConfig(use_threads=False),
            client_config=Config(
                signature_version="s3v4",
                connect_timeout=_CONNECT,
                read_timeout=_ANSWER,
                retries={"total_max_attempts": _TRIES, "mode": "standard"},
                **plain,
            ),
        )

    @property
    def place(self) -> str:
        """Where it is, in words."""
        return f"{self.bucket_name} · {self.endpoint_url or self.region_name}"

    def answers(self, *, held: bool) -> bool:
        """Whether the bucket is there and lets the program in, whether or not it held anything before."""
        try:
            _in_words(self._client.head_bucket)(Bucket=self.bucket_name)
        except StoreError:
            return False
        return True

    @_in_words
    def names(self) -> list[str]:
        """Every file there is, a thousand a request."""
        pages = self._client.get_paginator("list_objects_v2").paginate(Bucket=self.bucket_name)
        return sorted(one["Key"] for page in pages for one in page.get("Contents", ()))

    @property
    def _client(self) -> Any:
        return self.connection.meta.client

    @_in_words
    def _open(self, name: str, mode: str = "rb") -> File:
        """Read whole in one request: the largest is a photo of a few hundred kB or a paper of a few MB."""
        try:
            kept = self._client.get_object(Bucket=self.bucket_name, Key=self._normalize_name(name))
        except self._client.exceptions.NoSuchKey:
            raise FileNotFoundError(name) from None
        return ContentFile(kept["Body"].read(), name)

    _save = _in_words(S3Storage._save)
    delete = _in_words(S3Storage.delete)
    exists = _in_words(S3Storage.exists)
    size = _in_words(S3Storage.size)
