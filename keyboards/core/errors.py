"""What the trade's arithmetic says about values it cannot use."""


class MeasurementError(ValueError):
    """A value that cannot be used; the message names the argument and says what is wrong."""
