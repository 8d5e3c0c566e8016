"""An object store to test against: the S3 server of moto (github.com/getmoto/moto), started in this process."""

from dataclasses import dataclass, field
from functools import cache
from uuid import uuid4

import boto3
from moto.server import ThreadedMotoServer

from shop.files import kept_in

KEYS = {"key": "a key of no worth", "secret": "a secret of no worth"}


@cache
def _client(endpoint: str):
    """Another program than ours that looks into the store."""
    return boto3.client(
        "s3",
        endpoint_url=endpoint,
        region_name="us-east-1",
        aws_access_key_id="the",
        aws_secret_access_key="keeper",
    )


@dataclass
class Store:
    """A server and one bucket in it, new for each test."""

    server: ThreadedMotoServer
    endpoint: str
    bucket: str = field(default_factory=lambda: f"keys-{uuid4().hex[:12]}")

    def __post_init__(self):
        self.client = _client(self.endpoint)
        self.client.create_bucket(Bucket=self.bucket)

    @property
    def options(self) -> dict:
        """The entry of STORAGES that the settings make of it."""
        return kept_in(bucket=self.bucket, endpoint=self.endpoint, region="us-east-1", **KEYS)

    @property
    def env(self) -> dict[str, str]:
        """The same in the environment of a process."""
        told = {"S3_BUCKET": self.bucket, "S3_ENDPOINT": self.endpoint}
        return told | {"S3_KEY": KEYS["key"], "S3_SECRET": KEYS["secret"]}

    def names(self) -> set[str]:
        """What lies in it, as another program sees it."""
        return {one["Key"] for one in self.client.list_objects_v2(Bucket=self.bucket).get("Contents", ())}
