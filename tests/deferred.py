"""The program's settings without IMMEDIATE, for the control: a transaction that reads first and writes then."""

from shop.settings import *  # noqa: F403
from shop.settings import DATABASES

DATABASES["default"]["OPTIONS"].pop("transaction_mode")
