"""The same as plain English."""

from shop.formats.en.formats import *  # noqa: F403
