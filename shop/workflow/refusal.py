"""A rule of the shop that says no."""


class Refused(Exception):  # noqa: N818  (it is an answer, not a fault)
    """The change is not allowed now. str() is a translated sentence for the person who tried."""
